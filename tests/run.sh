#!/usr/bin/env bash
# Set up whatever is missing on this machine, then run every check: format, lint, types, and the whole test suite.
#   tests/run.sh                everything
#   tests/run.sh --quick        the checks, and the tests that tests/slow.txt does not list
#   tests/run.sh --measure      everything; writes tests/slow.txt (on an idle machine)
#   tests/run.sh --processors   the arithmetic as older processors would do it
#   tests/run.sh ARGUMENTS      goes to pytest: tests/run.sh tests/dsp -k loudness
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
# What one process compiles, the hundreds that the tests start after it only read.
unset PYTHONDONTWRITEBYTECODE

check() {
  .venv/bin/ruff check . &&
    { .venv/bin/ruff format --check --quiet . || { echo "Run: .venv/bin/ruff format ." >&2; false; }; } &&
    .venv/bin/mypy
}
# One more than processors: many tests wait for other processes.
workers=(-n "$(($(nproc) + 1))" --maxprocesses 4 --dist loadfile --no-loadscope-reorder)
measure=()
case "${1:-}" in
  "") ;;
  --measure) measure=(--measure) ;;
  --quick) check && exec .venv/bin/pytest "${workers[@]}" -m "not slow" ;;
  --processors) shift; exec tests/processors.sh "$@" ;;
  *) check && exec .venv/bin/pytest "$@" ;;
esac

# The live tests wait for sound most of the time: they run beside everything else, and go first where both want a core.
live=(--durations 20 tests/live)
said=$(mktemp)
.venv/bin/pytest "${live[@]}" -m "not alone" >"$said" 2>&1 &
listening=$!
trap 'kill "$listening" 2>/dev/null || true; rm -f "$said"' EXIT
check
outcome=0
nice -n 15 .venv/bin/pytest "${workers[@]}" "${measure[@]}" --durations 20 --ignore tests/live || outcome=$?
wait "$listening" || outcome=$?
cat "$said"
# These keep every core busy themselves.
.venv/bin/pytest "${live[@]}" -m alone || outcome=$?
exit "$outcome"
