"""What is refused of links to calendars. Part of the tree that `usecases.refusals` draws."""

from fieldworthy.usecases.refusals import AtOdds, NotFound, shorten


class FeedUnknown(NotFound):
    """No link of this organisation has this id."""

    code, title = "feed.unknown", "no such link"

    def __init__(self, id: str) -> None:
        super().__init__(f"no link to a calendar has the id `{shorten(id)}`", "`GET /v1/feeds` lists them with their ids")


class TooManyFeeds(AtOdds):
    """An organisation has as many links to calendars as may work at one time."""

    code, title = "feed.too_many", "too many links"

    def __init__(self, most: int) -> None:
        super().__init__(f"there are {most:,} links that work, and no more may", "revoke one that is used no longer: DELETE /v1/feeds/ID")
