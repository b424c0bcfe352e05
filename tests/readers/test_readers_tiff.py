import json

import numpy as np
import pytest
import tifffile

from apertrue.errors import ReadError
from apertrue.readers import ReadOptions, count_pages, read_frame, read_frames


@pytest.mark.parametrize("byteorder", ["<", ">"])
@pytest.mark.parametrize("dtype", ["u1", "u2", "u4", "i1", "i2", "i4", "f2", "f4", "f8"])
def test_every_sample_type_in_both_byte_orders(tmp_path, rng, dtype, byteorder):
    low, high = (-100, 100) if dtype[0] != "u" else (0, 200)
    data = rng.integers(low, high, (20, 33)).astype(dtype)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, data, byteorder=byteorder, photometric="minisblack")
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, data.astype(frame.pixels.dtype))
    assert frame.pixels.dtype.isnative
    assert frame.pixels.dtype == (np.float32 if dtype == "f2" else np.dtype(dtype))
    assert frame.saturation == (np.iinfo(dtype).max if dtype[0] == "u" else None)
    assert frame.linear is None
    assert not frame.color


@pytest.mark.parametrize("how", [{"tile": (16, 16)}, {"rowsperstrip": 5}, {"bigtiff": True}])
def test_layouts(tmp_path, gray16, how):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, photometric="minisblack", **how)
    np.testing.assert_array_equal(read_frame(path).pixels, gray16)


@pytest.mark.parametrize("compression", ["zlib", "lzw", "packbits", "lzma", "zstd", "jpeg2000", "png", "lerc"])
@pytest.mark.parametrize("tile", [None, (16, 16)])
def test_lossless_compressions(tmp_path, gray16, compression, tile):
    path = tmp_path / "a.tif"
    extra = {"compressionargs": {"reversible": True}} if compression == "jpeg2000" else {}
    tifffile.imwrite(path, gray16, compression=compression, tile=tile, photometric="minisblack", **extra)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, gray16)
    # JPEG 2000 may be either; it is not known from the outside.
    assert not frame.lossy


@pytest.mark.parametrize("dtype", ["u2", "f4"])
@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_predictor(tmp_path, gray16, dtype, byteorder):
    path = tmp_path / "a.tif"
    data = gray16.astype(dtype)
    tifffile.imwrite(path, data, compression="zlib", predictor=True, byteorder=byteorder, photometric="minisblack")
    np.testing.assert_array_equal(read_frame(path).pixels, data)


def test_jpeg_in_tiff_is_lossy_and_not_linear(tmp_path):
    x = np.linspace(0, 200, 64)
    data = (x[None, :] + 0.5 * x[:48, None]).astype(np.uint8)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, data, compression="jpeg", photometric="minisblack")
    frame = read_frame(path)
    assert frame.lossy
    assert frame.linear is False
    assert np.abs(frame.pixels.astype(int) - data).max() <= 8


def test_white_is_zero_is_turned(tmp_path, gray16):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, photometric="miniswhite")
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, 65535 - gray16)
    assert frame.saturation == 65535.0


def test_white_is_zero_of_signed_and_float_samples(tmp_path, rng):
    path = tmp_path / "a.tif"
    signed = rng.integers(-500, 500, (20, 20)).astype(np.int16)
    tifffile.imwrite(path, signed, photometric="miniswhite")
    np.testing.assert_array_equal(read_frame(path).pixels, -1 - signed)
    floats = signed.astype(np.float32)
    tifffile.imwrite(path, floats, photometric="miniswhite")
    np.testing.assert_array_equal(read_frame(path).pixels, floats.max() - floats)


def test_one_bit(tmp_path, rng):
    path = tmp_path / "a.tif"
    data = rng.random((24, 32)) > 0.5
    for photometric, expected in (("minisblack", data), ("miniswhite", ~data)):
        tifffile.imwrite(path, data, photometric=photometric)
        frame = read_frame(path)
        np.testing.assert_array_equal(frame.pixels, expected.astype(np.uint8))
        assert frame.pixels.dtype == np.uint8
        assert frame.saturation == 1.0


