"""The tree of refusals: each leaf has a code of its own, a status, a cause and a way out."""

import pytest

from fieldworthy.core.base.finding import Finding
from fieldworthy.usecases import feed_refusals, key_refusals, listener_refusals, once_refusals, refusals
from fieldworthy.usecases.keys import Key, KeyScope
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.refusals import Refusal, leaves, shorten

LEAVES = leaves()

KEY = Key("3k7q2xmzt5ab", 1, "bridge", b"", frozenset({KeyScope.POST_READINGS}), 0, 1)
FINDING = Finding("x.y", "something is wrong", "mend it")
MADE: dict[str, Refusal] = {
    r.code: r
    for r in (
        refusals.RulebookUnknown("x"),
        refusals.VersionUnknown("x", 2, 1),
        refusals.DraftUnknown("x"),
        refusals.DraftChanged("x", 1, 2),
        refusals.VersionTaken("x", 1),
        refusals.MeterUnitChanged([FINDING]),
        refusals.MachineUnknown("x"),
        refusals.MachineNotYetKept("x", "2026-07-14T06:00:00Z"),
        refusals.MachineTaken("x"),
        refusals.AsideUnknown("0a"),
        refusals.AsideSettled("accepted", "p-3"),
        refusals.AsideUnacceptable("it is still to come", "accept it later"),
        refusals.MachineChanged("x", 2),
        refusals.RecordUnknown("x", "done", "d", "2026-07-14T06:00:00Z"),
        refusals.RecordChanged("d", None),
        refusals.WorkUnknown("x", "w"),
        refusals.RecordTaken("w", "choose another id"),
        refusals.WorkTaken("w", "x"),
        refusals.WorkClosed("w", "2026-07-14T06:00:00Z"),
        refusals.WorkOfAnother("the work `w`", "p-1"),
        refusals.StepOutOfOrder("w", 3, 2),
        refusals.StepBegun("w", 3, "p-1"),
        key_refusals.KeyMissing(),
        key_refusals.KeyRefused(),
        key_refusals.KeyEnded(KEY),
        key_refusals.ScopeMissing(KEY.asker(), KeyScope.READ),
        key_refusals.FromElsewhere("a web page sent it"),
        key_refusals.QuotaExceeded(Quota(10, 60), 3),
        key_refusals.TooManyWrongKeys(10, 3),
        key_refusals.TooManyWrongKeys(10, 3, is_of_subject=True),
        key_refusals.TokenRefused(),
        key_refusals.TokenEnded(),
        key_refusals.TokenOrganisationUnknown(),
        key_refusals.KeyUnknown("x"),
        feed_refusals.FeedUnknown("x"),
        feed_refusals.TooManyFeeds(3),
        key_refusals.OrganisationUnknown("x"),
        key_refusals.KeyImpossible("a key without a scope opens nothing", "give it one"),
        listener_refusals.ListenerUnknown("x"),
        listener_refusals.DeliveryUnknown("x"),
        listener_refusals.ListenerChanged("x", 2),
        listener_refusals.ListenerNotOn("x", "gone"),
        listener_refusals.ListenerTaken("x"),
        listener_refusals.ListenersTooMany(100),
        listener_refusals.TestsTooMany("x", 10, "2026-07-14T12:00:00Z"),
        listener_refusals.NoSecret("x"),
        listener_refusals.ListenerRefused(FINDING),
        refusals.RequestInFlight(),
        once_refusals.ShownOnce("made the link", "x", "revoke it, and make another"),
        refusals.KeyReused(),
        refusals.TooLarge("a rulebook", 10, "bytes"),
        refusals.ReferenceMalformed("?"),
        refusals.NameDiffers("a", "b"),
        refusals.RulebookHasErrors("x", [FINDING]),
        refusals.QuestionDoesNotFit([FINDING]),
    )
}


def test_codes_are_unique_and_all_are_made_here() -> None:
    codes = [leaf.code for leaf in LEAVES]
    assert sorted(codes) == sorted(set(codes)) == sorted(MADE)


@pytest.mark.parametrize("leaf", LEAVES, ids=lambda leaf: leaf.code)
def test_each_has_status_title_docstring_and_is_in_the_drawing(leaf: type[Refusal]) -> None:
    assert 400 <= leaf.status < 500
    assert leaf.title
    assert leaf.__doc__
    assert refusals.__doc__ is not None
    assert leaf.code in refusals.__doc__
    assert leaf.__name__ in refusals.__doc__ or leaf.code == "request.too_large"


@pytest.mark.parametrize("made", MADE.values(), ids=lambda made: made.code)
def test_each_says_what_and_how_to_go_on(made: Refusal) -> None:
    for words in (made.detail, made.remedy):
        assert words == words.strip()
        assert words[0] == "`" or not words[0].isupper()
        assert not words.endswith(".")
        assert not any(leaf.__name__ in words for leaf in LEAVES)


@pytest.mark.parametrize(
    ("given", "shown"),
    [("short", "short"), ("a\x1b[2Jb\nc", "a [2Jb c"), ("x" * 200, "x" * 79 + "…"), ("\u202eab", " ab"), ("", "")],
)
def test_a_senders_words_are_cut_and_made_harmless(given: str, shown: str) -> None:
    assert shorten(given) == shown
