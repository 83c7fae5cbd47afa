"""Calendars of what is due, and links to them that need no key."""

from typing import Never

from fieldworthy.client.bound import Bound, D, many, one
from fieldworthy.client.calls import get, path, write
from fieldworthy.client.shapes import FeedItem, FeedMade
from fieldworthy.client.steps import Flow


class LinkMade(FeedMade):
    """A link that was just made. url: its whole address, as this client reaches the service."""

    url: str


class Calendars(Bound[D]):
    """What is told and asked of calendars. A calendar is text (iCalendar)."""

    @one
    def machine_calendar(self, id: str) -> Flow[Never, str]:
        """What is due on a machine."""
        return self._caller.text(get(path("/v1/machines/{}/due.ics", id)))

    @one
    def site_calendar(self, site: str) -> Flow[Never, str]:
        """What is due on the machines of a site."""
        return self._caller.text(get(path("/v1/sites/{}/due.ics", site)))

    @one
    def fleet_calendar(self, *, site: str | None = None) -> Flow[Never, str]:
        """What is due on all machines. site: of this one alone, which may have a `/` in its name."""
        return self._caller.text(get("/v1/due.ics", {"site": site}))

    @one
    def make_feed(
        self, *, machine: str | None = None, site: str | None = None, name: str | None = None, idempotency_key: str | None = None
    ) -> Flow[Never, LinkMade]:
        """
        A link to the calendar of a machine, of a site, or of neither: of all machines. Whoever has it needs no key, and it is told once.

        Where the answer that told it was lost, the next try is refused (`request.shown_once`) and names the link: revoke it, make another.
        """
        given = {name: value for name, value in (("machine", machine), ("site", site), ("name", name)) if value is not None}
        made = yield from self._caller.json(write("POST", "/v1/feeds", given, idempotency_key))
        made["url"] = f"{self._caller.address.rstrip('/')}{made['path']}"
        return made  # type: ignore[no-any-return]

    @many
    def feeds(self) -> Flow[FeedItem, None]:
        """All links, also those that were revoked, in the order in which they were made."""
        return self._caller.pages("/v1/feeds", {})

    @one
    def revoke_feed(self, id: str) -> Flow[Never, FeedItem]:
        """Ends a link, named by its id."""
        return self._caller.json(write("DELETE", path("/v1/feeds/{}", id)))

    @one
    def feed_calendar(self, token: str) -> Flow[Never, str]:
        """The calendar of a link. token: what stands in its address between `/v1/feeds/` and `.ics`."""
        return self._caller.text(get(path("/v1/feeds/{}.ics", token)))
