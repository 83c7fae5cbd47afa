"""How much the tests try: what fits into every run, or with THOROUGH=yes in the environment all that they can (see DEVELOPERS.md)."""

import os

THOROUGH = os.environ.get("THOROUGH", "") not in ("", "no")
_SHARE = 3


def examples(most: int) -> int:
    """How many cases a test draws or goes through of `most`, which is what a thorough run tries."""
    return most if THOROUGH else -(-most // _SHARE)
