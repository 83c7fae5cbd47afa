"""The signal word that follows from what comes of a hazard, and the order of the cautions."""

import pytest

from fieldworthy.core.answer.clearance import answer_clearance
from fieldworthy.core.procedure.model import RANK, Certainty, Outcome, signal_of
from tests.core.books import book_of, on_the_wire, question_of

# ANSI Z535.4-2007, 4.14.1 to 4.14.4, as quoted at safetylabel.com/safetylabelstandards/ansi-signal-words.php: danger "will", warning
# "could" result in death or serious injury, caution in minor or moderate injury, notice is for what is not about injury.
TABLE: list[tuple[Certainty, Outcome, str]] = [
    ("will", "death", "danger"),
    ("will", "serious injury", "danger"),
    ("could", "death", "warning"),
    ("could", "serious injury", "warning"),
    ("could", "moderate injury", "caution"),
    ("could", "minor injury", "caution"),
    ("could", "property damage", "notice"),
    # what is sure to come but light: caution and notice ask for no certainty
    ("will", "moderate injury", "caution"),
    ("will", "minor injury", "caution"),
    ("will", "property damage", "notice"),
]


@pytest.mark.parametrize(("certainty", "outcome", "word"), TABLE)
def test_the_word_follows(certainty: Certainty, outcome: Outcome, word: str) -> None:
    assert signal_of(outcome, certainty) == word


def test_no_worse_outcome_and_no_greater_certainty_has_a_milder_word() -> None:
    outcomes: list[Outcome] = ["property damage", "minor injury", "moderate injury", "serious injury", "death"]
    ranks = [[RANK[signal_of(outcome, certainty)] for certainty in ("could", "will")] for outcome in outcomes]
    assert all(could <= will for could, will in ranks)
    assert ranks == sorted(ranks)


def test_cautions_come_by_rank() -> None:
    facts = {"engine": {"states": ["stopped", "running"]}}
    said = {
        "damage": {"outcome": "property damage", "certainty": "could"},
        "bruise": {"outcome": "minor injury", "certainty": "could"},
        "burn": {"signal": "warning"},
        "crush": {"outcome": "death", "certainty": "will", "signal": "danger"},
        "fall": {"outcome": "serious injury", "certainty": "could"},
    }
    hazards = {name: {"never": "engine is running", "avoid": "Stop the engine.", **words} for name, words in said.items()}
    book = book_of({"facts": facts, "hazards": hazards})
    asked = {"for": {"needs": "engine is stopped"}, "evidence": [{"fact": "engine", "value": "stopped"}]}
    answer = answer_clearance(book, question_of(on_the_wire(asked))).to_json()
    assert [(c["signal"], c["hazard"]) for c in answer["cautions"]] == [
        ("danger", "crush"),
        ("warning", "burn"),
        ("warning", "fall"),
        ("caution", "bruise"),
        ("notice", "damage"),
    ]
