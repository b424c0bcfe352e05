"""A few hundred of the broken files of benchmarks/fuzz.py: an answer or a message, nothing else; and the bombs."""

import numpy as np
import pytest
from benchmarks.faults.attack import attack, attacked, case
from benchmarks.faults.bombs import BOMBS
from benchmarks.faults.mutate import WAYS
from benchmarks.faults.seeds import disc, seeds

from apertrue.errors import ReadError

#: Numbers of cases (seed 0) that once did harm: a circle of pages, a count that decodes, damaged logs, signaling NaNs,
#: nothing above a floor, an edge wider than the picture.
ONCE = (35, 275, 2115, 2835, 3008, 3162, 4040, 7569, 8204, 8207, 9053, 9708, 9796, 10064, 10689)


@pytest.fixture(autouse=True)
def _quiet(recwarn, capfd):
    """Nothing is printed, whatever the file holds."""
    yield
    assert capfd.readouterr() == ("", "")


@pytest.fixture(scope="session", autouse=True)
def _seeds_made():
    """Their writers may warn; that is no fault of the readers."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        seeds()


def outcome(number, folder, *, judge=False, seed=0):
    one = case(number, seed)
    path = folder / one.name
    path.write_bytes(one.data)
    return attacked(path, judge=judge)


def test_good_files_are_read(tmp_path):
    """Else their broken kin would tell nothing."""
    good = {n: d for n, d in seeds().items() if not n.startswith(("further", "claimed"))}
    for name, data in good.items():
        path = tmp_path / name
        path.write_bytes(data)
        assert attack(path, judge=False) == "read", name
    assert len(good) >= 55
    assert disc().shape == (72, 96)


@pytest.mark.parametrize("start", range(0, 450, 150))
def test_broken_files_get_an_answer_or_a_message(tmp_path, start):
    found = {n: outcome(n, tmp_path, judge=n % 75 == 0, seed=9) for n in range(start, start + 150)}
    assert {n: o for n, o in found.items() if o.startswith("fault")} == {}
    assert {"read", "refused"} <= set(found.values())


@pytest.mark.parametrize("number", ONCE)
def test_what_once_did_harm(tmp_path, number):
    assert outcome(number, tmp_path, judge=number % 4 == 0) in ("read", "refused")


@pytest.mark.parametrize("kind", BOMBS)
def test_bombs_take_no_memory(tmp_path, kind):
    import tracemalloc

    ending, make = BOMBS[kind]
    path = tmp_path / f"bomb{ending}"
    for k in range(3):
        path.write_bytes(make(np.random.default_rng([5, k])))
        tracemalloc.start()
        try:
            assert attacked(path, judge=False) in ("read", "refused")
            assert tracemalloc.get_traced_memory()[1] < 2**30
        finally:
            tracemalloc.stop()


def test_the_same_number_is_the_same_file():
    for number in (0, 11, 77, 500):
        assert case(number, 3) == case(number, 3)
    assert case(1, 3).data != case(1, 4).data


@pytest.mark.parametrize("way", WAYS)
def test_each_way_changes_something(way):
    rng = np.random.default_rng(8)
    data = seeds()["plain.tif"]
    assert any(WAYS[way](data, rng) != data for _ in range(5))


@pytest.mark.parametrize(
    ("problem", "told"),
    [(KeyError(0), False), (ValueError(""), False), (KeyError("x y"), True), (ValueError("bad tag 3"), True)],
    ids=str,
)
def test_a_librarys_bare_key_is_not_passed_on(problem, told):
    from apertrue.readers.guard import shield
    from apertrue.readers.source import open_bytes

    with pytest.raises(ReadError) as seen, shield(open_bytes(b"x", "a.tif"), "TIFF"):
        raise problem
    assert ("(" in str(seen.value)) == told
    assert "Copy it again" in str(seen.value)
