"""The exposure rules that ship load, say where they come from, and the most protective is the default."""

from __future__ import annotations

from pathlib import Path

import pytest

from meter.exposure_rules import ExposureRuleError, default_rule, load_rules, read_rule, rules_folder
from meter.plugin.host import discover

GOOD = (rules_folder() / "niosh_98_126.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("path", list(rules_folder().iterdir()), ids=lambda path: path.name)
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
    ("text", "words"),
    [
        (GOOD.replace("85.0", "nan"), "criterion_db"),
        (GOOD.replace("85.0", '"loud"'), "criterion_db"),
        (GOOD.replace("8.0", "0.0"), "criterion_hours"),
        (GOOD.replace('"day"', '"month"'), "period"),
        (GOOD.replace("3.0", "-3.0"), "exchange_db"),
        (GOOD.replace("caution", "advice"), "advice"),
        (GOOD.partition("caution")[0], "caution"),
        ("name = ", "not a valid exposure rule"),
        ("", "name"),
    ],
)
def test_a_broken_rule_is_refused_in_one_sentence(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ExposureRuleError) as refusal:
        load_rules(tmp_path)
    sentence = str(refusal.value)
    assert "mine.toml" in sentence
    assert words in sentence
    assert sentence.endswith("fix or remove it.")
    assert "\n" not in sentence


def test_what_is_not_text_or_not_there_is_named(tmp_path: Path) -> None:
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ExposureRuleError, match=r"bytes\.toml is not UTF-8 text"):
        load_rules(tmp_path)
    with pytest.raises(ExposureRuleError, match=r"gone\.toml cannot be read"):
        read_rule(tmp_path / "gone.toml")
    with pytest.raises(ExposureRuleError, match="cannot be read"):
        load_rules(tmp_path / "nowhere")


def test_two_rules_of_one_name_and_an_empty_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ExposureRuleError, match="no exposure rule"):
        load_rules(tmp_path)
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).write_text(GOOD, encoding="utf-8")
    with pytest.raises(ExposureRuleError, match=r"b\.toml has the same name as another rule"):
        load_rules(tmp_path)


def test_a_rule_nested_without_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "deep.toml"
    path.write_text("x = " + "[" * 5_000 + "]" * 5_000, encoding="utf-8")
    with pytest.raises(ExposureRuleError, match="not a valid exposure rule"):
        read_rule(path)
