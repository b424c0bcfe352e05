"""What a cut-off beam costs: current lost, time for the same counts, electrons per second and per area.

The score is that of the illumination in which the work is done (``working_score``), and so is the diameter: a disc of
the alignment view says nothing about the dose on the specimen, because the last condenser lens is off there.
"""

from dataclasses import dataclass
from math import hypot

from ..registry.format import as_current
from .electrons import dose_rate, electrons_per_second, wavelength_pm
from .pairs import centered_current


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its 1σ; ``sigma`` is ``None`` where nothing tells it."""

    value: float
    sigma: float | None = None


@dataclass(frozen=True, slots=True)
class Cost:
    """What the present offset costs. ``None`` = not known.

    Attributes:
        current_pa: as read, pA.
        centered_pa: what a centered beam would give, pA.
        lost_pa: the difference, pA.
        time_factor: exposure or scan time ÷ that of a centered beam, for the same counts.
        extra_min: minutes more for the planned work.
        center_pays: whether centering first takes less time than that; ``None`` without planned minutes.
        electrons_per_s: through the aperture now.
        dose_rate: electrons per Å² and second in the working illumination.
        wavelength_pm: relativistic wavelength, pm.
        sentences: the same for people.
    """

    current_pa: float | None
    centered_pa: Measured | None
    lost_pa: Measured | None
    time_factor: Measured
    extra_min: Measured | None
    center_pays: bool | None
    electrons_per_s: float | None
    dose_rate: Measured | None
    wavelength_pm: float | None
    sentences: tuple[str, ...]


def cost_of(
    score: float,
    score_sigma: float | None = None,
    *,
    current_pa: float | None = None,
    halo_fraction: float = 0.0,
    minutes: float | None = None,
    centering_min: float = 1.0,
    diameter_nm: float | None = None,
    diameter_sigma_nm: float | None = None,
    kv: float | None = None,
) -> Cost:
    """What an offset costs.

    Args:
        score: of the working illumination, over 0 up to 100.
        score_sigma: its 1σ.
        current_pa: as read there, pA.
        halo_fraction: share of the light inside the aperture that is halo; it does not grow by centering.
        minutes: planned minutes of work.
        centering_min: what centering would take (a nudge: 1; see the instrument file), min.
        diameter_nm: diameter of the illuminated disc on the specimen *in the working illumination*, nm.
        diameter_sigma_nm: its 1σ.
        kv: high tension, for the wavelength.

    Raises:
        ValueError: a score outside (0, 100], or a negative current or time.
    """
    if not 0 < score <= 100:
        raise ValueError(f"the score must lie over 0 and up to 100, got {score}")
    if current_pa is not None and not current_pa >= 0:
        raise ValueError(f"the current must not be negative, got {current_pa} pA")
    if minutes is not None and not minutes >= 0:
        raise ValueError(f"the planned minutes must not be negative, got {minutes}")
    factor = 100.0 / score
    relative = None if score_sigma is None else score_sigma / score
    time_factor = Measured(factor, None if relative is None else factor * relative)
    sentences = []
    centered = lost = None
    if current_pa is not None:
        value, grown = centered_current(current_pa, score, score_sigma or 0.0, halo_fraction)
        sigma = None if relative is None else value * grown
        centered, lost = Measured(value, sigma), Measured(value - current_pa, sigma)
        now, then, gone = (as_current(pa) for pa in (current_pa, value, value - current_pa))
        sentences.append(f"{now} pass now, {then} would when centered: {gone} are lost.")
    extra, pays = None, None
    if factor < 1.005:
        sentences.append("For the same counts: no longer than when centered, to within half a percent.")
    else:
        sentences.append(f"For the same counts: {factor:.2f} × as long, or center first.")
    if minutes is not None:
        more = minutes * (factor - 1)
        extra = Measured(more, None if relative is None else minutes * factor * relative)
        pays = more > centering_min
        if pays:
            sentences.append(
                f"Over {minutes:g} min that is {more:.1f} min more; centering takes {centering_min:g} min: it pays."
            )
        else:
            sentences.append(
                f"Over {minutes:g} min that is {more:.1f} min more; centering takes {centering_min:g} min: "
                "not worth it now."
            )
    rate = None if current_pa is None else electrons_per_second(current_pa)
    if rate is not None:
        sentences.append(f"{rate:.3g} electrons per second.")
    dose = None
    if diameter_nm is not None and current_pa is not None:
        value = dose_rate(current_pa, diameter_nm)
        dose = Measured(value, None if diameter_sigma_nm is None else value * 2 * diameter_sigma_nm / diameter_nm)
        sentences.append(
            f"{value:.3g} electrons per Å² and second, evenly spread over a disc of {diameter_nm:g} nm in the working "
            "illumination."
        )
    elif current_pa is not None:
        sentences.append(
            "No dose per area: it needs the diameter of the disc on the specimen in the working illumination "
            "(the alignment view's disc is another one)."
        )
    return Cost(
        current_pa,
        centered,
        lost,
        time_factor,
        extra,
        pays,
        rate,
        dose,
        None if kv is None else wavelength_pm(kv),
        tuple(sentences),
    )


@dataclass(frozen=True, slots=True)
class Scaled:
    """A current carried over to another aperture; ``current_pa`` is ``None`` when that would be a guess."""

    current_pa: float | None
    sigma_pa: float | None
    why: str


#: Beam radius ÷ aperture radius from which the beam overfills with margin; below the other it passes whole.
OVERFILLS, FITS = 1.1, 0.9
#: Unevenness up to which the light counts as even, % (common practice, no source).
EVEN_PERCENT = 10.0


def scale_to_aperture(
    current_pa: float,
    sigma_pa: float,
    from_um: float,
    to_um: float,
    *,
    ratio: float | None,
    unevenness_percent: float | None,
) -> Scaled:
    """The current of a centered beam through another aperture at the same focus.

    By area only where the beam overfills both apertures evenly; unchanged where it passes both whole; else not at all.

    Args:
        current_pa: through the present aperture, centered, pA.
        sigma_pa: its 1σ.
        from_um: diameter of the present aperture, µm.
        to_um: of the other, µm.
        ratio: beam radius ÷ radius of the present aperture at this focus; ``None`` = not known.
        unevenness_percent: of the lit area in the present aperture; ``None`` = not known.

    Raises:
        ValueError: a diameter that is not positive.
    """
    if not from_um > 0 or not to_um > 0:
        raise ValueError(f"aperture diameters must be positive, got {from_um} and {to_um} µm")
    if abs(from_um - to_um) < 1e-9:
        return Scaled(current_pa, sigma_pa, "the same aperture")
    if ratio is None:
        return Scaled(None, None, "Not scaled: it is not known whether the beam overfills the aperture at this focus.")
    other = ratio * from_um / to_um
    if ratio <= FITS and other <= FITS:
        return Scaled(current_pa, sigma_pa, "The beam passes both apertures whole: the current stays.")
    if ratio < OVERFILLS or other < OVERFILLS:
        return Scaled(
            None,
            None,
            f"Not scaled: the beam does not overfill both apertures (its radius is {ratio:.2f} and {other:.2f} of "
            f"theirs; {OVERFILLS:g} is needed).",
        )
    if unevenness_percent is None:
        return Scaled(None, None, "Not scaled: it is not known whether the light is even.")
    if unevenness_percent > EVEN_PERCENT:
        return Scaled(
            None,
            None,
            f"Not scaled: the light is uneven ({unevenness_percent:.0f} %; by area only up to {EVEN_PERCENT:g} %).",
        )
    area = (to_um / from_um) ** 2
    value = current_pa * area
    # What lies between the two edges was not seen, or is left out: as uneven as the rest, in proportion to its share.
    share = 1.0 - min(area, 1.0 / area)
    sigma = value * hypot(sigma_pa / current_pa if current_pa > 0 else 0.0, unevenness_percent / 100.0 * share)
    text = f"By area, × {area:.3g}: the beam overfills both apertures evenly."
    if area > 1:
        text += " The ring between them was not seen; read the current once to confirm."
    return Scaled(value, sigma, text)
