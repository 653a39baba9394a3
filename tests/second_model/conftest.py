"""The second model is a package of its own beside the tests: it is found from here as from `compare.py`."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
