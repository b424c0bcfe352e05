"""Student's factor by which a σ known from few frames is widened."""

import pytest

from apertrue.burst import widening

SOURCE = {
    "author": "JCGM",
    "title": "Evaluation of measurement data — Guide to the expression of uncertainty in measurement, Table G.2",
    "year": "2008",
    "place": "JCGM 100:2008, the column 95.45 %; recomputed with scipy.special",
    "how": "from memory",
}


@pytest.mark.parametrize(
    ("freedom", "printed"),
    [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (8, 2.37), (10, 2.28), (20, 2.13), (50, 2.05)],
)
def test_table(check, freedom, printed):
    check(f"t(95.45 %) of {freedom} degrees of freedom", 2 * widening(freedom), printed, tol=0.005)
