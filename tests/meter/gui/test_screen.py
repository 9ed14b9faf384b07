"""The window at another scale, and on a real X server: what cannot be tried in the process of the tests."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]


def look(tmp_path, *before, **environment):
    command = [*before, sys.executable, "-m", "tests.support.window_picture", str(tmp_path / "page.png")]
    done = subprocess.run(
        command, cwd=ROOT, env={**os.environ, **environment}, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_the_page_at_two_scales(tmp_path, scale):
    seen = look(tmp_path, QT_QPA_PLATFORM="offscreen", QT_SCALE_FACTOR=str(scale))
    assert (seen["width"], seen["height"]) == (1280 * scale, 800 * scale)
    assert set(seen["stills"]) == {scale}
    assert seen["faults"] == {}
    assert seen["cut_off"] == []
    assert (tmp_path / "page.png").stat().st_size > 20_000


@pytest.mark.screen
@pytest.mark.skipif(shutil.which("xvfb-run") is None, reason="needs Xvfb")
def test_the_window_on_an_x_server(tmp_path):
    server = ["xvfb-run", "-a", "-s", "-screen 0 1600x1000x24"]
    seen = look(tmp_path, *server, QT_QPA_PLATFORM="xcb", QT_SCALE_FACTOR="1")
    assert seen["calls"] == [["hold", True]]
    assert seen["on_top_and_visible"]
    assert seen["size_after_on_top"] == [1280, 800]
    assert seen["faults"] == {}
    assert seen["painted_ms"] > 0.0
