"""Further formats through RosettaSciIO, URLs through fsspec; and what is said when these extras are missing."""

import sys

import numpy as np
import pytest

from apertrue.errors import MissingExtraError, ReadError
from apertrue.readers import count_pages, expand, looks_like_picture, read_bytes, read_frame, read_frames
from apertrue.readers.formats import more


@pytest.fixture
def without(monkeypatch):
    """Make a package look as if it were not installed."""

    def hide(name):
        monkeypatch.setitem(sys.modules, name, None)
        more._plugins.cache_clear()

    yield hide
    monkeypatch.undo()
    more._plugins.cache_clear()


def signal(data):
    axes = [
        {"name": n, "size": s, "offset": 0.0, "scale": 1.0, "units": "px", "navigate": i < data.ndim - 2}
        for i, (n, s) in enumerate(zip("tyx"[-data.ndim :], data.shape, strict=True))
    ]
    return {
        "data": data,
        "axes": [a | {"index_in_array": i, "_type": "UniformDataAxis"} for i, a in enumerate(axes)],
        "metadata": {"General": {"title": "t"}, "Signal": {"signal_type": ""}},
        "original_metadata": {},
    }


def test_a_format_that_only_rosettasciio_knows(tmp_path, rng):
    semper = pytest.importorskip("rsciio.semper")
    data = rng.random((24, 30)).astype(np.float32)
    path = tmp_path / "a.unf"
    semper.file_writer(str(path), signal(data))
    assert looks_like_picture(path)
    assert list(expand([tmp_path])) == [path]
    assert count_pages(path) == 1
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, data)
    assert frame.linear is True
    assert frame.taken_at is not None


def test_a_stack_page_by_page(tmp_path, rng):
    semper = pytest.importorskip("rsciio.semper")
    data = rng.random((3, 24, 30)).astype(np.float32)
    path = tmp_path / "a.unf"
    semper.file_writer(str(path), signal(data))
    assert count_pages(path) == 3
    for frame in read_frames(path):
        np.testing.assert_array_equal(frame.pixels, data[frame.page])


def test_metadata_tree():
    """The tree that RosettaSciIO documents: beam_energy in kV, beam_current in nA, exposure in s."""
    facts = more.facts_of(
        {
            "metadata": {
                "General": {"date": "2026-03-14", "time": "09:26:53", "time_zone": "UTC"},
                "Acquisition_instrument": {
                    "TEM": {
                        "beam_energy": 200.0,
                        "beam_current": 1.5,
                        "magnification": 5000,
                        "Detector": {"Camera": {"exposure": 0.2}},
                    }
                },
            },
            "original_metadata": {"gun": {"shift_x": 4.0}},
        }
    )
    assert facts.taken_at.isoformat() == "2026-03-14T09:26:53+00:00"
    assert dict(facts.state) == {"kv": 200.0, "current_pa": 1500.0, "magnification": 5000.0, "gun_shift_x": 4.0}
    assert facts.exposure_s == 0.2
    assert more.facts_of({}).taken_at is None


@pytest.mark.parametrize("name", ["a.unf", "a.hspy", "a.blo", "a.xyz"])
def test_rubbish_under_a_known_ending(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(bytes(range(256)) * 20)
    with pytest.raises(ReadError) as caught:
        read_frame(path)
    assert caught.value.file == str(path)


def test_only_from_a_disk():
    pytest.importorskip("rsciio")
    with pytest.raises(ReadError, match="can only be read from a disk"):
        list(read_bytes(b"\1\2\3\0" * 200, "a.unf"))


def test_without_the_extra_the_message_says_what_to_install(tmp_path, without):
    path = tmp_path / "a.unf"
    path.write_bytes(bytes(range(256)) * 20)
    without("rsciio")
    assert not looks_like_picture(path)
    with pytest.raises(ReadError) as caught:
        read_frame(path)
    assert 'python -m pip install ".[formats]"' in caught.value.remedy
    assert isinstance(caught.value.__cause__, MissingExtraError)


def test_urls(gray16):
    fsspec = pytest.importorskip("fsspec")
    files = fsspec.filesystem("memory")
    with files.open("/session/a.npy", "wb") as handle:
        np.save(handle, np.stack([gray16, gray16 + 1]))
    assert count_pages("memory://session/a.npy") == 2
    frame = read_frame("memory://session/a.npy", 1)
    np.testing.assert_array_equal(frame.pixels, gray16 + 1)
    assert frame.file == "memory://session/a.npy"
    with pytest.raises(ReadError, match="there is no such file"):
        read_frame("memory://session/none.npy")
    with pytest.raises(ReadError, match="could not be fetched"):
        read_frame("nosuchprotocol://a.npy")


def test_an_address_that_needs_a_further_package_names_it(monkeypatch):
    fsspec = pytest.importorskip("fsspec")

    def needs_more(*_, **__):
        raise ImportError("Install s3fs to access S3")

    monkeypatch.setattr(fsspec, "open", needs_more)
    with pytest.raises(ReadError, match=r"needs one more package \(Install s3fs to access S3\)"):
        read_frame("s3://bucket/a.npy")


def test_urls_without_the_extra(without):
    without("fsspec")
    with pytest.raises(ReadError, match=r"\.\[remote\]"):
        read_frame("memory://session/a.npy")
