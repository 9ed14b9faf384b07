"""Presets: what ships is whole; what cannot be used is one sentence with file, line and fix; the others are read."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from meter.alignments import ALIGNMENTS, Alignment, find_alignments
from meter.exposure_rules import EXPOSURE_RULES
from meter.gui.page.layout import PAGES
from meter.preset_files import (
    MAX_FILE_BYTES,
    MOST_FILES,
    Kind,
    PresetError,
    file_name,
    find_presets,
    our_folder,
    read_preset,
)

KINDS: tuple[Kind[Any], ...] = (PAGES, EXPOSURE_RULES, ALIGNMENTS)
ONE = 'kind = "alignment"\nversion = 1\nname = "low"\nlevel_dbfs = -21.0\nsource = "Our own choice."\n'


def write(folder: Path, text: str | bytes, name: str = "low") -> Path:
    path = folder / "alignments" / f"{name}.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.folder)
def test_every_preset_that_ships_is_valid_and_named_for_import(kind: Kind[Any]) -> None:
    found = find_presets(kind, None)
    assert found.presets
    assert not found.sentences
    for name, preset in found.presets.items():
        assert not preset.own
        assert file_name(name) == name


def test_the_alignments_come_from_the_highest_down() -> None:
    alignments, sentences = find_alignments()
    assert [each.level_dbfs for each in alignments] == [-14.0, -16.0, -18.0, -20.0, -24.0]
    assert not sentences


def test_an_alignment_of_the_user_joins_ours_and_takes_the_place_of_one_with_its_level(tmp_path: Path) -> None:
    write(tmp_path, ONE)
    write(tmp_path, ONE.replace("-21.0", "-18.0").replace("low", "our desk"), "desk")
    alignments, sentences = find_alignments(tmp_path)
    assert [(each.name, each.level_dbfs) for each in alignments][2:5] == [
        ("our desk", -18.0),
        ("−20 dBFS, SMPTE RP 155", -20.0),
        ("low", -21.0),
    ]
    assert not sentences


BROKEN = {
    "no kind": (ONE.partition("\n")[2], 1, 'write kind = "alignment" first.'),
    "another kind": (ONE.replace('"alignment"', '"page"'), 1, "its kind is 'page', and 'alignment' is wanted here."),
    "no version": (ONE.replace("version = 1\n", ""), 1, "write version = 1 below its kind."),
    "newer": (ONE.replace("version = 1", "version = 2"), 2, "this program reads up to 1; update the program."),
    "version in words": (ONE.replace("version = 1", 'version = "1"'), 2, "its version is '1'; write version = 1."),
    "version of truth": (ONE.replace("version = 1", "version = true"), 2, "its version is True; write version = 1."),
    "unknown key": (f'{ONE}colour = "red"\n', 6, "unknown field `colour`; fix or remove it."),
    "code": (f'{ONE}processor = "os:system"\n', 6, "unknown field `processor`; fix or remove it."),
    "bad value": (ONE.replace("-21.0", "3.0"), 4, "Expected `float` <= 0.0; fix or remove it."),
    "no number": (ONE.replace("-21.0", "nan"), 4, "; fix or remove it."),
    "words for a number": (ONE.replace("-21.0", '"low"'), 4, "Expected `float`, got `str`; fix or remove it."),
    "not TOML": (f"{ONE}level", 6, "; fix or remove it."),
    "twice": (f"{ONE}name = 'x'\n", 6, "Cannot overwrite a value; fix or remove it."),
    "a number of 5,000 digits": (f"{ONE}x = {'9' * 5_000}\n", 0, "; fix or remove it."),
    "nested": (f"{ONE}x = {'[' * 5_000}", 0, "; fix or remove it."),
    "a key of two lines": (f'{ONE}"a\\nb" = 1\n', 0, "unknown field `a\\nb`; fix or remove it."),
}


@pytest.mark.parametrize("case", BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_preset_is_one_sentence_with_file_line_and_fix(tmp_path: Path, case: tuple[str, int, str]) -> None:
    text, line, words = case
    path = write(tmp_path, text)
    with pytest.raises(PresetError) as refusal:
        read_preset(path, ALIGNMENTS)
    sentence = str(refusal.value)
    assert sentence.startswith(f"{path}, line {line}: " if line else f"{path}")
    assert sentence.endswith(words)
    assert sentence.isprintable()
    assert len(sentence) < len(str(path)) + 400
    alignments, sentences = find_alignments(tmp_path)
    assert (alignments, sentences) == (find_alignments()[0], [sentence])


def test_lines_are_those_of_the_file_though_a_comment_holds_odd_breaks(tmp_path: Path) -> None:
    path = write(tmp_path, f"# one\u2028line\n{ONE.replace('-21.0', '3.0')}")
    with pytest.raises(PresetError, match=r"low\.toml, line 5: "):
        read_preset(path, ALIGNMENTS)


def test_what_is_no_readable_file_is_named(tmp_path: Path) -> None:
    for content, words in (
        (b"\n\xff", "line 2: this is not UTF-8 text"),
        (b"#" * (MAX_FILE_BYTES + 1), "far too large"),
    ):
        with pytest.raises(PresetError, match=words):
            read_preset(write(tmp_path, content), ALIGNMENTS)
    folder = tmp_path / "alignments"
    (folder / "folder.toml").mkdir()
    os.mkfifo(folder / "pipe.toml")
    (folder / "ring.toml").symlink_to(folder / "ring.toml")
    (folder / "zero.toml").symlink_to("/dev/zero")
    write(tmp_path, ONE)
    alignments, sentences = find_alignments(tmp_path)
    assert -21.0 in [each.level_dbfs for each in alignments], "the file beside them is read"
    for name in ("folder", "pipe", "ring", "zero"):
        assert any(f"/{name}.toml cannot be read" in said for said in sentences)
    with pytest.raises(PresetError, match="cannot be read"):
        read_preset(tmp_path / "gone.toml", ALIGNMENTS)
    with pytest.raises(PresetError, match="cannot be read"):
        read_preset(tmp_path / "nul\0.toml", ALIGNMENTS)


def test_a_folder_of_thousands_is_read_in_part_and_one_that_is_a_file_is_named(tmp_path: Path) -> None:
    for number in range(MOST_FILES + 1):
        write(tmp_path, ONE, f"low_{number:04}")
    write(tmp_path, "left by an editor", ".low.toml")
    found = find_presets(ALIGNMENTS, tmp_path)
    assert len(found.presets) == len(find_presets(ALIGNMENTS, None).presets) + MOST_FILES
    words = f"holds {MOST_FILES + 1} presets; only the first {MOST_FILES} are read."
    assert found.sentences == [f"{tmp_path / 'alignments'} {words}"]
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "alignments").write_text("")
    assert "cannot be read (Not a directory)" in find_presets(ALIGNMENTS, tmp_path / "other").sentences[0]


def test_presets_hold_data_only() -> None:
    for kind in KINDS:
        assert not [path for path in our_folder(kind).iterdir() if path.suffix != ".toml"]
        assert not {"processor", "face", "function", "command", "path"} & set(kind.type.__struct_fields__)
    assert Alignment.__struct_config__.forbid_unknown_fields
