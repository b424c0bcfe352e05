"""A made-up archive: half a year of sessions on an instrument that does not exist, to audit and to look at.

Thirty-six sessions by nobody in particular: settings recalled that fit less from month to month, a gun that drifts
(after a made-up exchange of its supply in the middle, twice as fast), moves by hand, runs of the automatic routine, two
hangs, currents read in the alignment view and at the focus of the work, many pictures of other things, some broken
files. Beside the pictures lies ``sheet.csv`` with the readings.

    python benchmarks/audit_archive.py FOLDER [--quick] [--no-audit]
    apertrue audit FOLDER --sheet FOLDER/sheet.csv --csv audit.csv --report audit.html
"""

import argparse
import csv
import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from math import hypot
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import tifffile

from apertrue.simulate import Recipe, simulate

START = datetime(2026, 1, 12, 8, 0, tzinfo=UTC)
SIDE = 192
#: Setting -> (side of the focus, foci of the work from and to, stored gun shift).
SETTINGS = {
    "STEM low": (1, (70.0, 120.0), (12.0, -7.5)),
    "STEM X-ray": (1, (38.0, 60.0), (12.6, -7.1)),
    "TEM view": (-1, (48.0, 90.0), (10.8, -8.3)),
}
#: Side -> (beam radius / aperture radius per unit of |focus - crossover|, current through a wide open aperture, pA).
SIDES = {1: (0.030, 620.0), -1: (0.026, 3800.0)}
CROSSOVER = 1.2
#: How the two shift axes turn the beam, % of the aperture radius per console unit.
TURN = np.array([[8.0, 2.5], [-2.0, 7.4]])
READINGS = ("gun_shift_x", "gun_shift_y", "gun_focus", "current_pa", "kv", "aperture_um", "setting", "note")
FIELDS = ("file", "taken_at", *READINGS)
#: (time, pixels or None for a broken file, readings)
Taken = tuple[datetime, np.ndarray | None, dict[str, Any]]


