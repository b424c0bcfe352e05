"""PNG, JPEG, BMP, GIF and WebP, written by Pillow and imagecodecs."""

from datetime import UTC, datetime

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageOps
from PIL.PngImagePlugin import PngInfo

from apertrue.readers import ReadOptions, count_pages, read_bytes, read_frame, read_frames


def smooth(rows=48, columns=64):
    y, x = np.mgrid[:rows, :columns]
    return (40 + 2 * x + y).astype(np.uint8)


def test_png_gray_of_8_and_16_bits(tmp_path, gray16):
    path = tmp_path / "a.png"
    Image.fromarray(gray16).save(path)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, gray16)
    assert (frame.pixels.dtype, frame.saturation, frame.linear, frame.lossy) == (np.uint16, 65535.0, None, False)
    gray8 = (gray16 % 256).astype(np.uint8)
    Image.fromarray(gray8).save(path)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, gray8)
    assert (frame.saturation, frame.linear) == (255.0, None)


@pytest.mark.parametrize("samples", [2, 3, 4])
def test_png_of_16_bits_in_color_keeps_its_depth(tmp_path, gray16, samples):
    path = tmp_path / "a.png"
    data = np.stack([gray16] * samples, axis=-1)
    if samples in (2, 4):
        data[..., -1] = 65535 - gray16  # alpha, to be ignored
    path.write_bytes(imagecodecs.png_encode(data))
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, gray16)
    assert frame.pixels.dtype == np.uint16
    assert not frame.color


@pytest.mark.parametrize("mode", ["1", "P", "LA", "RGB", "RGBA"])
def test_png_modes(tmp_path, mode):
    path = tmp_path / "a.png"
    gray = smooth()
    image = Image.fromarray(gray)
    if mode == "P":
        image.putpalette([v for i in range(256) for v in (i, i, i)])
        assert image.mode == "P"
    else:
        image = image.convert(mode, dither=Image.Dither.NONE)
        if "A" in mode:
            image.putalpha(Image.fromarray(255 - gray))
    image.save(path)
    frame = read_frame(path)
    expected = (gray >= 128).astype(np.uint8) if mode == "1" else gray
    np.testing.assert_array_equal(frame.pixels, expected)
    assert frame.linear is (None if mode in ("1", "LA") else False)
    assert not frame.color


def test_png_interlaced_after_its_specification(tmp_path):
    """Adam7 (PNG specification, 8.2), packed by hand: no writer at hand interlaces."""
    import struct
    import zlib

    gray = smooth(19, 21)
    passes = [(0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1)]
    raw = b"".join(b"\0" + row.tobytes() for y, x, dy, dx in passes for row in gray[y::dy, x::dx] if row.size)

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 21, 19, 8, 0, 0, 0, 1)
    data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(raw)) + chunk(b"IEND", b"")
    (tmp_path / "a.png").write_bytes(data)
    np.testing.assert_array_equal(read_frame(tmp_path / "a.png").pixels, gray)


@pytest.mark.parametrize(("gamma", "linear"), [(100000, True), (45455, False)])
def test_png_gamma_is_a_statement(tmp_path, gray16, gamma, linear):
    import struct

    info = PngInfo()
    info.add(b"gAMA", struct.pack(">I", gamma))
    Image.fromarray(gray16).save(tmp_path / "a.png", pnginfo=info)
    assert read_frame(tmp_path / "a.png").linear is linear


def test_png_text(tmp_path, gray16):
    info = PngInfo()
    info.add_text("Creation Time", "Sat, 14 Mar 2026 09:26:53 +0100")
    info.add_text("Acceleration voltage", "200 kV")
    info.add_itxt("Description", "Gun shift y: 4.5\nCamera: screen 1\ncurrent = 3")
    info.add_text("Title", "kv = 999")  # a title is no description
    Image.fromarray(gray16).save(tmp_path / "a.png", pnginfo=info)
    frame = read_frame(tmp_path / "a.png")
    assert frame.taken_at.isoformat() == "2026-03-14T09:26:53+01:00"
    assert frame.taken_at_source == "file"
    assert (frame.state.kv, frame.state.gun_shift_y, frame.state.camera) == (200.0, 4.5, "screen 1")
    assert frame.state.current_pa is None  # no unit, so no number


