"""Rewrites package-lock.json after a change of package.json.

    python tests/strangers/write_lock.py

What packages say of their funding and of being out of use is left out of the lock: it holds addresses, and installs nothing.
"""

import json
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))

from tests.strangers.programs import npm  # noqa: E402

if __name__ == "__main__":
    npm("install", "--package-lock-only", folder=HERE)
    lock = json.loads((HERE / "package-lock.json").read_text("utf-8"))
    for package in lock["packages"].values():
        for word in ("funding", "deprecated", "resolved"):
            package.pop(word, None)
    (HERE / "package-lock.json").write_text(json.dumps(lock, indent=1, ensure_ascii=False) + "\n", "utf-8")
