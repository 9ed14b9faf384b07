"""No code of others runs unasked: ours are a list, everything else runs only once this version was enabled."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
import soundfile

from dsp.core.signals import tone
from meter.cli import main
from meter.commands.meters import enabled_path
from meter.commands.window_meters import other_meters
from meter.engine.process import EngineOrder
from meter.plugin.enabled import Enabled, Identity, read_enabled, write_enabled
from meter.plugin.host import Plugin, discover, load_processor, usable
from tests.support.plugins import write_meter

RAN = "import pathlib; pathlib.Path({path!r}).write_text('ran')\n"


@pytest.fixture(autouse=True)
def own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path / "config"))


@pytest.fixture
def ran(tmp_path: Path) -> Path:
    """Made by the code of a guest when it runs."""
    return tmp_path / "ran"


@pytest.fixture
def guest(tmp_path: Path, ran: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An installed package with an entry point, as pip leaves it; its code leaves a mark when it is imported."""
    return install(tmp_path / "site", "guest_meters.tilt", "tilt", ran, monkeypatch)


def install(
    site: Path, value: str, meter_id: str, ran: Path, monkeypatch: pytest.MonkeyPatch, version: str = "2.5"
) -> Path:
    folder = site.joinpath(*value.split("."))
    write_meter(folder, meter_id)
    for place in (folder, folder.parent):
        (place / "__init__.py").write_text(RAN.format(path=str(ran)), encoding="utf-8")
    manifest = folder / "manifest.toml"
    text = manifest.read_text(encoding="utf-8").replace("process:Meter", f"{value}.process:Meter")
    manifest.write_text(text, encoding="utf-8")
    declare(site, value, version)
    monkeypatch.syspath_prepend(str(site))
    return folder


