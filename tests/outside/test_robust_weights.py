"""Bounded influence of pixels that no smooth picture explains: Huber's weights, and the median's scale."""

import numpy as np
from statsmodels.robust import mad
from statsmodels.robust.norms import HuberT

from apertrue.locate.refine import huber, spread_in

SOURCE = {
    "author": "P. J. Huber; F. R. Hampel",
    "title": "Robust estimation of a location parameter; The influence curve and its role in robust estimation",
    "year": "1964; 1974",
    "place": "Ann. Math. Stat. 35:73–101; J. Am. Stat. Assoc. 69:383–393; recomputed with statsmodels",
    "how": "confirmed",
}


def test_weights(check):
    z = np.linspace(-9, 9, 37)
    check(
        "largest difference of Huber's weights (a = 3)", np.abs(huber(z) - HuberT(3.0).weights(z)).max(), 0, tol=1e-12
    )


def test_scale(check):
    z = np.random.default_rng(1).normal(0, 2.0, 4001)
    # 1.4826 is 1/Φ⁻¹(¾) to five digits; the library's is exact.
    check("scale from the median size, ÷ statsmodels'", spread_in(z) / mad(z, center=0.0), 1, tol=1e-5)
