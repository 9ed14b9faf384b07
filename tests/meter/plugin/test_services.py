"""A service is asked for in the manifest, checked there, and held by one of ours before one by others."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from meter.builtin import OURS
from meter.plugin.host import BUILTIN, discover, usable
from meter.plugin.manifest import ManifestError, read_manifest
from meter.plugin.services import SERVICES, asking_for, holder, why_not
from tests.support.plugins import renamed_copy, write_meter

METER = Path(__file__).parents[3] / "meter"
COMMON_WORDS = {"channels", "stereo", "listening", "vu", "low_end", "lane", "stage"}
"""Ids that are also words of a file format, a layout, a state, a unit, a page, a command or a field of findings."""


def test_ours_hold_every_service_of_one_holder() -> None:
    plugins = usable(discover())
    found = {service: holder(service, plugins) for service in SERVICES}
    assert {service: plugin and plugin.id for service, plugin in found.items()} == {
        "recorder": "listening", "calibration": "listening", "tempo": "low_end", "feed_map": "low_end",
        "channel_finder": "channels", "references": "lane",
    }  # fmt: skip


def test_a_meter_by_others_holds_a_service_only_where_none_of_ours_asks(tmp_path: Path) -> None:
    theirs = discover([renamed_copy(tmp_path / "ears", "listening", "ears")], installed=False)
    assert theirs[0].usable, theirs[0].refusal
    everything = [*theirs, *usable(discover())]
    for service in ("recorder", "calibration"):
        assert holder(service, everything) is next(each for each in everything if each.id == "listening")
        assert holder(service, theirs) is theirs[0]
        assert asking_for(service, everything)[0] is theirs[0]
    assert holder("recorder", discover([write_meter(tmp_path / "plain", "plain")], installed=False)) is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('services = ["recorder"', 'services = ["recoder"', "there is no service “recoder”; known are recorder, "),
        ('key = "seat_second"', 'key = "seat_seconds"', "“recorder” needs a field “seat_second” of size 1"),
        ('key = "share_today"', 'key = "share_today"\nsize = 2', "“recorder” needs a field “share_today” of size 1"),
        ('key = "person"\ndefault = "me"', 'key = "person"\ndefault = 1.0', "“person” whose default is a str"),
        ('default = false\nlabel = "a c', 'default = 0.0\nlabel = "a c', "“calibrated” whose default is a bool"),
        ('key = "feed_each"\nunit = "dBFS(A)"\nsize = "channels"', 'key = "feed_each"\nunit = "dBFS(A)"', "channels"),
    ],
)
def test_a_manifest_that_lacks_what_a_service_needs_is_refused(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    text = (BUILTIN / "listening" / "manifest.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "manifest.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ManifestError) as caught:
        read_manifest(path)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


def test_values_for_each_part_need_the_feed_map(tmp_path: Path) -> None:
    folder = write_meter(tmp_path / "each", "each")
    path = folder / "manifest.toml"
    text = path.read_text(encoding="utf-8").replace("summary = true", 'size = "parts"')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ManifestError, match=r'has a value for each part; ask for .* services = \["feed_map"\]'):
        read_manifest(path)
    path.write_text(text.replace('id = "each"', 'id = "each"\nservices = ["feed_map"]'), encoding="utf-8")
    assert read_manifest(path).services == ("feed_map",)


def test_a_field_with_several_values_is_no_single_value() -> None:
    manifest = read_manifest(BUILTIN / "channels" / "manifest.toml")
    assert why_not("channel_finder", manifest.fields, {}) == ""
    assert "“recorder” needs a field" in why_not("recorder", manifest.fields, {})


def texts_of(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)]


def test_nothing_outside_the_meters_names_one() -> None:
    paths = [path for path in METER.rglob("*.py") if "builtin" not in path.parts]
    assert len(paths) > 100
    for path in paths:
        for text in texts_of(path):
            meter, dot, _key = text.partition(".")
            named = meter in OURS and " " not in text and (dot or meter not in COMMON_WORDS)
            assert not named, f"{path} names a meter: {text!r}"