def declare(site: Path, value: str, version: str = "2.5") -> None:
    info = site / "guest_meters.dist-info"
    info.mkdir(parents=True, exist_ok=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: guest-meters\nVersion: {version}\n")
    (info / "entry_points.txt").write_text(f"[earwitness.meters]\nguest = {value}\n")


def sound(folder: Path) -> Path:
    path = folder / "a.wav"
    soundfile.write(path, tone(997.0, -20.0, 1.0, 48_000, 2), 48_000)
    return path


def of_others(**how: object) -> list[Plugin]:
    return [plugin for plugin in discover(**how) if not plugin.ours]


def measured(capsys: pytest.CaptureFixture[str], *words: str | Path) -> dict[str, object]:
    assert main(["measure", "--json", *map(str, words)]) == 0
    return dict(json.loads(capsys.readouterr().out))


def test_an_installed_package_does_not_run_unasked(
    guest: Path, ran: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = measured(capsys, sound(tmp_path))
    assert not ran.exists()
    assert not [key for key in found if key.startswith("tilt.")]
    assert main(["plugins", "--json"]) == 0
    listed = {item["id"]: item for item in map(json.loads, capsys.readouterr().out.splitlines())}
    assert (listed["tilt"]["enabled"], listed["tilt"]["usable"], listed["tilt"]["ours"]) == (False, False, False)
    assert (listed["vu"]["enabled"], listed["vu"]["ours"]) == (True, True)
    assert not ran.exists()


def test_it_runs_once_enabled_and_no_more_when_disabled(
    guest: Path, ran: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plugins", "enable", "tilt"]) == 0
    assert "version 0.1.0 (guest-meters 2.5)" in capsys.readouterr().out
    assert not ran.exists()
    assert measured(capsys, sound(tmp_path))["tilt.total"] == pytest.approx(48_000 * 0.01, rel=1e-3)
    assert ran.exists()
    assert main(["plugins", "disable", "guest_meters.tilt"]) == 0
    capsys.readouterr()
    assert "tilt.total" not in measured(capsys, sound(tmp_path))


def test_where_the_code_lies_is_shown_before_and_when_it_is_enabled(
    guest: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_meter(tmp_path / "own", "own")
    assert main(["plugins", "--plugins", str(folder)]) == 0
    listed = {line.split()[0]: line for line in capsys.readouterr().out.splitlines()}
    assert "not enabled" in listed["tilt"]
    assert str(guest) in listed["tilt"]
    for what, place in (("tilt", guest), (str(folder), folder)):
        assert main(["plugins", "enable", what]) == 0
        assert f"its code in {place} runs with your rights" in capsys.readouterr().out
    assert {other.folder for other in other_meters([])} == {str(guest), str(folder)}


@pytest.mark.parametrize("what", ["manifest", "package", "place"])
def test_what_changed_asks_again(
    guest: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    assert main(["plugins", "enable", "tilt"]) == 0
    enabled, _ = read_enabled(enabled_path())
    assert [plugin.usable for plugin in of_others(enabled=enabled)] == [True]
    if what == "manifest":
        path = guest / "manifest.toml"
        path.write_text(path.read_text(encoding="utf-8").replace('"0.1.0"', '"0.2.0"'), encoding="utf-8")
    elif what == "package":
        declare(tmp_path / "site", "guest_meters.tilt", "2.6")
    else:
        guest.parent.parent.rename(tmp_path / "elsewhere")
        monkeypatch.syspath_prepend(str(tmp_path / "elsewhere"))
    assert [plugin.usable for plugin in of_others(enabled=enabled)] == [False]
    capsys.readouterr()
    assert main(["measure", "--json", str(sound(tmp_path))]) == 0
    assert "tilt.total" not in capsys.readouterr().out
    if what != "place":
        assert main(["plugins"]) == 0
        assert "is now version" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("meter.builtin./etc", "must be the dotted name"),
        ("meter.builtin.../x", "must be the dotted name"),
        ("/tmp/x", "must be the dotted name"),
        ("meter.builtin.evil", "cannot be read"),
    ],
)
def test_no_name_makes_a_meter_ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, value: str, words: str) -> None:
    declare(tmp_path / "site", value)
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    [guest] = of_others()
    assert not guest.usable
    assert words in guest.refusal or "cannot be found" in guest.refusal


def test_an_entry_point_with_a_path_takes_no_id_of_ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_meter(tmp_path / "evil", "loudness")
    declare(tmp_path / "site", f"meter.builtin.{tmp_path / 'evil'}")
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    loudness = next(plugin for plugin in usable(discover()) if plugin.id == "loudness")
    assert loudness.ours
    assert loudness.folder == Path(__file__).parents[3] / "meter" / "builtin" / "loudness"


def test_one_that_may_not_run_keeps_no_id_from_one_that_may(
    guest: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_meter(tmp_path / "mine", "tilt")
    [mine] = usable(of_others(folders=[folder]))
    assert mine.folder == folder


def test_of_two_enabled_ones_of_one_id_the_second_is_refused(
    guest: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_meter(tmp_path / "mine", "tilt")
    assert main(["plugins", "enable", "guest_meters.tilt"]) == 0
    assert main(["plugins", "enable", str(folder)]) == 0
    enabled, _ = read_enabled(enabled_path())
    first, second = of_others(enabled=enabled)
    assert (first.usable, second.usable) == (True, False)
    assert "already taken" in second.refusal


def test_a_folder_is_enabled_by_its_path_whatever_way_it_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    write_meter(tmp_path / "own", "own")
    (tmp_path / "link").symlink_to(tmp_path / "own")
    monkeypatch.chdir(tmp_path)
    assert main(["plugins", "enable", "./link"]) == 0
    assert measured_keys(capsys, tmp_path) == {"own.total"}
    monkeypatch.chdir("/")
    assert main(["plugins", "disable", str(tmp_path / "own")]) == 0
    assert measured_keys(capsys, tmp_path) == set()


def measured_keys(capsys: pytest.CaptureFixture[str], folder: Path) -> set[str]:
    capsys.readouterr()
    return {key for key in measured(capsys, sound(folder)) if key.startswith("own.")}


def test_naming_a_folder_counts_for_that_run_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_meter(tmp_path / "own", "own")
    assert "own.total" in measured(capsys, sound(tmp_path), "--plugins", folder)
    assert "own.total" not in measured(capsys, sound(tmp_path))
    assert not enabled_path().exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["enable"], "needs the name"),
        (["enable", "nowhere"], "neither an installed meter nor a folder"),
        (["enable", "vu"], "needs no enabling"),
        (["list", "vu"], "takes no name"),
    ],
)
def test_wrong_words_are_one_sentence(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plugins", *words]) == 2
    [sentence] = capsys.readouterr().err.splitlines()
    assert said in sentence


def test_one_that_would_take_an_id_of_ours_cannot_be_enabled(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plugins", "enable", str(write_meter(tmp_path / "fake", "loudness"))]) == 2
    assert "taken by a meter of this program" in capsys.readouterr().err
    assert not enabled_path().exists()


@pytest.mark.parametrize("text", ["{", "[1]", '{"meters": [{"folder": 1}]}', "\x00", "[" * 100_000])
def test_a_broken_file_enables_nothing_and_is_kept(tmp_path: Path, text: str) -> None:
    path = tmp_path / "enabled.json"
    path.write_text(text, encoding="utf-8")
    enabled, sentence = read_enabled(path)
    assert enabled == Enabled()
    assert "enable them again" in sentence
    assert "\n" not in sentence
    assert path.with_name("enabled.json.unreadable").read_text(encoding="utf-8") == text


def test_a_folder_that_no_system_takes_enables_nothing(tmp_path: Path) -> None:
    path = tmp_path / "enabled_meters.json"
    path.write_text('{"meters": [{"folder": "/a\\u0000b", "version": "1"}]}', encoding="utf-8")
    found, sentence = read_enabled(path)
    assert found == Enabled()
    assert "NUL" in sentence
    assert discover(enabled=found) == discover()


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    first, second = Identity("/a", "1"), Identity("/b", "2", "b.meter")
    enabled = Enabled().with_meter(first).with_meter(second).without_face(second, "It froze.")
    write_enabled(enabled, tmp_path / "folder" / "enabled.json")
    assert read_enabled(tmp_path / "folder" / "enabled.json") == (enabled, "")
    assert enabled.face_fault(second) == "It froze."
    assert enabled.with_meter(second).face_fault(second) == ""
    assert enabled.without(first).meters == (second,)


def test_the_engine_runs_what_is_enabled_and_nothing_more(guest: Path) -> None:
    [found] = of_others()
    assert found.identity is not None
    order = EngineOrder(enabled=Enabled().with_meter(found.identity))
    assert [plugin.id for plugin in usable(of_others(enabled=order.enabled))] == ["tilt"]
    assert usable(of_others(enabled=EngineOrder().enabled)) == []


# The folder as a package


def helped(folder: Path, line: str, use: str = "helper.GAIN") -> Path:
    """A meter that multiplies with what a second module holds."""
    write_meter(folder, "own", f"self.total += {use}")
    process = folder / "process.py"
    process.write_text(f"{line}\n{process.read_text(encoding='utf-8')}", encoding="utf-8")
    (folder / "helper.py").write_text("GAIN = 4.0\n", encoding="utf-8")
    (folder / "parts").mkdir()
    (folder / "parts" / "__init__.py").write_text("", encoding="utf-8")
    (folder / "parts" / "deep.py").write_text("from .. import helper\nGAIN = helper.GAIN\n", encoding="utf-8")
    return folder


@pytest.mark.parametrize("start", ["", "from .helper import GAIN\n"], ids=["plain", "with __init__"])
@pytest.mark.parametrize(
    ("line", "use"),
    [
        ("from . import helper", "helper.GAIN"),
        ("from .helper import GAIN", "GAIN"),
        ("from .parts.deep import GAIN", "GAIN"),
        ("from {name} import helper", "helper.GAIN"),
        ("import {name}.parts.deep", "{name}.parts.deep.GAIN"),
    ],
)
def test_a_folder_meter_may_have_several_modules(tmp_path: Path, line: str, use: str, start: str) -> None:
    name = f"own_{tmp_path.name}".replace("-", "_")
    folder = helped(tmp_path / name, line.format(name=name), use.format(name=name))
    if start:
        (folder / "__init__.py").write_text(start, encoding="utf-8")
    [plugin] = discover([folder], installed=False)
    meter = load_processor(plugin)
    meter.prepare(None)
    meter.process(None)
    assert meter.total == 4.0


def test_two_folders_of_one_name_have_helpers_of_their_own(tmp_path: Path) -> None:
    folders = [helped(tmp_path / place / "same_name", "from . import helper") for place in ("a", "b")]
    (folders[1] / "helper.py").write_text("GAIN = 5.0\n", encoding="utf-8")
    totals = []
    for folder in folders:
        [plugin] = discover([folder], installed=False)
        meter = load_processor(plugin)
        meter.prepare(None)
        meter.process(None)
        totals.append(meter.total)
    assert totals == [4.0, 5.0]


def test_a_folder_hides_no_library_of_its_name(tmp_path: Path) -> None:
    [plugin] = discover([write_meter(tmp_path / "colorsys", "own")], installed=False)
    load_processor(plugin)
    import colorsys

    assert colorsys.rgb_to_yiq(0.0, 0.0, 0.0) == (0.0, 0.0, 0.0)


def test_a_helper_imported_as_if_it_were_installed_names_the_fix(tmp_path: Path) -> None:
    [plugin] = discover([helped(tmp_path / "own", "import helper")], installed=False)
    with pytest.raises(ImportError, match=r"write “from \. import helper”"):
        load_processor(plugin)
    assert "helper" not in sys.modules
