from pathlib import Path

import numpy as np
import pytest

from apertrue.readers import expand, looks_like_picture


@pytest.fixture
def archive(tmp_path):
    """A folder as it grows in years: pictures under right and wrong names, other files, hidden ones, a broken one."""
    picture = np.zeros((20, 20), np.uint8)
    for name in ("b.npy", "a/2.npy", "a/10.npy", ".hidden/c.npy", ".c.npy", "c.d/wrong-name.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        with (tmp_path / name).open("wb") as handle:
            np.save(handle, picture)
    (tmp_path / "readme.txt").write_text("text", encoding="utf-8")
    (tmp_path / "a" / "broken.TIF").touch()
    (tmp_path / "a" / "log.bin").write_bytes(bytes(99))
    return tmp_path


def names(found, root):
    return [path.relative_to(root).as_posix() for path in found]


def test_folder(archive):
    found = ["a/10.npy", "a/2.npy", "a/broken.TIF", "b.npy", "c.d/wrong-name.txt"]
    assert names(expand([archive]), archive) == found
    assert names(expand([str(archive)]), archive) == found


def test_order_given_is_kept_and_files_are_passed_on(archive):
    given = [archive / "readme.txt", archive / "missing.tif", archive / "c.d", archive / ".c.npy"]
    assert names(expand(given), archive) == ["readme.txt", "missing.tif", "c.d/wrong-name.txt", ".c.npy"]


def test_patterns(archive, monkeypatch):
    assert names(expand([f"{archive}/a/*.npy"]), archive) == ["a/10.npy", "a/2.npy"]
    assert names(expand([f"{archive}/**/*.npy"]), archive) == ["a/10.npy", "a/2.npy", "b.npy"]
    assert names(expand([f"{archive}/[ac]*"]), archive) == ["a/10.npy", "a/2.npy", "a/broken.TIF", "c.d/wrong-name.txt"]
    assert [p.name for p in expand([f"{archive}/*.none"])] == ["*.none"]  # the reader says that nothing matches
    monkeypatch.chdir(archive)
    assert list(expand(["a/?.npy"])) == [Path("a/2.npy")]


def test_a_file_with_brackets_in_its_name_is_a_file(tmp_path):
    path = tmp_path / "a[1].npy"
    np.save(path, np.zeros((20, 20)))
    np.save(tmp_path / "a1.npy", np.zeros((20, 20)))
    assert list(expand([path])) == [path]


def test_links_that_loop(archive):
    try:
        (archive / "a" / "loop").symlink_to(archive, target_is_directory=True)
        (archive / "a" / "self").symlink_to(archive / "a" / "self")
        (archive / "a" / "z.npy").symlink_to(archive / "b.npy")
    except OSError:
        pytest.skip("this system does not allow symbolic links")
    found = names(expand([archive]), archive)
    assert sorted(found) == sorted(set(found))
    assert "a/z.npy" in found
    assert "b.npy" in found
    assert not [name for name in found if "loop" in name or "self" in name]


def test_nothing(tmp_path):
    assert list(expand([])) == []
    assert list(expand([tmp_path])) == []


def test_it_is_lazy(archive):
    found = expand([archive, archive / "missing"])
    assert next(found).name == "10.npy"
    found.close()


def test_looks_like_picture_reads_the_head_only(archive, monkeypatch):
    """It must stay cheap in an archive of 100 000 pictures on a shared disk."""
    from apertrue.readers import source

    big = archive / "big.npy"
    with big.open("wb") as handle:
        np.lib.format.write_array_header_1_0(
            handle, {"descr": "<u2", "fortran_order": False, "shape": (1024, 1024, 1024)}
        )
        handle.truncate(2**31 + 128)
    heads = []
    original = source.open_path

    def spying(*args):
        opened = original(*args)
        heads.append(opened.handle.tell())
        return opened

    monkeypatch.setattr("apertrue.readers.api.open_path", spying)
    assert looks_like_picture(big)
    assert heads == [source.HEAD_BYTES]
