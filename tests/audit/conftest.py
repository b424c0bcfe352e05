"""Makes the samples importable by name, here and in worker processes (they inherit sys.path)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