def lattice(rng: np.random.Generator, side: int = SIDE) -> np.ndarray:
    """A picture of something else: a lattice, a specimen's edge, or rings."""
    y, x = np.mgrid[:side, :side]
    kind = rng.integers(3)
    if kind == 0:
        a, b = rng.uniform(0.5, 1.2, 2)
        light = 300 + 90 * np.sin(a * x + b * y) + 90 * np.sin(b * x - a * y)
    elif kind == 1:
        light = 200 + 500 / (1 + np.exp(-(x - side * rng.uniform(0.3, 0.7) + 9 * np.sin(y / 17.0)) / 4))
        light = light * (1 + 0.2 * rng.normal(size=(side // 8, side // 8)).repeat(8, 0).repeat(8, 1))
    else:
        r = np.hypot(x - side / 2, y - side / 2)
        light = 2500 / (1 + (r / 7) ** 2) + 80 * sum(np.exp(-((r - q) ** 2) / 8) for q in (31, 44, 62, 71))
    return rng.poisson(np.clip(light, 5, None)).astype(np.uint16)


def passing(ratio: float) -> float:
    """Share of a centered, fairly flat beam that passes the aperture: all of a small one, 1/ratio^2 of a wide one."""
    return (1.0 + ratio**6) ** (-1.0 / 3.0)


def session(number: int, sessions: int, rng: np.random.Generator) -> Iterator[Taken]:
    """The pictures of one session."""
    day = number * 180.0 / sessions
    begin = START + timedelta(days=day, hours=float(rng.uniform(0, 3)))
    late = number >= sessions * 0.55  # after the exchange
    names = list(SETTINGS)
    name = names[int(rng.integers(len(names)))]
    shift = np.array(SETTINGS[name][2])
    # What the stored settings no longer know: the gun creeps from month to month, and wanders from day to day.
    gun = np.array([4.0, -2.0]) + day * np.array([0.05, -0.03]) + rng.normal(0, 4.0, 2)
    speed = rng.normal(0, 1.0, 2)
    speed *= (4.2 if late else 2.0) * float(rng.uniform(0.75, 1.25)) / max(float(hypot(*speed)), 0.3)
    emission, crossing = float(np.exp(rng.normal(0, 0.05))), CROSSOVER + float(rng.normal(0, 0.4))
    minutes = 0.0
    hung = number in (9, 23)
    for picture in range(int(rng.integers(8, 15))):
        when = begin + timedelta(minutes=minutes)
        side, work, stored = SETTINGS[name]
        slope, most = SIDES[side]
        offset = gun + speed * minutes / 60 + TURN @ (shift - np.array(stored))
        working = picture > 1 and rng.random() < 0.2
        distance = float(rng.uniform(*work)) if working else float(rng.uniform(0.74, 0.93)) / slope
        ratio = slope * distance
        focus = round(crossing + side * distance, 1)
        about: dict[str, Any] = {
            "taken_at": when.isoformat(timespec="seconds"),
            "gun_shift_x": round(float(shift[0]), 2),
            "gun_shift_y": round(float(shift[1]), 2),
            "gun_focus": focus,
            "kv": 200,
            "aperture_um": 70,
            "setting": name,
            "note": "as for the work" if working else "",
        }
        dice = rng.random()
        if dice < 0.33:
            yield when, lattice(rng), about | {"note": "specimen"}
        elif dice < 0.36:
            yield when, None, about
        else:
            shot = simulate(
                Recipe(
                    rows=SIDE,
                    columns=SIDE,
                    aperture_radius_px=66.0 + 0.3 * float(rng.normal()),
                    aperture_x_px=95.5 + 0.02 * number,
                    beam_ratio=ratio,
                    offset_x_percent=float(offset[0]),
                    offset_y_percent=float(offset[1]),
                    halo_level=float(rng.uniform(0.02, 0.08)),
                    light_tilt=float(abs(rng.normal(0, 0.03))),
                    peak_electrons=float(rng.uniform(300, 1500)),
                ),
                rng,
            )
            cut = 1.0 if shot.truth.score is None else shot.truth.score / 100.0
            current = most * passing(ratio) * emission * cut * float(rng.normal(1, 0.015))
            about["current_pa"] = float(f"{current:.3g}")
            routine = not working and (hypot(*offset) > 25 or (hung and picture > 3))
            if routine:
                about["note"] = "automatic routine" + (", hung" if hung else "")
            yield when, shot.picture, about
            if routine:
                minutes += 16 if hung else 2.5
                hung = False
                shift = shift - np.linalg.solve(TURN, offset + rng.normal(0, 1.0, 2))
            elif not working and hypot(*offset) > 6:
                shift = shift - np.linalg.solve(TURN, offset + rng.normal(0, 2.5, 2))
                minutes += 1.0
        minutes += float(rng.uniform(6, 45))
        if rng.random() < 0.12:  # another setting is recalled
            name = names[int(rng.integers(len(names)))]
            shift = np.array(SETTINGS[name][2])


def make(folder: Path, *, sessions: int = 36, seed: int = 7) -> int:
    """Write the archive into ``folder``; returns the number of files."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for number in range(sessions):
        rng = np.random.default_rng([seed, number])
        for i, (when, pixels, about) in enumerate(session(number, sessions, rng)):
            name = f"{when:%Y-%m-%d}/view {i:03d}.tif"
            path = folder / name
            path.parent.mkdir(exist_ok=True)
            if pixels is None:
                path.write_bytes(b"II*\0\x08\0\0\0" + bytes(rng.integers(0, 255, 300, dtype=np.uint8)))
            else:
                tifffile.imwrite(path, pixels, compression="zlib", metadata=None)
            os.utime(path, (when.timestamp(), when.timestamp()))
            rows.append({"file": name} | about)
    with (folder / "sheet.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, FIELDS, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return len(rows)


def logged(folder: Path, rows: list[dict[str, Any]], log: Path) -> int:
    """What the people of the archive might have kept as a session log, from its audited ``rows``; number of entries."""
    from apertrue.readers import read_frame
    from apertrue.session import add_event, open_log
    from apertrue.session.log import add_picture
    from apertrue.store import assessment_from_row

    told = {row["file"]: row for row in csv.DictReader((folder / "sheet.csv").open(encoding="utf-8", newline=""))}
    ordered = sorted((r for r in rows if r["error"] is None and r["file"] in told), key=lambda r: str(r["taken_at"]))
    count, before = 0, None
    with open_log(log, durable=False) as store, store.transaction():

        def add(kind: str, at: datetime, outcome: str | None = None, **values: Any) -> None:
            nonlocal count
            add_event(store, kind, at, outcome=outcome, values=values, origin="session")
            count += 1

        for row in ordered:
            at = datetime.fromisoformat(row["taken_at"])
            old = None if before is None or before["session"] != row["session"] else before
            if old is None or old["setting"] != row["setting"]:
                add("recall", at - timedelta(minutes=2), setting=row["setting"])
            elif "routine" in told[old["file"]]["note"]:
                hung = "hung" in told[old["file"]]["note"]
                begun = datetime.fromisoformat(old["taken_at"]) + timedelta(minutes=0.5)
                add("routine-start", begun)
                add("routine-end", begun + timedelta(minutes=14 if hung else 1.6), "hung" if hung else "done")
            elif (old["gun_shift_x"], old["gun_shift_y"]) != (row["gun_shift_x"], row["gun_shift_y"]):
                moved = {f"nudge_{k}": round(row[f"gun_shift_{k}"] - old[f"gun_shift_{k}"], 2) for k in "xy"}
                add("nudge", datetime.fromisoformat(old["taken_at"]) + timedelta(minutes=0.7), **moved)
            frame = read_frame(folder / row["file"])
            lists = {k: ";".join(row[k] or ()) for k in ("flags", "reasons")}
            found = assessment_from_row({**row, **lists, "file": str(folder / row["file"])})
            add_picture(store, found, at, digest=frame.digest, origin="session")
            count += 1
            before = row
    return count


def audited(folder: Path, page: Path) -> dict[str, int]:
    """Audit the archive in ``folder`` from the beginning, with the report in ``page``; returns the verdicts' counts."""
    from apertrue.audit import MIGRATIONS, Audit, AuditSettings, run_audit
    from apertrue.audit.reporting import write_audit_report
    from apertrue.audit.session_report import write_session_report
    from apertrue.instrument import Instrument
    from apertrue.session import open_log
    from apertrue.store import open_store

    with TemporaryDirectory() as work, open_store(Path(work) / "audit.sqlite", migrations=MIGRATIONS) as store:
        number = run_audit(
            [str(folder)], store, settings=AuditSettings(timezone="UTC"), sheets=[str(folder / "sheet.csv")]
        )
        done = Audit(store, number)
        write_audit_report(page, done, sources=[str(folder)], title="Audit of a made-up archive")
        log = folder.with_suffix(".sqlite")
        log.unlink(missing_ok=True)
        logged(folder, list(done.rows()), log)
        with open_log(log, durable=False) as kept:  # a read-only one would leave its journal behind
            last = datetime.fromisoformat(str(kept.value("select max(at) from log")))
            write_session_report(
                page.with_stem(f"{page.stem}-log"), kept, Instrument(name="made-up", timezone="UTC"), now=last
            )
            write_session_report(
                page.with_stem(f"{page.stem}-day"),
                kept,
                Instrument(name="made-up", timezone="UTC"),
                now=last + timedelta(minutes=5),
                since=last.replace(hour=0, minute=0),
            )
        return done.counts()


def main() -> None:
    """Write the archive; audit it and say where the report is."""
    parser = argparse.ArgumentParser(description="Make a made-up archive of past sessions and audit it.")
    parser.add_argument("folder", type=Path, nargs="?", help="where to keep it and its report; thrown away without")
    parser.add_argument("--quick", action="store_true", help="six sessions instead of thirty-six")
    parser.add_argument("--no-audit", action="store_true", help="only write the archive")
    options = parser.parse_args()
    with TemporaryDirectory() as spare:
        folder = options.folder or Path(spare) / "archive"
        count = make(folder, sessions=6 if options.quick else 36)
        print(f"{count} files of a made-up archive in {folder}")
        if not options.no_audit:
            page = folder.with_suffix(".html")
            start = time.perf_counter()
            counts = audited(folder, page)
            words = ", ".join(f"{kind} {n}" for kind, n in counts.items())
            print(f"audited in {time.perf_counter() - start:.0f} s: {words}")
            if options.folder:
                print(f"Report: {page.resolve()}")
                for kind, words in (("log", "The same from the session log"), ("day", "The last day alone")):
                    print(f"{words}: {page.with_stem(f'{page.stem}-{kind}').resolve()}")


if __name__ == "__main__":
    main()
