"""Makes the closed-form cases importable for the tests beside it."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
