"""Cramér–Rao bounds of circles and arcs in closed form."""

from math import pi, sin, sqrt


def arc_bound(n: int, sigma: float, half_angle_rad: float = pi) -> tuple[float, float, float]:
    """Cramér–Rao bounds (1σ) for n points spread evenly over an arc: center along its axis, across it, and radius.

    With S = sin α/α and C₂ = ½(1 + sin 2α/2α): var∥ = σ²/[N(C₂ − S²)], var⊥ = σ²/[N(1 − C₂)], var_R = C₂·var∥.
    Source: Chan and Thomas 1995; Kanatani 1998; Chernov 2010 (from memory), checked against the numeric Fisher matrix.

    Args:
        n: number of points.
        sigma: their radial 1σ, px.
        half_angle_rad: half of the arc, 0 to π (π = full circle).
    """
    if n < 3 or not sigma > 0 or not 0 < half_angle_rad <= pi:
        raise ValueError("n ≥ 3, sigma > 0 and a half-angle in (0, π] are needed")
    a = half_angle_rad
    s, c2 = sin(a) / a, 0.5 * (1 + sin(2 * a) / (2 * a))
    along = sigma**2 / (n * (c2 - s * s))
    across = sigma**2 / (n * (1 - c2))
    return sqrt(along), sqrt(across), sqrt(c2 * along)
