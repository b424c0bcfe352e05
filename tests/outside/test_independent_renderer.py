"""Pictures of a renderer that shares nothing with our forward model, from the file to the score.

It knows other edges (linear, tanh, sharp), other profiles and halos, samples each pixel 4 × 4 times and counts electrons
with excess noise; currents come from Cartesian sums.
"""

import pytest
import tifffile
from benchmarks.scenes import independent

import apertrue

SOURCE = {
    "author": "this project, a second renderer",
    "title": "benchmarks/scenes/independent.py: other edges, profiles, sampling and camera than the forward model's",
    "year": "2026",
    "place": "in the sources; ordinary beams, both kinds in turn",
    "how": "confirmed",
}

N = 6


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    folder = tmp_path_factory.mktemp("independent")
    out = []
    for case in independent.scenes(N, seed=5, level="ordinary"):
        path = folder / f"{case.name}.tif"
        tifffile.imwrite(path, case.pixels, photometric="minisblack")
        out.append((case, apertrue.assess(path)))
    return out


def test_kinds(judged):
    assert [a.scene in case.allowed for case, a in judged].count(True) >= N - 1


def test_offset_clipped_share_and_score(check, judged):
    """Within 1 % of the radius, half a point of clipped share and score, or 4σ where that is more."""
    seen = dict.fromkeys(("offset_x_percent", "offset_y_percent", "clipped_fraction", "score", "working_score"), 0)
    for case, a in judged:
        for name, least in zip(seen, (1.0, 1.0, 0.005, 0.5, 0.5), strict=True):
            value = getattr(a, name)
            if value is not None:
                seen[name] += 1
                check(
                    f"picture {case.name[-2:]}: {name}",
                    value,
                    round(case.truth[name], 4),
                    tol=max(least, 4 * getattr(a, f"{name}_sigma")),
                )
    assert seen["offset_x_percent"] >= N - 1
    assert min(seen.values()) >= N // 2
