"""What a request says of the state that it was made for (RFC 9110, 13.1): entity tags, as they stand in its headers."""

from collections.abc import Set
from dataclasses import dataclass

ANY = "*"


@dataclass(frozen=True, slots=True)
class OnlyIf:
    """
    match: of `If-Match`, tags with their quotes, or ANY alone; weak ones never match, so they are left out. none: of `If-None-Match`,
    without `W/`, for there the weak comparison holds. None: the header was not sent.
    """

    match: Set[str] | None = None
    none: Set[str] | None = None

    def matches(self, tag: str | None) -> bool:
        """Whether `If-Match` lets it through. tag: of what is there now; None: nothing is."""
        return self.match is None or (tag is not None and (ANY in self.match or tag in self.match))

    def names(self, tag: str | None) -> bool:
        """Whether `If-None-Match` names what is there now."""
        return self.none is not None and tag is not None and (ANY in self.none or tag in self.none)

    def lets_change(self, tag: str | None) -> bool:
        """Whether a change may be made to what is there now."""
        return self.matches(tag) and not self.names(tag)


ALWAYS = OnlyIf()


def tag_of(number: int) -> str:
    """The entity tag of a state that has this number."""
    return f'"{number}"'
