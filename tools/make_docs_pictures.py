"""Draw docs/images/tutorial-drifted.png from the sample picture: what the tutorial's overlay shows."""

from pathlib import Path

from PIL import Image

from apertrue.instrument import Instrument
from apertrue.judging import Setup, judge_frame
from apertrue.overlay import draw_overlay
from apertrue.readers import read_frame

ROOT = Path(__file__).resolve().parent.parent
WIDTH = 560


def main() -> None:
    """Judge the sample, draw its overlay, write the picture."""
    overlay = draw_overlay(
        judge_frame(read_frame(ROOT / "sample_images" / "02-drifted.tif"), Setup(instrument=Instrument()))
    )
    small = overlay.resize((WIDTH, round(overlay.height * WIDTH / overlay.width)), Image.Resampling.LANCZOS)
    target = ROOT / "docs" / "images" / "tutorial-drifted.png"
    small.quantize(128).save(target, optimize=True)
    print(f"{target.relative_to(ROOT)}: {target.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
