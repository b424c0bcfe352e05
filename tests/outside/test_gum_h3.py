"""A calibration line with covariance and prediction: the GUM's worked example."""

from apertrue.fitting.lines import fit_line

SOURCE = {
    "author": "JCGM",
    "title": "Evaluation of measurement data — Guide to the expression of uncertainty in measurement, H.3",
    "year": "2008",
    "place": "JCGM 100:2008, Table H.6",
    "how": "confirmed",
}


def test_thermometer(check, table):
    rows = table("gum_h6.csv")
    fit = fit_line([float(r["t"]) for r in rows], [float(r["b"]) for r in rows], origin=20.0)
    check("y1 (°C)", fit.coefficients[0], -0.17120379013, tol=1e-9)
    check("y2 (1)", fit.coefficients[1], 0.00218269774, tol=1e-10)
    check("u(y1) (°C)", fit.sigma[0], 0.0028776, tol=5e-8)
    check("u(y2)", fit.sigma[1], 0.00066793877, tol=1e-10)
    r = fit.covariance[0, 1] / (fit.sigma[0] * fit.sigma[1])
    check("r(y1, y2)", r, -0.930430, tol=1e-6)
    check("s (°C)", fit.residual_sd, 0.00349756, tol=1e-8)
    value, sigma = fit.predict([1.0, 30.0 - 20.0])
    check("b(30 °C)", value[0], -0.1493768127, tol=1e-9)
    check("u(b(30 °C))", sigma[0], 0.0041385958, tol=1e-9)


def test_published_digits(check, table):
    """As printed: −0.1712(29), 0.00218(67), r −0.93, −0.1494(41)."""
    rows = table("gum_h6.csv")
    fit = fit_line([float(r["t"]) for r in rows], [float(r["b"]) for r in rows], origin=20.0)
    check("y1, as printed", fit.coefficients[0], -0.1712, tol=0.5e-4)
    check("u(y1), as printed", fit.sigma[0], 0.0029, tol=0.5e-4)
    check("y2, as printed", fit.coefficients[1], 0.00218, tol=0.5e-5)
    check("u(y2), as printed", fit.sigma[1], 0.00067, tol=0.5e-5)
