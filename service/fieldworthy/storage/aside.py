"""Under way."""

from sqlalchemy.ext.asyncio import AsyncConnection


class SqlAside:
    """Implements the port of the same name inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int) -> None:
        self._connection = connection
        self._organisation = organisation