def test_twelve_bits_a_sample_saturate_at_4095(tmp_path):
    # Written by hand after TIFF 6.0: 12-bit samples are packed big-endian, rows padded to whole bytes.
    import struct

    data = np.arange(16 * 18, dtype=np.uint16).reshape(16, 18) * 14
    packed = bytearray()
    for row in data:
        for a, b in zip(row[::2].tolist(), row[1::2].tolist(), strict=True):
            packed += bytes([a >> 4, (a & 15) << 4 | b >> 8, b & 255])
    tags = [(256, 3, 18), (257, 3, 16), (258, 3, 12), (259, 3, 1), (262, 3, 1), (273, 4, 8), (277, 3, 1), (278, 3, 16)]
    tags.append((279, 4, len(packed)))
    ifd = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", t, k, 1, v) for t, k, v in tags) + b"\0" * 4
    path = tmp_path / "a.tif"
    path.write_bytes(struct.pack("<2sHI", b"II", 42, 8 + len(packed)) + bytes(packed) + ifd)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, data)
    assert frame.saturation == 4095.0


@pytest.mark.parametrize(("stated", "saturation"), [(4095, 4095.0), (16383, 16383.0), (3967, 65535.0), (255, 65535.0)])
def test_stated_maximum_counts_only_as_full_scale(tmp_path, gray16, stated, saturation):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, extratags=[(281, 3, 1, stated, True)], photometric="minisblack")
    assert read_frame(path).saturation == saturation


def test_palette_in_color_and_in_gray(tmp_path):
    data = np.tile(np.arange(64, dtype=np.uint8), (32, 1))
    ramp = np.arange(256, dtype=np.uint16) * 257
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, data, photometric="palette", colormap=np.stack([ramp, ramp, ramp]))
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, data)
    assert frame.linear is None
    tifffile.imwrite(path, data, photometric="palette", colormap=np.stack([0 * ramp, ramp, 0 * ramp]))
    frame = read_frame(path)
    np.testing.assert_allclose(frame.pixels, data * 257.0, rtol=1e-6)
    assert frame.color
    assert frame.linear is False


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("dtype", ["u1", "u2"])
def test_neutral_rgb_keeps_its_gray_values_and_depth(tmp_path, gray16, planar, dtype):
    gray = (gray16 % 256 if dtype == "u1" else gray16).astype(dtype)
    axis = -1 if planar == "contig" else 0
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.stack([gray] * 3, axis=axis), photometric="rgb", planarconfig=planar)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, gray)
    assert frame.pixels.dtype == np.dtype(dtype)
    assert not frame.color
    assert frame.linear is (False if dtype == "u1" else None)


# TIFF 6.0, tag 274 (from memory): "the 0th row represents the visual … of the
# image, and the 0th column represents the visual …".
SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


@pytest.mark.parametrize("orientation", SIDES)
def test_orientation_tag(tmp_path, gray16, orientation):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, photometric="minisblack", extratags=[(274, 3, 1, orientation, True)])
    shown = read_frame(path).pixels
    sides = {"top": shown[0], "bottom": shown[-1], "left": shown[:, 0], "right": shown[:, -1]}
    row, column = SIDES[orientation]
    assert sorted(sides[row]) == sorted(gray16[0])
    assert sorted(sides[column]) == sorted(gray16[:, 0])
    corner = shown[0 if "top" in (row, column) else -1, 0 if "left" in (row, column) else -1]
    assert corner == gray16[0, 0]


def test_pages(tmp_path, rng):
    stack = rng.integers(0, 255, (5, 20, 30), dtype=np.uint8)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, stack, photometric="minisblack", compression="zlib")
    assert count_pages(path) == 5
    frames = list(read_frames(path))
    assert [f.page for f in frames] == [0, 1, 2, 3, 4]
    for frame in frames:
        np.testing.assert_array_equal(frame.pixels, stack[frame.page])
    chosen = list(read_frames(path, pages=(3, 1)))
    assert [f.page for f in chosen] == [3, 1]
    np.testing.assert_array_equal(chosen[0].pixels, stack[3])
    with pytest.raises(ReadError, match="5 pages, there is no page 5"):
        read_frame(path, 5)


def test_pages_of_different_shape_and_type(tmp_path, rng):
    pages = [rng.integers(0, 99, (20, 30), dtype=np.uint8), rng.random((33, 17), dtype=np.float32)]
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        for page in pages:
            writer.write(page, photometric="minisblack", metadata=None)
    for expected, frame in zip(pages, read_frames(path), strict=True):
        np.testing.assert_array_equal(frame.pixels, expected)


