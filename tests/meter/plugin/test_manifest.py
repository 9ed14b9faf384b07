"""A manifest is checked before anything of the plugin is imported; each refusal is one sentence."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from meter.builtin import OURS
from meter.plugin.host import BUILTIN
from meter.plugin.manifest import ManifestError, read_manifest

GOOD = """
id = "tilt"
name = "Tilt"
version = "1.0.0"
contract = "2.0"
processor = "process:Tilt"

[[field]]
key = "slope"
unit = "dB"
summary = true

[[setting]]
key = "pivot_hz"
default = 1000.0
unit = "Hz"
least = 20.0
most = 20000.0

[[setting]]
key = "speed"
default = "slow"
choices = ["slow", "quick"]
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "manifest.toml"
    path.write_text(text, encoding="utf-8")
    return path


STUDY = """[[study]]
key = "tilt_now"
function = "study:tilt"
findings = "study:TiltFindings"

[[field]]"""

NEWER = GOOD.replace('id = "tilt"', 'id = "tilt"\nservices = ["feed_map"]').replace(
    "summary = true", 'size = "parts"\neach = 4'
)


def test_a_meter_of_all_feeds_may_have_values_for_each_part(tmp_path: Path) -> None:
    whole = NEWER.replace('id = "tilt"', 'id = "tilt"\nfeed = "all"\nviews = { small = "face:Small" }')
    manifest = read_manifest(write(tmp_path, whole))
    assert (manifest.feed, manifest.views, manifest.on_pages) == ("all", {"small": "face:Small"}, True)
    assert [field.values(channels=2, parts=3) for field in manifest.fields] == [12]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("each = 4", "each = 0", "may have 1 to 256 values"),
        ("each = 4", "each = 4\nsummary = true", "must be a single value"),
        ('size = "parts"', 'size = "bits"', "“channels” or “parts”"),
        ('id = "tilt"', 'id = "tilt"\nviews = { small = "Small" }', "look like"),
        ('id = "tilt"', 'id = "tilt"\nviews = { small = "../face:Small" }', "look like"),
    ],
)
def test_what_came_with_1_1_is_checked_too(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(ManifestError, match=words):
        read_manifest(write(tmp_path, NEWER.replace(old, new, 1)))


def test_a_good_manifest_gives_fields_and_settings(tmp_path: Path) -> None:
    manifest = read_manifest(write(tmp_path, GOOD))
    assert [field.key for field in manifest.fields] == ["slope"]
    assert manifest.settings({"pivot_hz": 500}) == {"pivot_hz": 500.0, "speed": "slow"}


@pytest.mark.parametrize(
    ("chosen", "words"),
    [
        ({"pivot": 1.0}, "has no setting “pivot”"),
        ({"pivot_hz": 5.0}, "takes 20 to 20000 Hz"),
        ({"pivot_hz": "loud"}, "takes a float"),
        ({"pivot_hz": True}, "takes a float"),
        ({"speed": "warp"}, "takes one of slow, quick"),
        ({"pivot_hz": float("nan")}, "takes 20 to 20000"),
    ],
)
def test_a_setting_out_of_bounds_is_refused(tmp_path: Path, chosen: dict, words: str) -> None:
    manifest = read_manifest(write(tmp_path, GOOD))
    with pytest.raises(ValueError, match=words):
        manifest.settings(chosen)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('contract = "2.0"', 'contract = "1.2"', "made for contract 1.2; this program has 2.0"),
        ('contract = "2.0"', 'contract = "2.1"', "made for contract 2.1; this program has 2.0"),
        ('contract = "2.0"', "contract = 2.0", "not a valid manifest"),
        ('id = "tilt"', 'id = "Tilt!"', "not a valid manifest"),
        ('unit = "dB"', 'unit = "furlong"', "has the unit 'furlong'"),
        ('processor = "process:Tilt"', 'processor = "process"', "look like"),
        ('processor = "process:Tilt"', 'processor = "../x/process:Tilt"', "look like"),
        ('processor = "process:Tilt"', 'processor = "/x/process:Tilt"', "look like"),
        ('processor = "process:Tilt"', 'processor = "..process:Tilt"', "look like"),
        ('processor = "process:Tilt"', 'processor = "process:Tilt.__init__"', "look like"),
        ('processor = "process:Tilt"', 'processor = "process:Tilt"\nface = "a/b:Face"', "look like"),
        ("summary = true", "summary = true\nsize = 4", "must be a single value"),
        ("summary = true", "size = 0", "needs a size"),
        ("summary = true", 'record = "mean"', "may be recorded as last, max, min, each, not 'mean'"),
        ("summary = true", 'record = "each"', "needs counted_by"),
        ("summary = true", 'record = "each"\ncounted_by = "nothing"', "is no field of a single value"),
        ("summary = true", "colour = 1", "not a valid manifest"),
        ("default = 1000.0", "default = 1.0", "the default is not allowed"),
        ('name = "Tilt"', "name = ", "not a valid manifest"),
        ('version = "1.0.0"', "", "not a valid manifest"),
        ("[[field]]", STUDY.replace("study:tilt", "study"), "look like"),
        ("[[field]]", STUDY.replace("tilt_now", "Tilt now"), "not a valid manifest"),
        ("[[field]]", STUDY.replace("[[field]]", "every_seconds = 0.0\n[[field]]"), "not a valid manifest"),
        ("[[field]]", STUDY.replace("[[field]]", STUDY), "study “tilt_now” is there twice"),
    ],
)
def test_a_broken_manifest_is_refused_with_one_sentence(tmp_path: Path, old: str, new: str, words: str) -> None:
    path = write(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(ManifestError, match=words) as caught:
        read_manifest(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_or_binary_manifest_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ManifestError, match="cannot be read"):
        read_manifest(tmp_path / "manifest.toml")
    (tmp_path / "manifest.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ManifestError, match="not UTF-8"):
        read_manifest(tmp_path / "manifest.toml")


def test_our_own_manifests_are_good_and_named_like_their_folders() -> None:
    paths = sorted((Path(__file__).parents[3] / "meter" / "builtin").glob("*/manifest.toml"))
    assert len(paths) >= 7
    assert [read_manifest(path).id for path in paths] == [path.parent.name for path in paths]


def test_what_is_not_an_ordinary_small_file_of_flat_text_is_refused(tmp_path: Path) -> None:
    deep, large, folder = tmp_path / "deep", tmp_path / "large", tmp_path / "folder"
    for place in (deep, large, folder):
        place.mkdir()
    (folder / "manifest.toml").mkdir()
    with pytest.raises(ManifestError, match="not a valid manifest"):
        read_manifest(write(deep, "x = " + "[" * 5_000 + "]" * 5_000))
    with pytest.raises(ManifestError, match="far too large"):
        read_manifest(write(large, "#" * 2_000_000))
    with pytest.raises(ManifestError, match="not an ordinary file"):
        read_manifest(folder / "manifest.toml")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "manifest.toml")
    with pytest.raises(ManifestError, match="not an ordinary file"):
        read_manifest(tmp_path / "manifest.toml")


def test_what_takes_all_feeds_or_holds_a_service_stands_only_once(tmp_path: Path) -> None:
    """So does one whose author says so."""
    assert read_manifest(write(tmp_path, GOOD)).why_single == ""
    for line, why in (("single = true", "author"), ('feed = "all"', "all feeds")):
        text = GOOD.replace('id = "tilt"', f'id = "tilt"\n{line}')
        assert why in read_manifest(write(tmp_path, text)).why_single
    reasons = {name: read_manifest(BUILTIN / name / "manifest.toml").why_single for name in OURS}
    assert {name for name, why in reasons.items() if why} == {"listening", "low_end", "stage", "channels"}
    assert reasons["listening"] == "it keeps the exposure record"


def test_titles_of_faces_stand_in_the_manifest(tmp_path: Path) -> None:
    views = 'id = "tilt"\nviews = { small = "face:Small", other = "face:Other" }\ntitles = { small = "Small tilt" }'
    manifest = read_manifest(write(tmp_path, GOOD.replace('id = "tilt"', views, 1)))
    assert [manifest.title_of(view) for view in ("", "small", "other")] == ["Tilt", "Small tilt", "Tilt, other"]
    main = views.replace('small = "Small tilt"', 'face = "The tilt"')
    assert read_manifest(write(tmp_path, GOOD.replace('id = "tilt"', main, 1))).title_of() == "The tilt"


def test_a_title_for_no_view_is_refused_with_its_line(tmp_path: Path) -> None:
    text = GOOD + '\n[titles]\nsmall = "Small tilt"\n'
    words = f"line {text.count(chr(10))}: there is no view “small” to give a title; known are face"
    with pytest.raises(ManifestError, match=words):
        read_manifest(write(tmp_path, text))


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ('name = "Tilt"', 'name = "a\\nb"', "line 3: a text is one line"),
        ('name = "Tilt"', 'name = "  "', "line 3: a meter needs a name"),
        ('name = "Tilt"', f'name = "{"x" * 61}"', "line 3: a meter needs a name of at most 60 letters"),
        ('unit = "dB"', 'unit = "dB"\nlabel = "\\u0000"', "line 11: a text is one line"),
        ('contract = "2.0"', f'contract = "{"9" * 1000}"', "it was made for contract"),
        ('name = "Tilt"', f'name = "Tilt"\n{"x" * 70_000} = 1', "unknown field"),
        ('name = "Tilt"', 'name = "Tilt"\n"a\\nb" = 1', "unknown field"),
        ("default = 1000.0", f"default = {'1' * 5000}", "not a valid manifest"),
    ],
    ids=["two lines", "no name", "long name", "NUL", "long contract", "long key", "broken key", "long number"],
)
def test_what_a_hostile_manifest_holds_makes_no_long_or_broken_sentence(
    tmp_path: Path, before: str, after: str, words: str
) -> None:
    with pytest.raises(ManifestError, match=words) as caught:
        read_manifest(write(tmp_path, GOOD.replace(before, after)))
    assert len(str(caught.value)) < 600
    assert str(caught.value).isprintable()


@pytest.mark.skipif(not Path("/proc/self/pagemap").exists(), reason="no /proc here")
def test_a_manifest_without_an_end_is_not_read_whole(tmp_path: Path) -> None:
    (tmp_path / "manifest.toml").symlink_to("/proc/self/pagemap")
    with pytest.raises(ManifestError, match=r"far too large|not UTF-8"):
        read_manifest(tmp_path / "manifest.toml")
