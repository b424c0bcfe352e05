"""Draw docs/images/result.png from the sample pictures: what the README shows."""

from pathlib import Path

from PIL import Image

from apertrue.instrument import Instrument
from apertrue.judging import Setup, judge_frame
from apertrue.overlay import draw_overlay
from apertrue.readers import read_frame

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ("01-centered.tif", "02-drifted.tif", "03-far-off.tif")
WIDTH = 430
GROUND = "#14171A"


def main() -> None:
    """Judge the samples, draw their overlays side by side, write the picture."""
    drawn = []
    for name in SAMPLES:
        overlay = draw_overlay(judge_frame(read_frame(ROOT / "sample_images" / name), Setup(instrument=Instrument())))
        height = round(overlay.height * WIDTH / overlay.width)
        drawn.append(overlay.resize((WIDTH, height), Image.Resampling.LANCZOS))
    out = Image.new("RGB", (WIDTH * len(drawn), max(d.height for d in drawn)), GROUND)
    for i, picture in enumerate(drawn):
        out.paste(picture, (i * WIDTH, 0))
    target = ROOT / "docs" / "images" / "result.png"
    target.parent.mkdir(parents=True, exist_ok=True)
    out.save(target, optimize=True)
    print(f"{target.relative_to(ROOT)}: {target.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
