"""From a request to a source, each kind imported only when it is asked for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from meter.audio.open import KINDS, make_source
from meter.audio.source import Source, SourceError, SourceRequest


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_makes_a_source_with_the_whole_contract(kind: str) -> None:
    source: Source = make_source(SourceRequest(kind))
    for method in ("open", "start", "stop", "ended", "fault", "statistics"):
        assert callable(getattr(source, method))
    assert source.fault() == ""
    source.stop()  # before it was ever opened


def test_an_unknown_kind_names_those_there_are() -> None:
    with pytest.raises(SourceError, match="no kind of source called 'radio'; choose device, monitor, file"):
        make_source(SourceRequest("radio"))


def test_a_file_is_opened_without_portaudio_or_the_sound_server(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros((10, 1)), 48_000)
    script = (
        "import sys; sys.modules['sounddevice'] = None; from meter.audio.open import make_source;"
        "from meter.audio.source import SourceRequest;"
        "print(make_source(SourceRequest('file', sys.argv[1])).open().channels, 'meter.audio.pulse' in sys.modules)"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, timeout=60, check=True
    )
    assert answer.stdout.split() == ["1", "False"]
