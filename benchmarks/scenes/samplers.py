"""Simulated scenes over the trade's working range: clean ones, one nuisance each, and everything at random."""

from collections.abc import Iterator

from apertrue.simulate import NUISANCES, random_recipe, simulate

from .case import Case, children, from_simulated

#: Readable kinds.
READABLE = ("both-edges", "clipped")


def clean(n: int, seed: int = 1, kind: str | None = None, size: int = 512) -> Iterator[Case]:
    """Clean scenes of one readable kind (both in turn when ``None``)."""
    for k, rng in enumerate(children(seed, n)):
        scene = kind or READABLE[k % 2]
        shot = simulate(random_recipe(rng, scene, size=size), rng)
        yield from_simulated(f"clean-{scene}-{k:05d}", scene, shot)


def one_nuisance(name: str, n: int, seed: int = 2, size: int = 512) -> Iterator[Case]:
    """Readable scenes with one kind of nuisance."""
    for k, rng in enumerate(children(seed + 1000 * (1 + NUISANCES.index(name)), n)):
        shot = simulate(random_recipe(rng, READABLE[k % 2], (name,), size=size), rng)
        yield from_simulated(f"{name}-{k:05d}", name, shot)


def mixed(n: int, seed: int = 3, size: int = 512, most: int = 3) -> Iterator[Case]:
    """Readable scenes with none to ``most`` nuisances at a time, in frames of 256² to ``size``²."""
    for k, rng in enumerate(children(seed, n)):
        count = int(rng.integers(0, most + 1))
        names = tuple(str(v) for v in rng.choice(NUISANCES, count, replace=False))
        side = int(rng.choice([s for s in (256, 384, 512, 1024, 2048) if s <= size]))
        shot = simulate(random_recipe(rng, READABLE[k % 2], names, size=side), rng)
        yield from_simulated(f"mixed-{k:05d}-{'+'.join(names) or 'clean'}", "mixed", shot)


def all_kinds(n: int, seed: int = 4, size: int = 512) -> Iterator[Case]:
    """Scenes of all kinds that can be drawn, clean, in the sampler's own shares."""
    for k, rng in enumerate(children(seed, n)):
        shot = simulate(random_recipe(rng, size=size), rng)
        yield from_simulated(f"kind-{k:05d}", str(shot.truth.kind), shot)


def with_reference(n: int, seed: int = 6, size: int = 512) -> Iterator[Case]:
    """Pictures without a halo, read with what is known beforehand: a remembered aperture, or its radius, in turn.

    The remembered aperture is off by its own stated doubt (1σ in x and y each); truth is against the true one.
    """
    from dataclasses import replace

    for k, rng in enumerate(children(seed, n)):
        kind = ("one-edge", "clipped", "overfilled")[k % 3]
        recipe = random_recipe(rng, kind, size=size)
        recipe = recipe.with_values(halo_level=0.0 if kind != "overfilled" else recipe.halo_level)
        shot = simulate(recipe, rng)
        radius = float(shot.truth.aperture_radius_px or 0.0)
        changes: dict[str, object] = {}
        if kind == "one-edge":
            doubt = float(rng.uniform(0.1, 1.0))
            dx, dy = (float(v) for v in rng.normal(0, doubt, 2))
            known = replace(recipe.aperture, x=recipe.aperture.x + dx, y=recipe.aperture.y + dy)
            changes = {
                "hints": {"aperture": known, "aperture_sigma_px": doubt},
                "allowed": ("beam-only", "both-edges"),
                "must_be_null": (),
            }
        elif kind == "clipped":
            changes = {
                "hints": {"aperture_radius_px": radius, "aperture_radius_sigma": 0.01},
                "allowed": ("clipped", "one-edge"),
                "must_be_null": (),
            }
        else:
            changes = {
                "hints": {"aperture_radius_px": radius, "aperture_radius_sigma": 0.01},
                "allowed": ("overfilled",),
            }
        yield from_simulated(f"reference-{k:05d}", f"{kind} with reference", shot, **changes)


