#!/usr/bin/env bash
# Set up whatever is missing on this machine, then run `earwitness` with the arguments given.
set -euo pipefail
root=$(dirname "$(dirname "$(readlink -f "${BASH_SOURCE[0]}")")")
. "$root/meter/setup.sh"

need_system_packages "${RUN_PACKAGES[@]}"
need_environment "$root" requirements.lock
exec "$root/.venv/bin/earwitness" "$@"
