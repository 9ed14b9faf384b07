# Shared by meter/start.sh and tests/run.sh: system libraries by apt, the Python environment from the lock files.
# Fast when nothing is missing: one dpkg query and one comparison of a checksum.

# PortAudio for devices, PulseAudio's ALSA plugin and pactl for playback, and the libraries that Qt loads on X11.
RUN_PACKAGES=(
  libportaudio2 libasound2-plugins pulseaudio-utils
  libegl1 libgl1 libfontconfig1 libdbus-1-3 libxkbcommon-x11-0 libxcb-cursor0 libxcb-icccm4 libxcb-image0
  libxcb-keysyms1 libxcb-randr0 libxcb-render-util0 libxcb-shape0 libxcb-sync1 libxcb-xfixes0 libxcb-xkb1
  fonts-dejavu-core
)
# A virtual screen, and libraries that the tests compare with.
TEST_PACKAGES=(xvfb xauth libebur128-1 fluidsynth timgm6mb-soundfont)
MISSING_PART=3
OLDEST_PYTHON=11
NEWEST_PYTHON=13
INTERRUPTED=130
# Another program may hold the package lock, as after a start of the machine.
QUIETLY=(env LC_ALL=C DEBIAN_FRONTEND=noninteractive)
APT=("${QUIETLY[@]}" apt-get -q -o DPkg::Lock::Timeout=120)

# Ctrl-C ends the whole set-up, also when the interrupted command reports an error instead.
end_on_interrupt() {
  trap 'rm -f "${log:-}"; exit "$INTERRUPTED"' INT
}
end_on_interrupt

stop_with() {
  printf '%s\n' "$1" >&2
  exit "$MISSING_PART"
}

# Packages that are not installed for this machine's own architecture (there may be others).
missing_packages() {
  local package own there
  own=$(dpkg --print-architecture)
  there=$(dpkg-query -W -f='<${Package} ${Architecture} ${db:Status-Status}>' "$@" 2>/dev/null || true)
  for package in "$@"; do
    [[ $there == *"<$package $own installed>"* || $there == *"<$package all installed>"* ]] || printf '%s ' "$package"
  done
}

# True where Debian's PulseAudio server, which the live tests start, would replace the sound system in use.
pipewire_excludes_pulseaudio() {
  local absent
  command -v dpkg-query >/dev/null || return 1
  absent=$(missing_packages pulseaudio pipewire-alsa pipewire-audio)
  [[ $absent == *pulseaudio* && $absent != *pipewire-alsa*pipewire-audio* ]]
}

# Installs what is missing where that is allowed, otherwise prints the exact line and stops.
need_system_packages() {
  local wanted=("$@") missing python
  if ! command -v dpkg-query >/dev/null; then
    find_python >/dev/null && return 0
    stop_with "This is not Debian or Ubuntu; install Python 3.$OLDEST_PYTHON to 3.$NEWEST_PYTHON and PortAudio, then run this again."
  fi
  python=$(find_python) || wanted+=(python3)
  python_makes_environments || wanted+=("${python:-python3}-venv")
  read -ra missing <<<"$(missing_packages "${wanted[@]}")"
  [ "${#missing[@]}" = 0 ] || install_packages "${missing[@]}"
}

install_packages() {
  local sudo=() line log install=(install -y --no-install-recommends --no-remove "$@")
  line="apt-get update && apt-get ${install[*]}"
  if [ "$(id -u)" != 0 ]; then
    command -v sudo >/dev/null || stop_with "Some system packages are missing. As root, run: $line"
    sudo=(sudo)
    line="sudo apt-get update && sudo apt-get ${install[*]}"
    sudo -n true 2>/dev/null || [ -t 0 ] || stop_with "Some system packages are missing. Run: $line"
  fi
  printf 'Installing system packages: %s\n' "$*" >&2
  # apt writes to a file, so the question for the password comes first.
  [ "${#sudo[@]}" = 0 ] || sudo -n true 2>/dev/null || sudo -v || stop_with "Some system packages are missing. Run: $line"
  log=$(new_log)
  # Old lists and half-installed packages may still work: apt decides.
  "${sudo[@]}" "${QUIETLY[@]}" dpkg --configure -a </dev/null >"$log" 2>&1 || true
  "${sudo[@]}" "${APT[@]}" update </dev/null >>"$log" 2>&1 || true
  "${sudo[@]}" "${APT[@]}" "${install[@]}" </dev/null >>"$log" 2>&1 \
    || stop_with "The system packages could not be installed ($(apt_reason "$log"); more in $log). Run: $line"
  rm -f "$log"
}