def burst(frames: int, jitter_px: float, seed: int = 7, kind: str = "both-edges", size: int = 512) -> list[Case]:
    """Frames of one scene whose view jumps by ``jitter_px`` (1σ, x and y each) between frames (vibration)."""
    first, *rest = children(seed, frames + 1)
    recipe = random_recipe(first, kind, size=size)
    x, y = recipe.center
    out = []
    for k, rng in enumerate(rest):
        dx, dy = (float(v) for v in rng.normal(0, jitter_px, 2))
        shot = simulate(recipe.with_values(aperture_x_px=x + dx, aperture_y_px=y + dy), rng)
        out.append(from_simulated(f"burst-{k:03d}", kind, shot))
    return out


HARD: dict[str, dict[str, object]] = {
    "halo 0.3 % of the core": {"halo_level": 0.003},
    "no halo": {"halo_level": 0.0},
    "beam 96 % of the aperture": {"beam_ratio": 0.96, "offset_x_percent": 1.0, "offset_y_percent": -0.5},
    "beam 100 % of the aperture": {"beam_ratio": 1.0, "offset_x_percent": 3.0, "offset_y_percent": -2.0},
    "beam 104 % of the aperture": {"beam_ratio": 1.04, "offset_x_percent": 8.0, "offset_y_percent": 5.0},
    "concentric within a pixel": {"offset_x_percent": 0.3, "offset_y_percent": 0.2},
    "half the beam cut": {"offset_x_percent": 82.0, "offset_y_percent": 25.0},
    "peak of 5 counts": {"peak_electrons": 5.0, "gain": 30.0, "halo_level": 0.15},
    "grid bar across both edges": {"bar_width_px": 30.0, "bar_angle_deg": 35.0, "bar_position": 0.3},
    "dirt": {"dirt_count": 12, "dirt_size_px": 11.0},
    "8 bits with gamma": {"bits": 8, "gamma": 0.5, "gain": 0.2, "bias": 4.0, "read_noise": 0.5},
    "heavy JPEG": {"bits": 8, "jpeg_quality": 30, "gain": 0.2, "bias": 8.0, "read_noise": 0.8},
    "green phosphor": {"bits": 8, "color": "green", "gain": 0.2, "bias": 8.0, "read_noise": 0.8},
    "window screenshot": {
        "bits": 8,
        "gain": 0.2,
        "bias": 8.0,
        "read_noise": 0.8,
        "border_px": 8,
        "text": "200 kV",
        "scale_bar": True,
        "aperture_radius_px": 170.0,
    },
    "view tilted by 30°": {"view_tilt_deg": 30.0, "view_axis_deg": 25.0},
    "axes 1.3 : 1": {"astigmatism": 0.13, "astigmatism_axis_deg": 60.0, "beam_ratio": 0.8},
    "dead quadrant": {"dead_quadrant": 1},
    "interlaced": {"interlace_px": 1.0, "interlace_gain": 0.04},
    "vignetted": {"vignetting": 0.4},
    "Fresnel fringes": {"beam_fringe_px": 5.0, "aperture_fringe_px": 3.0},
    "inverted": {"inverted": True},
    "portrait": {"rows": 640, "columns": 420},
    "discs of 20 px": {"aperture_radius_px": 10.0, "aperture_edge_px": 0.8, "beam_edge_px": 0.9},
    "4096²": {
        "rows": 4096,
        "columns": 4096,
        "aperture_radius_px": 1500.0,
        "aperture_edge_px": 5.0,
        "beam_edge_px": 7.0,
    },
    "unknown gain, correlated noise": {"gain": 17.3, "bias": 412.0, "spread_px": 1.3, "read_noise": 30.0},
    "hot pixels": {"hot_pixels": 3e-4, "dead_columns": 2},
    "screen's grain": {"grain": 0.08, "grain_px": 1.5},
}


def hard(repeats: int = 20, seed: int = 5) -> Iterator[Case]:
    """Hard pictures that an operator really has: each row ``repeats`` times with other noise and small shifts."""
    from apertrue.simulate import Recipe

    for row, (name, values) in enumerate(HARD.items()):
        for k, rng in enumerate(children(seed * 1000 + row, repeats)):
            recipe = Recipe().with_values(**values)
            x, y = recipe.center
            moved = recipe.with_values(
                aperture_x_px=x + float(rng.uniform(-0.5, 0.5)), aperture_y_px=y + float(rng.uniform(-0.5, 0.5))
            )
            yield from_simulated(f"hard-{row:02d}-{k:03d}", name, simulate(moved, rng))
