"""The client's shapes are those of the contract."""

from tests.client import write_shapes


def test_the_shapes_are_the_contracts() -> None:
    committed = {path.stem: path.read_text("utf-8") for path in write_shapes.ROOM.glob("*.py")}
    assert committed == write_shapes.written(), "run: python tests/client/write_shapes.py"
    assert sum(text.count("TypedDict") for text in committed.values()) > 100
