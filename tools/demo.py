"""Judge sample_images/ and write the report: what ``make demo`` runs."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def main() -> int:
    """Run ``apertrue assess`` on the samples as a user would; its exit status."""
    report = ROOT / "report" / "samples.html"
    samples = Path("sample_images")
    command = [sys.executable, "-m", "apertrue", "assess", str(samples), "--as-taken"]
    command += ["--sheet", str(samples / "session.csv"), "--report", str(report)]
    done = subprocess.run(command, cwd=ROOT, check=False)
    if done.returncode == 0:
        print(f"\nOpen the report in a browser: {report}")
        print(f"Your own picture: {Path(sys.executable).parent / 'apertrue'} assess PICTURE")
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
