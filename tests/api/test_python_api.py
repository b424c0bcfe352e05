"""``import apertrue; apertrue.assess(…)``: one picture, a stack, an array; and what comes back."""

import pickle
import re
import subprocess
import sys
from base64 import b64decode
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

import apertrue
from apertrue.assessment import Assessment
from apertrue.registry import field_names
from apertrue.simulate import Recipe, simulate


@pytest.fixture(scope="module")
def pixels() -> np.ndarray:
    """A beam 10 % too far down."""
    recipe = Recipe(
        rows=256, columns=256, aperture_radius_px=90, beam_ratio=0.85, offset_x_percent=0, offset_y_percent=10
    )
    return simulate(recipe, np.random.default_rng(3), truth=False).picture


@pytest.fixture
def file(tmp_path: Path, pixels: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("APERTRUE_INSTRUMENT", raising=False)
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path / "settings")
    path = tmp_path / "snapshot.tif"
    tifffile.imwrite(path, pixels)
    return path


def test_a_file_gives_one_judged_picture(file: Path) -> None:
    judged = apertrue.assess(file)
    assert isinstance(judged, apertrue.Judged)
    assert isinstance(judged, Assessment)
    assert judged.scene == "both-edges"
    assert judged.offset_percent == pytest.approx(10.0, abs=0.2)
    assert judged.offset_percent_sigma is not None
    assert judged.move_direction_deg == pytest.approx(90.0, abs=2.0)
    assert judged.file == str(file)
    assert judged.advice.verdict == judged.verdict
    assert judged.located.beam is not None
    assert judged.sentences


def test_the_dictionary_is_what_json_prints(file: Path) -> None:
    judged = apertrue.assess(file)
    row = judged.to_dict()
    assert list(row) == list(field_names())
    assert row == judged.assessment.to_dict()
    assert isinstance(row["flags"], list)


def test_an_array_gives_the_same_numbers(file: Path, pixels: np.ndarray) -> None:
    from_array, from_file = apertrue.assess(pixels), apertrue.assess(str(file))
    assert from_array.file is None
    assert from_array.offset_x_px == from_file.offset_x_px
    assert from_array.offset_percent_sigma == from_file.offset_percent_sigma


def test_several_pages_give_a_list_and_one_page_one(tmp_path: Path, file: Path, pixels: np.ndarray) -> None:
    stack = tmp_path / "stack.tif"
    tifffile.imwrite(stack, np.stack([pixels, pixels[::-1]]), photometric="minisblack")
    pages = apertrue.assess(stack)
    assert [p.page for p in pages] == [0, 1]
    assert pages[0].offset_y_px == pytest.approx(-pages[1].offset_y_px, abs=0.2)
    assert apertrue.assess(stack, page=1).offset_percent == pages[1].offset_percent


def test_errors_are_the_readers_and_the_instrument_files(file: Path, pixels: np.ndarray) -> None:
    with pytest.raises(apertrue.ReadError, match="there is no such file"):
        apertrue.assess(file.with_name("none.tif"))
    with pytest.raises(apertrue.ReadError, match="there is no page 7"):
        apertrue.assess(file, page=7)
    with pytest.raises(apertrue.InstrumentError, match="no such file"):
        apertrue.assess(file, instrument=file.with_name("none.toml"))
    with pytest.raises(ValueError, match="has no page 2"):
        apertrue.assess(pixels, page=2)  # type: ignore[call-overload]
    with pytest.raises(ValueError, match="2-D"):
        apertrue.assess(np.zeros((3, 4, 5)))


def test_limits_may_be_given_as_an_object_or_a_file(file: Path, tmp_path: Path) -> None:
    toml = tmp_path / "lab.toml"
    toml.write_text('[limits]\noffset_leave = 60.0\noffset_nudge = 61.0\nscore_leave = 3.0\nscore_nudge = 2.0\n'
                    '[costs]\nplanned_min = 1.0\n', encoding="utf-8")  # fmt: skip
    assert apertrue.assess(file).verdict in ("nudge", "auto")
    assert apertrue.assess(file, instrument=toml).verdict == "leave"
    assert apertrue.assess(file, instrument=apertrue.load_instrument(toml)).verdict == "leave"


def test_repr_says_it_in_a_line(file: Path) -> None:
    text = repr(apertrue.assess(file))
    assert re.fullmatch(
        r"<apertrue (nudge|auto): both-edges, offset \S+ ± \S+ % of the aperture radius toward 2(69|70|71)°, .*>", text
    )
    assert "working score" in text
    assert "\n" not in text


def test_the_notebook_shows_the_overlay_and_escapes_hostile_names(tmp_path: Path, file: Path) -> None:
    hostile = tmp_path / 'a"><script>alert(1)<.tif'
    file.rename(hostile)
    html = apertrue.assess(hostile)._repr_html_()
    assert "<script>" not in html
    found = re.search(r'src="data:image/png;base64,([^"]+)"', html)
    assert found is not None
    with Image.open(BytesIO(b64decode(found.group(1)))) as image:
        assert image.size[0] >= 460


def test_a_judged_picture_can_be_kept(file: Path) -> None:
    judged = apertrue.assess(file)
    again = pickle.loads(pickle.dumps(judged))
    assert again.to_dict() == judged.to_dict()
    assert np.array_equal(again.frame.pixels, judged.frame.pixels)
    with pytest.raises(AttributeError):
        judged.verdict = "leave"  # type: ignore[misc]


@pytest.mark.parametrize(
    "code",
    [
        "import apertrue; f = apertrue.assess",
        "import apertrue.pipeline, apertrue.assess as _; import apertrue; f = apertrue.assess",
        "import apertrue; f = apertrue.assess; import apertrue.pipeline; f = apertrue.assess",
        "from apertrue import assess as f; from apertrue.assess import assess_scene",
    ],
)
def test_the_function_is_not_hidden_by_the_room_of_its_name(code: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", f"{code}; print(callable(f), f.__module__)"], capture_output=True, text=True
    )
    assert done.stdout.split() == ["True", "apertrue.api"], done.stderr


def test_everything_promised_is_there() -> None:
    assert sorted(apertrue.__all__) == dir(apertrue)
    for name in apertrue.__all__:
        assert getattr(apertrue, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        apertrue.nonsense  # noqa: B018
