"""Makes the tables' readers (`tests.due_cases` and its like) importable, however pytest was started."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
