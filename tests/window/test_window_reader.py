"""Pictures come into napari through our readers, with the facts that the files state."""

from pathlib import Path

import numpy as np
import pytest
import tifffile

from apertrue.errors import ReadError
from apertrue.napari import _reader
from apertrue.napari._origin import KEY

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


@pytest.mark.parametrize(
    "name", ["01-centered.tif", "07-crossover.mrc", "09-green-screen.png", "10-tilted-screen.jpg", "21-fringes.npy"]
)
def test_each_format_becomes_one_gray_layer(name: str) -> None:
    read = _reader.get_reader(str(SAMPLES / name))
    assert read is not None
    ((data, about, kind),) = read(str(SAMPLES / name))
    assert kind == "image"
    assert data.ndim == 2
    assert about["name"] == name
    assert about["metadata"][KEY].about(0).file == str(SAMPLES / name)


def test_the_pages_of_a_stack_keep_their_facts() -> None:
    ((data, about, _),) = _reader.read(str(SAMPLES / "20-creep-stack.tif"))
    origin = about["metadata"][KEY]
    assert data.ndim == 3
    assert [origin.about(k).page for k in range(len(data))] == list(range(len(data)))
    # One page was taken with a frozen camera.
    assert len({origin.about(k).digest for k in range(len(data))}) == len(data) - 1
    assert origin.about(len(data)) is None


def test_a_large_stack_is_read_page_by_page(monkeypatch) -> None:
    path = str(SAMPLES / "20-creep-stack.tif")
    ((eager, _, _),) = _reader.read(path)
    monkeypatch.setattr(_reader, "LAZY_BYTES", 1000)
    ((lazy, about, _),) = _reader.read(path)
    assert not isinstance(lazy, np.ndarray)
    assert lazy.shape == eager.shape
    assert np.array_equal(np.asarray(lazy[2]), eager[2])
    assert about["metadata"][KEY].about(2).page == 2


def test_pages_of_different_size_become_layers_of_their_own(tmp_path) -> None:
    path = tmp_path / "mixed.tif"
    with tifffile.TiffWriter(path) as out:
        out.write(np.zeros((40, 50), np.uint16))
        out.write(np.ones((60, 50), np.uint16))
    layers = _reader.read(str(path))
    assert [data.shape for data, *_ in layers] == [(40, 50), (60, 50)]


def test_what_is_no_picture_is_left_to_others(tmp_path) -> None:
    text = tmp_path / "notes.tif"
    text.write_text("no picture", encoding="utf-8")
    assert _reader.get_reader(str(text)) is None
    assert _reader.get_reader(str(tmp_path)) is None
    assert _reader.get_reader([str(SAMPLES / "01-centered.tif"), str(text)]) is None


def test_a_damaged_file_is_named_with_reason_and_remedy(tmp_path) -> None:
    broken = tmp_path / "broken.tif"
    broken.write_bytes((SAMPLES / "01-centered.tif").read_bytes()[:900])
    with pytest.raises(ReadError, match=r"broken\.tif"):
        _reader.read(str(broken))
