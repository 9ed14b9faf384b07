#!/usr/bin/env bash
# Set up whatever is missing on this machine, then run every check: format, lint, types, and the whole test suite.
# `tests/run.sh --quick` runs the checks and the quick tests only. Other arguments go to pytest:
# `tests/run.sh tests/dsp -k loudness`.
set -euo pipefail
root=$(dirname "$(dirname "$(readlink -f "${BASH_SOURCE[0]}")")")
. "$root/meter/setup.sh"

if pipewire_excludes_pulseaudio; then
  echo "PipeWire is the sound system here, and the server that the live tests start would push it out: they are skipped." >&2
else
  TEST_PACKAGES+=(pulseaudio)
  export EARWITNESS_REQUIRE_LIVE=1
fi
need_system_packages "${RUN_PACKAGES[@]}" "${TEST_PACKAGES[@]}"
need_environment "$root" requirements.lock tests/requirements.lock
cd "$root"
# As the program itself sets it: threaded sums fight over busy cores and make the suite several times slower.
export OPENBLAS_NUM_THREADS=1
.venv/bin/ruff check .
.venv/bin/ruff format --check --quiet . || { echo "Run: .venv/bin/ruff format ." >&2; exit 1; }
.venv/bin/mypy
workers=(-n logical --maxprocesses 4 --dist loadfile)
if [ "${1:-}" = --quick ]; then
  # No window, no sound server, no child process: what is quick enough to run after each change.
  exec .venv/bin/pytest "${workers[@]}" tests/test_layers.py tests/dsp/{core,exposure,level,peak,spectrum,stereo} \
    tests/meter/plugin tests/meter/test_*.py
fi
[ $# = 0 ] || exec .venv/bin/pytest "$@"
outcome=0
.venv/bin/pytest "${workers[@]}" --durations 20 --ignore tests/live || outcome=$?
# One after the other: they listen in real time, and load the cores themselves where that matters.
.venv/bin/pytest --durations 20 tests/live || outcome=$?
exit "$outcome"
