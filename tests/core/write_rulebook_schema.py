"""Writes the committed schema of rulebooks anew: python tests/core/write_rulebook_schema.py"""

import json
import sys
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(TOP / "service"))

from fieldworthy.core.rulebook.schema import rulebook_schema  # noqa: E402

if __name__ == "__main__":
    text = json.dumps(rulebook_schema(), indent=2, ensure_ascii=False) + "\n"
    (TOP / "openapi" / "rulebook.schema.json").write_text(text, "utf-8")
