"""From sound to CSV: what the engine measured and the exposure record counted is what the rows add up to."""

from __future__ import annotations

import csv
import json
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from dsp.exposure.exposure import Rule
from meter.audio.script import Lost, Samples
from meter.cli import main
from meter.engine.recorder import Recorder
from meter.exposure_rules import default_rule
from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.exposure_recorder import ExposureRecorder
from meter.logbook.exposure_summary import summarise
from meter.logbook.store import logbook_folder, logbook_path, open_store
from tests.support.day_records import METERS, RATE_HZ, Recorded
from tests.support.ledgers import ME, NOON, DirectLine, FakeTime

SECONDS = 25.0
OFFSET_DB = 115.0
"""Loud enough for shares that do not round to nothing."""


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setattr("meter.engine.recorder.HEARD_KINDS", {"script"})  # which is no listening otherwise
    yield
    monkeypatch.undo()
    time.tzset()


def music(seconds: float, seed: int) -> Samples:
    """Noise that goes up and down over 50 dB, so that both gates have something to leave out."""
    level_db = -35.0 + 25.0 * np.sin(np.arange(round(seconds * RATE_HZ)) / RATE_HZ * 0.7)
    noise = np.random.default_rng(seed).standard_normal((len(level_db), 2)) * 10.0 ** (level_db[:, None] / 20.0)
    return Samples(np.clip(noise * 0.25, -1.0, 1.0).astype(np.float32))


def test_csv_adds_up_to_what_was_measured_and_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    clocks = FakeTime(NOON)
    rule = default_rule()
    line = DirectLine(ExposureRecorder(partial(open_store, logbook_path()), clocks.clock()))
    bench = Recorded(
        logbook_folder(), music(13.3, 1), Lost(3000), music(60.0, 2),
        plugins=[METERS[name] for name in ("loudness", "peaks", "listening")],
        time=clocks, recorder=Recorder(line, clocks.clock()),
    )  # fmt: skip
    bench.engine.configure("listening", {"calibrated": True, "offset_db": OFFSET_DB, **rule.settings})
    frame = bench.run(SECONDS)
    bench.close()
    counted = share_counted(clocks, rule.rule)
    assert counted > 0.5

    assert main(["log", "--since", "2026-03-04", "--csv", str(tmp_path / "day.csv")]) == 0
    rows = list(csv.DictReader((tmp_path / "day.csv").read_text(encoding="utf-8").splitlines()))
    cells = [cell for row in rows for name, cell in row.items() if name.startswith("loudness.blocks_")]
    blocks = np.array([float(cell) for cell in cells if cell])
    above = blocks[blocks > -70.0]
    gate = 10.0 * np.log10(np.mean(10.0 ** (above / 10.0))) - 10.0
    loudness = 10.0 * np.log10(np.mean(10.0 ** (above[above > gate] / 10.0)))
    assert loudness == pytest.approx(frame.number("loudness.integrated"), abs=0.01)
    levels = np.array([float(row["listening.seat_second_dba"]) for row in rows if row["listening.seat_second_dba"]])
    allowed = rule.criterion_hours * 3600.0 * 10.0 ** ((rule.criterion_db - levels) / 10.0)
    assert float(np.sum(100.0 / allowed)) == pytest.approx(counted, rel=0.002)

    capsys.readouterr()
    assert main(["log", "--since", "2026-03-04", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["feeds"]["mix"]["integrated_lufs"] == pytest.approx(loudness, abs=0.001)
    assert told["listening"]["share_percent"] == pytest.approx(counted, abs=0.051)


def share_counted(clocks: FakeTime, rule: Rule) -> float:
    """Per cent of the rule's allowance by the exposure record, which counts on its own."""
    ledger = ExposureRecord(open_store(logbook_path()), clocks.clock())
    summary = summarise(ledger, ME, rule, clocks.wall - 1, 0, count_gaps=False)
    ledger.close()
    return summary.share
