"""Makes the work functions importable by name, here and in the worker processes (they inherit sys.path)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