@pytest.mark.parametrize("orientation", range(1, 9))
def test_jpeg_orientation_agrees_with_pillow(tmp_path, orientation):
    path = tmp_path / "a.jpg"
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(smooth()).save(path, exif=exif, quality=95)
    with Image.open(path) as image:
        upright = np.asarray(ImageOps.exif_transpose(image))
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, upright)
    assert (frame.lossy, frame.linear, frame.saturation) == (True, False, 255.0)


def exif_of_a_camera(offset=None):
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    inner[36867] = "2026:03:14 09:26:53"
    inner[37521] = "250"
    inner[33434] = 0.125
    inner[37510] = b"ASCII\0\0\0spot = 5; kV = 80; magnification = 120 kx"
    if offset:
        inner[36881] = offset
    return exif


@pytest.mark.parametrize("kind", ["jpg", "png", "webp"])
def test_exif(tmp_path, kind):
    path = tmp_path / f"a.{kind}"
    Image.fromarray(smooth()).convert("RGB").save(path, exif=exif_of_a_camera("+09:00").tobytes())
    frame = read_frame(path)
    assert frame.taken_at.isoformat() == "2026-03-14T09:26:53.250000+09:00"
    assert frame.taken_at_source == "file"
    assert frame.exposure_s == 0.125
    assert (frame.state.spot, frame.state.kv, frame.state.magnification) == ("5", 80.0, 120000.0)


def test_exif_time_without_offset_takes_the_given_zone(tmp_path):
    path = tmp_path / "a.jpg"
    Image.fromarray(smooth()).save(path, exif=exif_of_a_camera())
    frame = read_frame(path, options=ReadOptions(timezone="UTC"))
    assert frame.taken_at == datetime(2026, 3, 14, 9, 26, 53, 250000, tzinfo=UTC)


@pytest.mark.parametrize("comment", [b"UNICODE\0" + "kV = 80".encode("utf-16-le"), b"\0" * 8 + b"kV = 80", b"kV = 80"])
def test_exif_user_comment_in_each_character_code(comment):
    from apertrue.readers.metadata.exif import facts_from_tags

    assert facts_from_tags({37510: comment}).state["kv"] == 80.0


def test_cmyk_jpeg(tmp_path):
    path = tmp_path / "a.jpg"
    Image.fromarray(smooth()).convert("CMYK").save(path, quality=95)
    assert np.abs(read_frame(path).pixels.astype(float) - smooth()).max() < 8


@pytest.mark.parametrize("mode", ["L", "RGB", "1", "P"])
def test_bmp(tmp_path, mode):
    path = tmp_path / "a.bmp"
    Image.fromarray(smooth()).convert(mode, dither=Image.Dither.NONE).save(path)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, (smooth() >= 128) if mode == "1" else smooth())
    assert frame.linear is False
    assert not frame.lossy


def test_gif_with_several_pictures(tmp_path):
    path = tmp_path / "a.gif"
    pictures = [np.roll(smooth(), 7 * i, axis=1) for i in range(3)]
    first, *rest = (Image.fromarray(p) for p in pictures)
    first.save(path, save_all=True, append_images=rest)
    assert count_pages(path) == 3
    for expected, frame in zip(pictures, read_frames(path), strict=True):
        np.testing.assert_array_equal(frame.pixels, expected)
        assert frame.linear is False


@pytest.mark.parametrize("lossless", [True, False])
def test_webp(tmp_path, lossless):
    path = tmp_path / "a.webp"
    Image.fromarray(smooth()).convert("RGB").save(path, lossless=lossless, quality=95)
    frame = read_frame(path)
    np.testing.assert_allclose(frame.pixels, smooth(), atol=0 if lossless else 8)
    assert frame.lossy is not lossless


def test_from_memory(gray16):
    import io

    buffer = io.BytesIO()
    Image.fromarray(gray16).save(buffer, "png")
    (frame,) = read_bytes(buffer.getvalue(), "clipboard")
    np.testing.assert_array_equal(frame.pixels, gray16)
    assert (frame.file, frame.taken_at, frame.taken_at_source) == ("clipboard", None, None)
    (again,) = read_bytes(io.BytesIO(buffer.getvalue()), "stream")
    assert again.digest == frame.digest
