"""What has come of a bulk post of readings so far."""

from dataclasses import dataclass, replace

from fieldworthy.client.shapes import AsideTold, ReadingsAnswer

MOST_ASIDE = 10_000
"""Readings set aside that are remembered; of all of them there are `newly_aside` and the count."""


@dataclass(frozen=True, slots=True)
class Posted:
    """
    run: names the bulk post; with it and `skip=posted.sent` the same readings go on where they were broken off.

    sent: readings that were answered, from the beginning of the source, those that were skipped too; kept, same, set_aside: what became
    of those that this call has sent, together `sent - skipped`; aside: the first of those set aside, with `index` counted over the whole
    source, from 0; newly_aside: all of the newest post.
    """

    run: str
    skipped: int = 0
    sent: int = 0
    kept: int = 0
    same: int = 0
    set_aside: int = 0
    aside: tuple[AsideTold, ...] = ()
    newly_aside: tuple[AsideTold, ...] = ()

    def with_answer(self, answer: ReadingsAnswer) -> "Posted":
        """The same with one more post. answer: of readings that stand at `sent`."""
        newly = tuple[AsideTold, ...]({**told, "index": self.sent + told["index"]} for told in answer["aside"])
        return replace(
            self,
            sent=self.sent + len(answer["readings"]),
            kept=self.kept + answer["kept"],
            same=self.same + answer["same"],
            set_aside=self.set_aside + answer["set_aside"],
            aside=(*self.aside, *newly[: MOST_ASIDE - len(self.aside)]),
            newly_aside=newly,
        )
