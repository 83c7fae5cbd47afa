"""Makes the tables' readers (`tests.due_cases` and its like) importable, however pytest was started, and settles the property tests.

In the pipeline (CI=true) properties try the same examples every time, so that a change is judged by itself; anywhere else they look
for new ones at each run. No property fails on a time.
"""

import os
import sys
from pathlib import Path

from hypothesis import settings

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

settings.register_profile("searching", deadline=None)
settings.register_profile("pipeline", deadline=None, derandomize=True, database=None)
settings.load_profile("pipeline" if os.environ.get("CI") else "searching")
