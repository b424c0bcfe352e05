"""Judge sample_images/ and write the report: what ``make demo`` runs."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def main() -> int:
    """Run ``apertrue assess`` on the samples as a user would; its exit status."""
    report = ROOT / "report" / "samples.html"
    samples = [
        "sample_images/" + p.name
        for p in sorted((ROOT / "sample_images").glob("*"))
        if p.suffix in {".tif", ".tiff", ".png", ".jpg", ".npy", ".mrc", ".bmp"}
    ]
    if not samples:
        print("sample_images/ holds no pictures.", file=sys.stderr)
        return 1
    command = [sys.executable, "-m", "apertrue", "assess", *samples, "--as-taken", "--report", str(report)]
    done = subprocess.run(command, cwd=ROOT, check=False)
    if done.returncode == 0:
        print(f"\nOpen the report in a browser: {report}")
        print(f"Your own picture: {Path(sys.executable).parent / 'apertrue'} assess PICTURE")
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