def test_pyramids_and_thumbnails_are_no_pages(tmp_path, gray16):
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        for page in (gray16, gray16 + 1):
            writer.write(page, photometric="minisblack", metadata=None)
            writer.write(page[::2, ::2], photometric="minisblack", subfiletype=1, metadata=None)
    assert count_pages(path) == 2
    np.testing.assert_array_equal(read_frame(path, 1).pixels, gray16 + 1)


def test_imagej_hyperstack(tmp_path, rng):
    stack = rng.integers(0, 60000, (2, 3, 1, 20, 24), dtype=np.uint16)
    path = tmp_path / "a.tif"
    info = "High tension: 200 kV\nGun shift x = -12.5\nExposure time = 40 ms\nScreen current: 1.5 nA"
    tifffile.imwrite(path, stack, imagej=True, metadata={"axes": "TZCYX", "Info": info, "unit": "nm", "spacing": 2.0})
    assert count_pages(path) == 6
    flat = stack.reshape(6, 20, 24)
    for frame in read_frames(path):
        np.testing.assert_array_equal(frame.pixels, flat[frame.page])
        assert frame.state.kv == 200.0
        assert frame.state.gun_shift_x == -12.5
        assert frame.state.current_pa == 1500.0
        assert frame.state.sources["kv"] == "file"
        assert frame.exposure_s == pytest.approx(0.04)


@pytest.mark.parametrize("kind", ["imagej", "shaped"])
def test_stack_behind_a_single_ifd(tmp_path, rng, kind):
    """ImageJ writes stacks of 4 GiB and more with one IFD; tifffile does so on request."""
    stack = rng.integers(0, 60000, (7, 20, 24), dtype=np.uint16)
    path = tmp_path / "a.tif"
    if kind == "shaped":
        tifffile.imwrite(path, stack, truncate=True, photometric="minisblack")
    else:
        with tifffile.TiffWriter(path, imagej=True, byteorder=">") as writer:
            writer.write(stack, contiguous=True, metadata={"axes": "ZYX"}, truncate=True)
    with tifffile.TiffFile(path) as check:
        assert len(check.pages) == 1
    assert count_pages(path) == 7
    np.testing.assert_array_equal(read_frame(path, 6).pixels, stack[6])
    np.testing.assert_array_equal(read_frame(path, 0).pixels, stack[0])


def test_ome_times_exposures_and_significant_bits(tmp_path, rng):
    stack = rng.integers(0, 4000, (3, 20, 24), dtype=np.uint16)
    path = tmp_path / "a.ome.tif"
    metadata = {
        "axes": "TYX",
        "SignificantBits": 12,
        "AcquisitionDate": "2026-03-14T09:26:53Z",
        "PhysicalSizeX": 0.1,
        "Plane": {
            "DeltaT": [0.0, 1.5, 61.0],
            "ExposureTime": [40, 41, 42],
            "ExposureTimeUnit": ["ms"] * 3,
        },
        "MapAnnotation": {"kv": "200", "Gun lens focus": "-40", "Condenser aperture": "70 µm"},
    }
    tifffile.imwrite(path, stack, metadata=metadata, ome=True)
    frames = list(read_frames(path))
    np.testing.assert_array_equal(frames[2].pixels, stack[2])
    assert [f.taken_at.isoformat() for f in frames] == [
        "2026-03-14T09:26:53+00:00",
        "2026-03-14T09:26:54.500000+00:00",
        "2026-03-14T09:27:54+00:00",
    ]
    assert [f.taken_at_source for f in frames] == ["file"] * 3
    assert [f.exposure_s for f in frames] == pytest.approx([0.04, 0.041, 0.042])
    assert {f.saturation for f in frames} == {4095.0}
    assert frames[1].state.kv == 200.0
    assert frames[1].state.gun_focus == -40.0
    assert frames[1].state.aperture_um == 70.0
    assert frames[0].pixel_size_um is None  # PhysicalSizeX is measured at the specimen


