"""What the plugin offers napari: the manifest is sound, and everything it names is there."""

from importlib import import_module
from importlib.metadata import entry_points
from pathlib import Path
from xml.etree import ElementTree

import pytest

import apertrue
from apertrue.readers.registry import FORMATS

npe2 = pytest.importorskip("npe2")
FOLDER = Path(apertrue.__file__).parent / "napari"


@pytest.fixture(scope="module")
def manifest():
    return npe2.PluginManifest.from_file(FOLDER / "napari.yaml")


def test_the_installed_package_announces_the_manifest() -> None:
    found = [e for e in entry_points(group="napari.manifest") if e.name == "apertrue"]
    assert [e.value for e in found] == ["apertrue.napari:napari.yaml"]


def test_the_manifest_is_valid_and_every_command_can_be_imported(manifest) -> None:
    manifest.validate_imports()
    assert manifest.name == "apertrue"


def test_what_the_manifest_offers_is_backed_by_commands(manifest) -> None:
    c = manifest.contributions
    known = {command.id for command in c.commands}
    used = [*(r.command for r in c.readers), *(s.command for s in c.sample_data), *(w.command for w in c.widgets)]
    used += [item.command for items in c.menus.values() for item in items]
    assert set(used) == known


def test_readers_are_offered_for_all_formats(manifest) -> None:
    patterns = set(manifest.contributions.readers[0].filename_patterns)
    assert patterns == {f"*{ending}" for f in FORMATS for ending in f.endings}


def test_the_icon_is_a_drawing_of_our_own(manifest) -> None:
    module, _, name = manifest.icon.partition(":")
    icon = Path(import_module(module).__file__).parent / name
    assert ElementTree.parse(icon).getroot().tag.endswith("svg")


def test_each_sample_is_a_picture_that_can_be_judged(manifest) -> None:
    from apertrue.napari._assess_model import AssessModel
    from apertrue.napari._judge_one import Setup
    from apertrue.napari._target import aim

    layers = pytest.importorskip("napari.layers")
    verdicts = {}
    for sample in manifest.contributions.sample_data:
        command = next(c for c in manifest.contributions.commands if c.id == sample.command)
        module, _, function = command.python_name.partition(":")
        ((data, about, kind),) = getattr(import_module(module), function)()
        assert kind == "image"
        layer = layers.Image(data, **about)
        last = [data.shape[0] - 1] if data.ndim == 3 else []
        result = AssessModel(Setup()).work(aim(layer, [*last, 0, 0], range(data.ndim)[-2:]))
        assert result.assessment.offset_percent is not None
        assert result.assessment.taken_at is not None
        verdicts[sample.key] = result.assessment.verdict
    assert verdicts["centered"] == "leave"
    assert {verdicts["off_center"], verdicts["clipped"]} <= {"nudge", "auto"}
    assert verdicts["creep"] != "leave"
