"""NIST Statistical Reference Datasets: straight line (Norris) and multiple regression (Longley).

The nonlinear sets (Misra1a, Gauss1) are left out: the house has no general nonlinear fitter, only the joint fit of
edges, which is checked against its own Fisher matrix and truth.
"""

import numpy as np

from apertrue.fitting.lines import fit_line, fit_linear

SOURCE = {
    "author": "National Institute of Standards and Technology",
    "title": "Statistical Reference Datasets, linear regression",
    "year": "1999",
    "place": "Norris (file carried by scipy), Longley (data and certified values carried by statsmodels)",
    "how": "confirmed",
}


def test_norris(check, table):
    rows = table("norris.csv")
    fit = fit_line([float(r["x"]) for r in rows], [float(r["y"]) for r in rows])
    check("Norris, B0", fit.coefficients[0], -0.262323073774029, tol=1e-9, relative=True)
    check("Norris, B1", fit.coefficients[1], 1.00211681802045, tol=1e-9, relative=True)
    check("Norris, σ of B0", fit.sigma[0], 0.232818234301152, tol=1e-9, relative=True)
    check("Norris, σ of B1", fit.sigma[1], 0.000429796848199937, tol=1e-9, relative=True)
    check("Norris, residual standard deviation", fit.residual_sd, 0.884796396144373, tol=1e-9, relative=True)


LONGLEY = {
    "const": (-3482258.63459582, 890420.383607373),
    "GNPDEFL": (15.0618722713733, 84.9149257747669),
    "GNP": (-0.0358191792925910, 0.0334910077722432),
    "UNEMP": (-2.02022980381683, 0.488399681651699),
    "ARMED": (-1.03322686717359, 0.214274163161675),
    "POP": (-0.0511041056535807, 0.226073200069370),
    "YEAR": (1829.15146461355, 455.478499142212),
}


def test_longley(check, table):
    rows = table("longley.csv")
    names = list(LONGLEY)[1:]
    design = np.array([[1.0, *(float(r[n]) for n in names)] for r in rows])
    fit = fit_linear(design, [float(r["TOTEMP"]) for r in rows])
    for k, (name, (value, sigma)) in enumerate(LONGLEY.items()):
        check(f"Longley, {name}", fit.coefficients[k], value, tol=1e-7, relative=True)
        check(f"Longley, σ of {name}", fit.sigma[k], sigma, tol=1e-7, relative=True)
    check("Longley, residual standard deviation", fit.residual_sd, 304.854073561965, tol=1e-7, relative=True)
