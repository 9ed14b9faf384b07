"""The exposure rules that ship load, say where they come from, and the most protective is the default."""

from __future__ import annotations

from pathlib import Path

import pytest

from meter.exposure_rules import EXPOSURE_RULES, ExposureRule, default_rule, find_rules, load_rules
from meter.plugin.host import discover
from meter.preset_files import PresetError, our_folder, read_preset

OURS = our_folder(EXPOSURE_RULES)
HEAD = 'kind = "exposure rule"\nversion = 1\n'
GOOD = (OURS / "niosh_98_126.toml").read_text(encoding="utf-8")


def read_rule(path: Path) -> ExposureRule:
    return read_preset(path, EXPOSURE_RULES)


@pytest.mark.parametrize("path", list(OURS.iterdir()), ids=lambda path: path.name)
def test_every_rule_that_ships_loads_with_source_and_caution(path: Path) -> None:
    rule = read_rule(path)
    assert rule.name in load_rules()
    assert rule.rule.criterion_db == rule.criterion_db
    assert rule.source.endswith(".")
    assert rule.caution.endswith(".")
    assert rule.caution.count(".") == 1, "a caution is one sentence"
    assert "safe" not in rule.caution.lower(), "no level is called so"


def test_the_six_rules_are_there_the_most_protective_first() -> None:
    rules = load_rules()
    assert len(rules) == 6
    hours = [rule.weekly_hours for rule in rules.values()]
    assert hours == sorted(hours)
    assert default_rule() is not None
    assert default_rule().criterion_db == 75.0


def test_the_default_rule_is_what_the_listening_meter_starts_with() -> None:
    (manifest,) = (plugin.manifest for plugin in discover() if plugin.id == "listening")
    assert manifest is not None
    defaults = manifest.settings({})
    assert {key: defaults[key] for key in default_rule().settings} == default_rule().settings


@pytest.mark.parametrize("rule", load_rules().values(), ids=lambda rule: rule.name)
def test_the_listening_meter_takes_every_rule(rule: object) -> None:
    (manifest,) = (plugin.manifest for plugin in discover() if plugin.id == "listening")
    assert manifest is not None
    manifest.settings(rule.settings)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (GOOD.replace("85.0", "nan"), 4, "this is not a valid exposure rule"),
        (GOOD.replace("85.0", '"loud"'), 4, "Expected `float`, got `str`"),
        (GOOD.replace("8.0", "0.0"), 5, ">= 0.1"),
        (GOOD.replace('"day"', '"month"'), 6, "month"),
        (GOOD.replace("3.0", "-3.0"), 7, ">= 0.0"),
        (GOOD.replace("caution", "advice"), 10, "unknown field `advice`"),
        (GOOD.partition("caution")[0], 0, "missing required field `caution`"),
        (HEAD + "name = ", 3, "Invalid value"),
        ("", 1, 'write kind = "exposure rule" first'),
    ],
)
def test_a_broken_rule_is_refused_in_one_sentence(tmp_path: Path, text: str, line: int, words: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PresetError) as refusal:
        load_rules(tmp_path)
    sentence = str(refusal.value)
    assert sentence.startswith(f"{path}, line {line}: " if line else f"{path}: ")
    assert words in sentence
    assert sentence.endswith(("fix or remove it.", "first."))
    assert "\n" not in sentence


def test_what_is_not_text_or_not_there_is_named(tmp_path: Path) -> None:
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PresetError, match=r"bytes\.toml, line 1: this is not UTF-8 text"):
        load_rules(tmp_path)
    with pytest.raises(PresetError, match=r"gone\.toml cannot be read"):
        read_rule(tmp_path / "gone.toml")
    with pytest.raises(PresetError, match="cannot be read"):
        load_rules(tmp_path / "nowhere")


def test_two_rules_of_one_name_and_an_empty_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PresetError, match="no exposure rule"):
        load_rules(tmp_path)
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).write_text(GOOD, encoding="utf-8")
    with pytest.raises(PresetError, match=r"b\.toml has the same name as another rule"):
        load_rules(tmp_path)


def test_a_rule_nested_without_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "deep.toml"
    path.write_text("x = " + "[" * 5_000 + "]" * 5_000, encoding="utf-8")
    with pytest.raises(PresetError, match="not a valid exposure rule"):
        read_rule(path)


def own_rule(folder: Path, name: str, text: str) -> Path:
    path = folder / "exposure" / f"{name}.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def test_a_rule_of_the_user_takes_the_place_of_ours_or_stands_beside_them(tmp_path: Path) -> None:
    own_rule(tmp_path, "niosh_98_126", GOOD.replace("NIOSH 98-126", "our room").replace("85.0", "82.0"))
    own_rule(tmp_path, "mine", GOOD.replace("NIOSH 98-126", "mine").replace("85.0", "70.0"))
    rules, sentences = find_rules(tmp_path)
    assert not sentences
    assert len(rules) == len(load_rules()) + 1
    names = [name for name in rules if name.startswith(("NIOSH", "our room", "mine"))]
    assert [name.partition(":")[0] for name in names] == ["mine", "our room"], "and ours is covered"
    assert default_rule().name in rules, "the default is one that comes with the program"


def test_a_broken_rule_of_the_user_is_named_and_ours_counts(tmp_path: Path) -> None:
    path = own_rule(tmp_path, "niosh_98_126", GOOD.replace("8.0", "-1.0"))
    twice = own_rule(tmp_path, "copy", (OURS / "osha_1910_95_hearing_conservation.toml").read_text(encoding="utf-8"))
    rules, sentences = find_rules(tmp_path)
    assert rules == load_rules()
    assert sentences[0].startswith(f"{path}, line 5: ")
    assert sentences[1].startswith(f"{twice} has the same name as another rule")