def test_ome_with_two_images_keeps_their_facts_apart(tmp_path, rng):
    path = tmp_path / "a.ome.tif"
    data = rng.integers(0, 99, (2, 20, 24), dtype=np.uint8)
    with tifffile.TiffWriter(path, ome=True) as writer:
        writer.write(data, metadata={"axes": "TYX", "AcquisitionDate": "2026-01-01T00:00:00Z"})
        writer.write(data[0], metadata={"axes": "YX", "AcquisitionDate": "2026-01-02T00:00:00Z"})
    assert [f.taken_at.day for f in read_frames(path)] == [1, 1, 2]


def test_damaged_ome_xml_does_no_harm(tmp_path, gray16):
    path = tmp_path / "a.tif"
    bomb = '<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "aaaa">]><OME><Image>&a;</Image></OME>'
    for text in ("<OME><Image></OME>", "<?xml version='1.0'?><OME", bomb):
        tifffile.imwrite(path, gray16, description=text, metadata=None, photometric="minisblack")
        assert read_frame(path).taken_at_source == "file time"


@pytest.mark.parametrize("form", ["json", "lines", "tifffile"])
def test_image_description(tmp_path, gray16, form):
    path = tmp_path / "a.tif"
    facts = {"high_tension_kv": 200, "spot": 3, "beam": {"current": {"value": 2.5, "unit": "nA"}}, "linear": True}
    if form == "tifffile":
        tifffile.imwrite(path, gray16, metadata=facts, photometric="minisblack")
    else:
        lines = "high_tension_kv = 200\nspot = 3\nbeam current = 2.5 nA\nlinear: true"
        text = json.dumps(facts) if form == "json" else lines
        tifffile.imwrite(path, gray16, description=text, metadata=None, photometric="minisblack")
    frame = read_frame(path)
    assert frame.state.kv == 200.0
    assert frame.state.spot == "3"
    assert frame.state.current_pa == pytest.approx(2500.0)
    assert frame.linear is True


def test_date_time_tag_takes_the_given_zone(tmp_path, gray16):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, datetime="2026:07:01 12:00:00", photometric="minisblack")
    frame = read_frame(path, options=ReadOptions(timezone="Europe/Berlin"))
    assert frame.taken_at.isoformat() == "2026-07-01T12:00:00+02:00"
    assert frame.taken_at_source == "file"
    assert read_frame(path).taken_at.tzinfo is not None
    with pytest.raises(ReadError, match="time zone 'Mars/Olympus' is not known"):
        read_frame(path, options=ReadOptions(timezone="Mars/Olympus"))


def test_time_of_later_pages_is_marked(tmp_path, rng):
    path = tmp_path / "a.tif"
    tifffile.imwrite(
        path, rng.random((2, 20, 20), dtype=np.float32), datetime="2026:07:01 12:00:00", photometric="minisblack"
    )
    with tifffile.TiffFile(path) as check:
        own = [306 in page.tags for page in check.pages]
    sources = [f.taken_at_source for f in read_frames(path)]
    assert sources == ["file" if tagged else "file, first page" for tagged in own]


def test_file_time_is_the_last_resort(tmp_path, gray16):
    import os

    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, photometric="minisblack")
    os.utime(path, (1.75e9, 1.75e9))
    frame = read_frame(path)
    assert frame.taken_at.timestamp() == 1.75e9
    assert frame.taken_at_source == "file time"


def test_options_fill_gaps_only(tmp_path, gray16):
    from apertrue.frame import State

    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, description="kv = 200", metadata=None, photometric="minisblack")
    options = ReadOptions(state=State(kv=80.0, aperture_um=70.0), linear=True, saturation=4000.0)
    frame = read_frame(path, options=options)
    assert frame.state.kv == 200.0
    assert frame.state.aperture_um == 70.0
    assert dict(frame.state.sources) == {"kv": "file", "aperture_um": "option"}
    assert frame.linear is True
    assert frame.saturation == 4000.0


def test_pixels_are_not_writable(tmp_path, gray16):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, photometric="minisblack")
    assert not read_frame(path).pixels.flags.writeable


def test_display_name(tmp_path, gray16):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, gray16, photometric="minisblack")
    (frame,) = read_frames(path, display_name="session/a.tif")
    assert frame.file == "session/a.tif"
    assert read_frame(str(path)).file == str(path)
    with pytest.raises(ReadError, match=r"^remote name: there is no such file"):
        next(read_frames(tmp_path / "none.tif", display_name="remote name"))
