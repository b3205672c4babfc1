"""Let the test files of this room share `cases`, the table of series at the edges."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
