"""A shift scan in sentences. Pure."""

from ..advise.plain import measured
from .agreement import Agreement
from .scan import ScanResult


def scan_sentences(found: ScanResult) -> tuple[str, ...]:
    """What the scan says, headline first."""
    out: list[str] = []
    center = found.center
    if center is None:
        out.append("This scan does not tell where the current is largest.")
        out.append(found.remedy)
    else:
        parts = [
            f"{name} {measured(value, sigma)}"
            for name, value, sigma in (
                ("gun shift X", center.x, center.x_sigma),
                ("gun shift Y", center.y, center.y_sigma),
            )
            if value is not None
        ]
        where = " and ".join(parts)
        if found.status == "plateau":
            out.append(f"The top is flat: its middle lies at {where}.")
            if found.plateau_half_width is not None:
                out.append(
                    f"Within about {found.plateau_half_width:.2g} console units of it the current does not tell: "
                    "the edges tell better there."
                )
        else:
            out.append(f"The current is largest at {where}.")
        if center.x is None or center.y is None:
            other = "Y" if center.y is None else "X"
            out.append(f"Gun shift {other} was not scanned: nothing is known about it.")
    if found.most_pa is not None:
        said = f"Beam current there {measured(*found.most_pa, 'pA')}"
        if found.halo_pa is not None:
            said += f", and {measured(*found.halo_pa, 'pA')} that the meter counts whatever the shift"
        out.append(said + ".")
    if found.ratio is not None:
        kind = "radius" if found.curve == "disc" else "1/e² radius"
        out.append(f"Beam {kind} {measured(*found.ratio)} of the aperture's radius.")
    if found.drift_percent is not None and abs(found.drift_percent[0]) > 3 * found.drift_percent[1]:
        out.append(f"The current drifted by {measured(*found.drift_percent, '%', signed=True)} over the scan.")
    if found.noise_pa is not None:
        source = " (from the readings' scatter)" if found.noise_from_residuals else ""
        out.append(f"Noise of one reading {found.noise_pa:.2g} pA{source}.")
    if found.suspects:
        lines = ", ".join(str(i + 1) for i in found.suspects)
        out.append(f"Reading {lines} lies far off and was left out: check it for a typing error.")
    return tuple(out)


def agreement_sentence(test: Agreement) -> str:
    """Whether the scan's center and the edge-based center agree."""
    d = test.difference
    parts = [
        f"{name} {measured(value, sigma, signed=True)}"
        for name, value, sigma in (("X", d.x, d.x_sigma), ("Y", d.y, d.y_sigma))
        if value is not None
    ]
    size = " and ".join(parts)
    if test.agrees:
        return f"Current and edges agree: they differ by {size} console units, no more than chance (p = {test.p:.2g})."
    return (
        f"Current and edges do not agree: they differ by {size} console units (p = {test.p:.1g}). "
        "A constant difference is learned over several runs; else look for tilt, astigmatism or something in the way."
    )
