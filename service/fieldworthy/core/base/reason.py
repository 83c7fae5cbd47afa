"""One step of an explanation: a code and values for programs, a sentence for people."""

from collections.abc import Mapping
from typing import Any, NamedTuple


class Reason(NamedTuple):
    """code: stable; values: what the sentence speaks of, plain JSON values; text: the sentence, made last."""

    code: str
    text: str
    values: Mapping[str, Any]

    def to_json(self) -> dict[str, Any]:
        """As it stands on the wire."""
        return {"code": self.code, "text": self.text, "values": self.values}
