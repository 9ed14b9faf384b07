"""Damage to good files: bytes of any file, words of a text file, cells of a database. Seeded."""

from __future__ import annotations

import contextlib
import re
import sqlite3
import struct
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

VALUES = [
    "1e999", "-1e999", "nan", "-inf", "9223372036854775808", "-9223372036854775809", "1" * 400, "1" * 5000, "0",
    "-1", "1e-320", "true", "null", '""', '"\\u0000"', '"\\ud800"', '"\\u202e"', '"a\\nb"', "[]", "{}", "[[]]",
    "[" * 3000, "{" * 3000, '{"a":' * 3000, "2026-11-28", "07:32:00", "'''", '"""', '"' + "x" * 70_000 + '"',
    '"/proc/self/mem"', '"../../../../etc/passwd"', '"~root"', '"%s%n"', "0x7fffffff", "[1, 2, 3]",
    '["' + "é" * 50 + '"]', "1.7976931348623157e308", "4294967296", '"\x7f"', '"os:system"', "'a b'",
]  # fmt: skip
"""Values that a reader of settings, presets, manifests and maps may be given in the place of a good one."""
KEYS = [
    "version",
    "id",
    "a.b.c",
    '"\\u0000"',
    "''",
    "x" * 70_000,
    "__class__",
    "[x]",
    "[[x]]",
    "name",
    "é",
    '"a\\nb"',
]
BYTES = [0x00, 0xFF, 0x7F, 0x80, 0x0A, 0x22, 0x5B, 0x7B]
NUMBERS = [0, 1, -1, 2**15, 2**16 - 1, 2**31 - 1, 2**31, 2**32 - 1, 2**63 - 1]
VALUE = re.compile(rb"(?<=[=:])\s*[^\n,;]+")
KEY = re.compile(rb'(?m)(?<![^\s{,\[])"?[A-Za-z_][\w-]*"?(?=\s*[=:])')

Damage = Callable[[Random, bytes, Sequence[bytes]], bytes]


def _place(chance: Random, data: bytes) -> int:
    """A place in the file; every other time near its beginning, where headers are."""
    if not data:
        return 0
    return chance.randrange(min(len(data), 200) if chance.random() < 0.5 else len(data))


def flip(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Change some bits."""
    changed = bytearray(data or b"\0")
    for _ in range(chance.choice([1, 1, 2, 8, 64])):
        changed[_place(chance, changed)] ^= 1 << chance.randrange(8)
    return bytes(changed)


def overwrite(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Put the same byte, or random ones, over a stretch."""
    at, length = _place(chance, data), chance.choice([1, 2, 4, 16, 300])
    fill = bytes([chance.choice(BYTES)]) * length if chance.random() < 0.5 else chance.randbytes(length)
    return data[:at] + fill + data[at + length :]


def number(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Put an extreme binary number over 2, 4 or 8 bytes."""
    form = chance.choice(["<H", ">H", "<I", ">I", "<Q", ">Q"])
    size = struct.calcsize(form)
    packed = struct.pack(form, chance.choice(NUMBERS) % 2 ** (8 * size))
    at = _place(chance, data)
    return data[:at] + packed + data[at + size :]


def cut(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Leave the end off, or a piece of the middle."""
    at = _place(chance, data)
    return data[:at] if chance.random() < 0.5 else data[:at] + data[at + chance.choice([1, 4, 50]) :]


def repeat(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Have a piece twice, or many times."""
    at, length = _place(chance, data), chance.choice([1, 8, 100])
    return data[:at] + data[at : at + length] * chance.choice([2, 2, 300]) + data[at + length :]


def splice(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """The beginning of one file and the end of another."""
    other = chance.choice(others)
    return data[: _place(chance, data)] + other[_place(chance, other) :]


def value(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Replace a value of a text."""
    return _replaced(chance, data, VALUE, b" " + chance.choice(VALUES).encode())


def key(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Replace a key of a text."""
    return _replaced(chance, data, KEY, chance.choice(KEYS).encode())


def line(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Have a line of a text twice, elsewhere, or not at all."""
    lines = data.split(b"\n")
    taken = lines.pop(chance.randrange(len(lines)))
    for _ in range(chance.randrange(3)):
        lines.insert(chance.randrange(len(lines) + 1), taken)
    return b"\n".join(lines)


def _replaced(chance: Random, data: bytes, what: re.Pattern[bytes], by: bytes) -> bytes:
    found = list(what.finditer(data))
    if not found:
        return data + by
    place = chance.choice(found)
    return data[: place.start()] + by + data[place.end() :]


OF_BYTES: list[Damage] = [flip, overwrite, number, cut, repeat, splice]
OF_TEXT: list[Damage] = [value, value, value, key, line, line, *OF_BYTES]


def damaged(chance: Random, good: Sequence[bytes], kinds: Sequence[Damage]) -> bytes:
    """One of the good files with one to three damages."""
    data = chance.choice(good)
    for _ in range(chance.choice([1, 1, 1, 2, 3])):
        with contextlib.suppress(ValueError):  # some damage needs a file that is still whole
            data = chance.choice(kinds)(chance, data, good)
    return data


CELLS = [
    None, 0, -1, 2**62, 2**63 - 1, -(2**63), 1e308, float("inf"), "", "\0", "x" * 70_000, b"", b"\xff\xfe",
    b"x" * 70_000, "é\n", -1e308, 1_764_288_000,
]  # fmt: skip


def damage_rows(chance: Random, path: Path) -> None:
    """Put cells of another type or size into a SQLite file, as far as its own rules let them in."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        connection.execute("PRAGMA ignore_check_constraints = ON")
        for _ in range(chance.choice([1, 2, 5])):
            if not tables:
                return
            table = chance.choice(tables)
            columns = [row[1] for row in connection.execute(f'PRAGMA table_info("{table}")')]
            if not columns:
                continue
            words, value = _statement(chance, table, chance.choice(columns))
            with contextlib.suppress(sqlite3.Error, OverflowError):
                connection.execute(words, value)
    finally:
        connection.close()


def _statement(chance: Random, table: str, column: str) -> tuple[str, tuple[object, ...]]:
    match chance.randrange(8):
        case 0:
            return f'DELETE FROM "{table}"', ()
        case 1:
            return f'DROP TABLE "{table}"', ()
        case 2:
            return f"PRAGMA user_version = {chance.choice([-1, 0, 1, 99, 2**31 - 1])}", ()
        case 3:
            return f'ALTER TABLE "{table}" DROP COLUMN "{column}"', ()
        case _:
            return f'UPDATE OR REPLACE "{table}" SET "{column}" = ?', (chance.choice(CELLS),)
