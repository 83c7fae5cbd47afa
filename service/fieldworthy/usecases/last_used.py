"""When keys and links were last used: gathered beside the requests, and told to the store now and then."""

from collections.abc import Awaitable, Callable, Mapping

from fieldworthy.usecases.audit import ITSELF
from fieldworthy.usecases.keys import Keys, KeyStore


class LastUsed:
    """By id, the latest use that the store was not told of yet."""

    def __init__(self, store: KeyStore, write: Callable[[Keys, Mapping[str, int]], Awaitable[None]]) -> None:
        """write: what tells the store, inside one of its transactions."""
        self._store = store
        self._write = write
        self._used: dict[str, int] = {}

    def note(self, id: str, at: int) -> None:
        self._used[id] = at

    async def tell(self) -> None:
        """Raises StoreUnavailable; then it is told the next time."""
        used, self._used = self._used, {}
        if not used:
            return
        try:
            async with self._store.keep_keys(ITSELF) as keys:
                await self._write(keys, used)
        except BaseException:
            self._used = {**used, **self._used}
            raise
