"""One step of an explanation: a code and values for programs, a sentence for people."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Reason:
    """code: stable; values: what the sentence speaks of, plain JSON values; text: the sentence, made last."""

    code: str
    text: str
    values: Mapping[str, Any]