new_log() {
  mktemp "${TMPDIR:-/tmp}/earwitness-setup.XXXXXX"
}

# The most useful line of apt: an unknown package follows from lists that could not be fetched.
apt_reason() {
  {
    grep '^E: ' "$1" | grep -vE 'Unable to locate|no installation candidate' || true
    grep '^W: ' "$1" || true
    grep '^E: ' "$1" || echo "E: apt-get gave no reason"
  } | sed -n 's/^[EW]: *//; s/  */ /g; s/[. ]*$//; 1p'
}

find_python() {
  local minor
  if command -v python3 >/dev/null && python_fits python3; then
    echo python3
    return 0
  fi
  for ((minor = NEWEST_PYTHON; minor >= OLDEST_PYTHON; minor--)); do
    command -v "python3.$minor" >/dev/null && python_fits "python3.$minor" && echo "python3.$minor" && return 0
  done
  return 1
}

python_fits() {
  "$1" -c "import sys; sys.exit(not (3, $OLDEST_PYTHON) <= sys.version_info[:2] <= (3, $NEWEST_PYTHON))" 2>/dev/null
}

python_makes_environments() {
  local python
  python=$(find_python) && "$python" -c 'import ensurepip, venv' 2>/dev/null
}

# need_environment ROOT LOCK [LOCK...]: the first lock file is the program's, the others add to it.
# In a subshell, so that the caller's folder does not change.
need_environment() (
  end_on_interrupt
  cd "$1"
  shift
  environment_is_ready "$@" && return 0
  if command -v flock >/dev/null; then
    exec 9<.
    flock -n 9 || { echo "It is being set up already; waiting for that to end" >&2 && flock 9; }
    environment_is_ready "$@" && return 0
  fi
  make_environment "$@"
)

environment_is_ready() {
  environment_is_whole && [ -f ".venv/ready-$(stamp_of "$@")" ]
}

# The environment is complete, in the same place, and made by the same Python: after a move of the folder or an upgrade
# of the system it cannot start.
environment_is_whole() {
  [ -x .venv/bin/python ] && [ "$(cat .venv/whole 2>/dev/null)" = "$(place)" ]
}

place() {
  printf '%s\n' "$PWD" "$(readlink -f .venv/bin/python)"
}

stamp_of() {
  cat pyproject.toml "$@" | sha256sum | cut -d' ' -f1
}

# Updates a complete environment and replaces any other; the mark of a complete one is written last.
make_environment() {
  local python log file files=()
  for file in "$@"; do files+=(-r "$file"); done
  python=$(find_python) || stop_with "Python 3.$OLDEST_PYTHON to 3.$NEWEST_PYTHON is needed; install one of them, then run this again."
  echo "Setting up the Python environment in .venv; this takes a minute, or some on a slow line" >&2
  log=$(new_log)
  { environment_is_whole && rm .venv/whole .venv/ready-*; } >"$log" 2>&1 || "$python" -m venv --clear .venv >"$log" 2>&1 \
    || stop_with "The Python environment cannot be made in $PWD/.venv ($(tail -n 1 "$log")); fix that, then run this again."
  { install_with_pip --require-hashes "${files[@]}" && install_with_pip --no-deps --no-build-isolation -e .; } >"$log" 2>&1 \
    || stop_with "The Python packages could not be installed ($(pip_reason "$log"); more in $log): check the network connection and the free space, then run this again."
  touch ".venv/ready-$(stamp_of "$1")" ".venv/ready-$(stamp_of "$@")"
  place >.venv/whole
  rm -f "$log"
}

# No questions, since nobody would see them; the user's own pip settings (install for one user) do not fit here.
install_with_pip() {
  PIP_USER=0 .venv/bin/python -m pip install --quiet --no-input --disable-pip-version-check "$@" </dev/null
}

# Without a connection pip continues and ends with the message that no version fits.
pip_reason() {
  if grep -qi 'connection broken' "$1"; then
    echo "the connection to the package index failed"
  else
    grep -E '^(ERROR:|×) ' "$1" | grep -v 'Exception:$' | sed -n '1s/^[^ ]* //p' | grep . || tail -n 1 "$1"
  fi
}
