"""Processes that write to one session log, killed at random moments: is anything lost that was committed.

python benchmarks/watch_kills.py [--quick] [--kills 200]
"""

import argparse
import importlib.util
import random
import tempfile
import time
from pathlib import Path

from apertrue.session import events, open_log

_TESTS = Path(__file__).parents[1] / "tests/session/test_session_survival.py"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="20 kills")
    parser.add_argument("--kills", type=int, default=200)
    args = parser.parse_args()
    kills = 20 if args.quick else args.kills
    spec = importlib.util.spec_from_file_location("survival", _TESTS)
    survival = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(survival)
    rng = random.Random(9)
    promised: set[str] = set()
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.sqlite"
        for k in range(kills // 4):
            four = {f"{k}{side}": survival._start(log, f"{k}{side}") for side in "abcd"}
            for p in four.values():
                p.stdout.readline()
            time.sleep(rng.uniform(0.0, 0.2))
            for p in rng.sample(list(four.values()), 4):
                p.kill()
                time.sleep(rng.uniform(0.0, 0.02))
            for name, p in four.items():
                out, _ = p.communicate()
                promised |= {f"{name} 0"} | {f"{name} {i}" for i in survival._told(out)}
        with open_log(log) as store:
            kept = [e.get("note") for e in events(store)]
            whole = store.value("pragma integrity_check")
    lost = len(promised - set(kept))
    print(f"{kills} processes killed, four writing at a time; {len(promised)} entries reported as committed")
    print(f"lost: {lost}; twice: {len(kept) - len(set(kept))}; integrity: {whole}")
    return 1 if lost or whole != "ok" else 0


if __name__ == "__main__":
    raise SystemExit(main())
