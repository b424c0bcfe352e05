"""Pictures of the condenser aperture among others of all kinds: none is put aside. The full study: benchmarks/audit.py."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile
from benchmarks.audit_others import KINDS, other

from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, run_audit
from apertrue.audit.work import PUT_ASIDE
from apertrue.simulate import random_recipe, simulate
from apertrue.store import open_store

SIDE = 128


def test_no_aperture_picture_is_lost_among_others_of_all_kinds(tmp_path: Path) -> None:
    rng = np.random.default_rng(21)
    folder = tmp_path / "in"
    folder.mkdir()
    needles = set()
    for i, kind in enumerate(KINDS):
        tifffile.imwrite(folder / f"{i:02d} {kind}.tif", other(rng, kind, SIDE))
        if i % 2:
            scene = ("both-edges", "clipped")[i // 2 % 2]
            recipe = random_recipe(rng, scene, (), SIDE)
            # Pictures of some hundred counts; how few the engine can live with is the honesty study's matter.
            shot = simulate(replace(recipe, peak_electrons=max(recipe.peak_electrons, 300.0)), rng)
            needles.add(f"{i:02d} {scene}.tif")
            tifffile.imwrite(folder / f"{i:02d} {scene}.tif", shot.picture)
    with open_store(tmp_path / "a.sqlite", migrations=MIGRATIONS) as store:
        number = run_audit([str(folder)], store, settings=AuditSettings(timezone="UTC"), limits=Limits(workers=0))
        rows = {row["file"]: row for row in Audit(store, number).rows()}
    assert len(rows) == len(KINDS) + len(needles)
    assert all(row["error"] is None for row in rows.values())
    assert {name for name in needles if rows[name]["scene"] in PUT_ASIDE} == set()
    wrong = {name[3:-4] for name in rows if name not in needles and rows[name]["offset_percent"] is not None}
    # A diffraction pattern of discs is the known weak point: its central disc and a neighbor look like beam and aperture.
    assert wrong <= {"diffraction discs"}
    assert sum(row["scene"] in PUT_ASIDE for row in rows.values()) >= len(KINDS) - 5
