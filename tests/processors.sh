#!/usr/bin/env bash
# The arithmetic as other x86-64 processors do it: tests/run.sh --processors [pytest arguments].
# OpenBLAS takes the kernels of the processor named, numpy leaves out instructions that it lacks; both change the order
# of sums. A processor whose instructions this machine lacks cannot be tried here.
set -euo pipefail
cd "$(dirname "$(dirname "$(readlink -f "${BASH_SOURCE[0]}")")")"
export OPENBLAS_NUM_THREADS=1
[ "$(uname -m)" = x86_64 ] || { echo "Only for x86-64; this machine is $(uname -m)." >&2; exit 2; }

# The instruction sets that this numpy chooses from here, newest last; all of them, or those with 512 bits only.
instructions() {
  .venv/bin/python - "$1" <<'EOF'
import sys
from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__
found = [name for name in __cpu_dispatch__ if __cpu_features__.get(name)]
print(*(name for name in found if sys.argv[1] == "all" or name.startswith("AVX512") or name == "X86_V4"))
EOF
}

outcome=0
try() {
  local core=$1 without=$2
  shift 2
  echo "== OpenBLAS for $core; numpy without: ${without:-nothing}"
  OPENBLAS_CORETYPE=$core NPY_DISABLE_CPU_FEATURES=$without \
    .venv/bin/pytest -q -n logical --maxprocesses 4 --dist loadfile "$@" || outcome=1
}

paths=("$@")
[ $# != 0 ] || paths=(tests/dsp tests/published)
wide=$(instructions wide) all=$(instructions all)
try Haswell "$wide" "${paths[@]}"
try Nehalem "$all" "${paths[@]}"
try Prescott "$all" "${paths[@]}"
exit "$outcome"
