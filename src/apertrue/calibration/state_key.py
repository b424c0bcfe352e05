"""The state that a calibration belongs to, and what changed or is not known of it, in words."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from ..assessment import Assessment, other_view, radius_seen
from ..frame import State
from ..registry.format import format_number

#: Within this share of the focus reading two foci count as the same.
FOCUS_TOLERANCE = 0.05


@dataclass(frozen=True, slots=True)
class StateKey:
    """The state a calibration belongs to; ``None`` = not known, which neither confirms nor voids it.

    ``mode`` is the illumination mode as the console names it; ``aperture_radius_px`` the aperture's radius as the
    pictures show it, with its 1σ, px: it tells another view where no magnification is stated. The other fields are those
    of :class:`apertrue.frame.State`.
    """

    focus_side: str | None = None
    gun_focus: float | None = None
    aperture_um: float | None = None
    kv: float | None = None
    spot: str | None = None
    magnification: float | None = None
    camera: str | None = None
    mode: str | None = None
    aperture_radius_px: tuple[float, float] | None = None

    @classmethod
    def of(cls, state: State, mode: str | None = None) -> "StateKey":
        """The key of a frame's state. The side follows from the focus' sign where it is not stated."""
        side = state.focus_side
        if side is None and state.gun_focus is not None and state.gun_focus != 0:
            side = "positive" if state.gun_focus > 0 else "negative"
        return cls(
            side,
            state.gun_focus,
            state.aperture_um,
            state.kv,
            state.spot,
            state.magnification,
            state.camera,
            mode,
        )

    def seen_in(self, *pictures: Assessment) -> "StateKey":
        """The key with the radius that the aperture has in pictures of one view (a remembered one tells nothing)."""
        seen = [r for r in map(radius_seen, pictures) if r is not None]
        if not seen:
            return self
        mean = sum(radius for radius, _ in seen) / len(seen)
        return replace(self, aperture_radius_px=(mean, max(sigma for _, sigma in seen)))

    def _other_view(self, now: "StateKey") -> bool:
        """Whether the radii tell another view; another gun-lens focus may draw the aperture's shadow at another size."""
        return not self._other_focus(now) and other_view(
            self.aperture_radius_px, now.aperture_radius_px, self.aperture_um, now.aperture_um
        )

    def _other_focus(self, now: "StateKey") -> bool:
        a, b = self.gun_focus, now.gun_focus
        return a is not None and b is not None and abs(a - b) > FOCUS_TOLERANCE * max(abs(a), 1.0)

    def changed(self, now: "StateKey") -> tuple[str, ...]:
        """Names of the fields in which ``now`` differs; unknown ones are passed over."""
        out = []
        for f in fields(self):
            a, b = getattr(self, f.name), getattr(now, f.name)
            if a is None or b is None:
                continue
            if f.name == "gun_focus":
                different = self._other_focus(now)
            elif f.name == "aperture_radius_px":
                different = self._other_view(now)
            elif isinstance(a, float):
                different = abs(a - b) > 1e-6 * max(abs(a), abs(b))
            else:
                different = a != b
            if different:
                out.append(f.name)
        return tuple(out)

    def unknown(self, now: "StateKey") -> tuple[str, ...]:
        """Names of the fields that are known here or in ``now`` and not in both: those that a person can look up."""
        names = (f.name for f in fields(self) if f.name != "aperture_radius_px")
        return tuple(n for n in names if (getattr(self, n) is None) != (getattr(now, n) is None))


#: What each field of the state is called when it ended a calibration.
STATE_WORDS = {
    "focus_side": "the side of the gun-lens focus",
    "gun_focus": "the gun-lens focus",
    "aperture_um": "the condenser aperture",
    "kv": "the high tension",
    "spot": "the spot setting",
    "magnification": "the magnification",
    "camera": "the camera",
    "mode": "the mode",
    "aperture_radius_px": "the view",
}


def changed_words(changed: Sequence[str], then: StateKey, now: StateKey) -> str:
    """What changed, in words; of the view, what tells it."""
    words = [STATE_WORDS[c] for c in changed]
    if "aperture_radius_px" in changed and then.aperture_radius_px and now.aperture_radius_px:
        a, b = (format_number(*r, decimals=1) for r in (then.aperture_radius_px, now.aperture_radius_px))
        told = f"(the aperture's radius was {a} px and is {b} px: another magnification, camera or lens)"
        words[list(changed).index("aperture_radius_px")] += f" {told}"
    return " and ".join(words)


def _state_value(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def open_words(name: str, then: StateKey, now: StateKey) -> str:
    """A field that only one side tells: the calibration's value, or the present one and that it was not noted."""
    was, is_ = getattr(then, name), getattr(now, name)
    if was is not None:
        return f"{STATE_WORDS[name]} {_state_value(was)}"
    return f"{STATE_WORDS[name]} {_state_value(is_)} (not noted when it was made)"
