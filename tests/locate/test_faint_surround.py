"""A faint surround around a beam whose soft edge is no blurred step."""

import numpy as np
from scipy.special import ndtr

from apertrue.frame import as_frame
from apertrue.locate import readings
from apertrue.pipeline import judge


def test_one_soft_edge_written_as_two_hides_no_aperture_around_it(monkeypatch):
    x, y = np.meshgrid(np.arange(520.0), np.arange(500.0))
    u = 108 - np.hypot(x - 256, y - 249)
    tail = 0.5 * np.exp(-np.abs(u) / 6)
    beam = np.where(u < 0, tail, 1 - tail)
    light = ndtr((200 - np.hypot(x - 260, y - 250)) / 2) * (0.01 + beam)
    rng = np.random.default_rng(1)
    frame = as_frame((rng.poisson(2000 * light) + rng.normal(100, 10, x.shape)).astype(np.float32))
    a = judge(frame).assessment
    assert a.scene == "both-edges"
    assert abs(a.offset_x_percent + 2.0) < 3 * a.offset_x_percent_sigma
    assert abs(a.offset_y_percent + 0.5) < 3 * a.offset_y_percent_sigma
    assert a.offset_x_percent_sigma < 1.0
    # Either rule keeps it: an aperture well around both, or one whose edge stands by itself.
    monkeypatch.setattr(readings, "stands_by_itself", lambda *_: False)
    assert judge(frame).assessment.offset_percent is not None
    monkeypatch.setattr(readings, "_surrounds", lambda *_: False)
    alone = judge(frame).assessment
    assert alone.offset_percent is not None  # its edges are found one by one, too,
    assert alone.score is None  # which tells less
    monkeypatch.setattr(readings, "apart", lambda *_: None)
    assert judge(frame).assessment.offset_percent is None
