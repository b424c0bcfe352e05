"""What describes instrument and state reaches workers: it can be pickled, as processes that are started anew need."""

import multiprocessing
import pickle
from concurrent.futures import ProcessPoolExecutor

import pytest

from apertrue.fixed_map import FixedMap
from apertrue.frame import State
from apertrue.instrument import Camera, Instrument, loads_instrument

THINGS = [
    Instrument(),
    Camera(),
    State(),
    State().updated("sheet", kv=200.0),
    loads_instrument("[cameras.screen]\nlinear = true\naperture_radius_px = { any = 80.0 }\n"),
    FixedMap({"a": 1}),
]


@pytest.mark.parametrize("thing", THINGS, ids=lambda t: type(t).__name__)
def test_pickled_and_back_it_is_the_same(thing):
    assert pickle.loads(pickle.dumps(thing)) == thing


def test_a_process_started_anew_gets_them_whole():
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        assert pool.submit(repr, THINGS).result(timeout=60) == repr(THINGS)


def test_a_fixed_map_is_a_copy_that_can_not_be_changed():
    source = {"a": 1}
    fixed = FixedMap(source)
    source["a"] = 2
    assert fixed == {"a": 1}
    assert len(fixed) == 1
    with pytest.raises(TypeError):
        fixed["a"] = 3
