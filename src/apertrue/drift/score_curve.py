"""From an offset to the working score and back: at which offset a score limit is crossed.

A flat disc of the working radius over the aperture (overlap of two discs,
:func:`apertrue.model.transmission.lens_area`), with its loss scaled to what the last picture showed where that picture
lost enough to tell.
"""

from dataclasses import dataclass
from math import pi

from ..model.transmission import lens_area


@dataclass(frozen=True, slots=True)
class ScoreCurve:
    """Working score as a function of the offset.

    Attributes:
        ratio: beam radius ÷ aperture radius at work; 1 when the beam just fills the aperture.
        loss_scale: the picture's loss ÷ a flat beam's at the same offset (domed beams lose less at the rim).
    """

    ratio: float = 1.0
    loss_scale: float = 1.0

    @classmethod
    def seen(
        cls, ratio: float | None, offset_percent: float | None, score: float | None, score_sigma: float | None
    ) -> "ScoreCurve":
        """The curve scaled to one picture's offset and working score, where both are known and tell something."""
        flat = cls(ratio or 1.0)
        if offset_percent is None or score is None or not score_sigma:
            return flat
        expected = 100.0 - flat.score(offset_percent)
        loss = 100.0 - score
        if expected < 1.0 or loss < 3 * score_sigma:
            return flat
        return cls(flat.ratio, min(max(loss / expected, 0.25), 4.0))

    def score(self, offset_percent: float) -> float:
        """Working score (0–100) at an offset in % of the aperture radius."""
        most = pi * min(self.ratio, 1.0) ** 2
        passed = lens_area(abs(offset_percent) / 100.0, self.ratio, 1.0) / most
        return max(0.0, 100.0 - self.loss_scale * 100.0 * (1.0 - min(passed, 1.0)))

    def offset_at(self, score: float) -> float:
        """The offset (%) at which the working score falls to ``score``: the largest one that still reaches it."""
        low, high = 0.0, 100.0 * (1.0 + self.ratio)
        for _ in range(60):
            middle = 0.5 * (low + high)
            if self.score(middle) >= score:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)
