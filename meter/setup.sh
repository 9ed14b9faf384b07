# Shared by meter/start.sh and tests/run.sh: system libraries by apt, the Python environment from the lock files.
# Quick when all is there: one dpkg question and one comparison of a checksum.

# PortAudio for devices, PulseAudio's ALSA plugin and pactl for what plays on an output, and what Qt loads on X11.
RUN_PACKAGES=(
  libportaudio2 libasound2-plugins pulseaudio-utils
  libegl1 libgl1 libfontconfig1 libdbus-1-3 libxkbcommon-x11-0 libxcb-cursor0 libxcb-icccm4 libxcb-image0
  libxcb-keysyms1 libxcb-randr0 libxcb-render-util0 libxcb-shape0 libxcb-sync1 libxcb-xfixes0 libxcb-xkb1
  fonts-dejavu-core
)
# A private audio server, a virtual screen, and libraries that the tests compare with.
TEST_PACKAGES=(pulseaudio xvfb xauth libebur128-1 fluidsynth timgm6mb-soundfont)
MISSING_PART=3
OLDEST_PYTHON=11
NEWEST_PYTHON=13

stop_with() {
  printf '%s\n' "$1" >&2
  exit "$MISSING_PART"
}

missing_packages() {
  local package
  for package in "$@"; do
    [ "$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null)" = installed ] || printf '%s ' "$package"
  done
}

# Installs what is missing where that is allowed, else says the exact line and stops.
need_system_packages() {
  if ! command -v dpkg-query >/dev/null; then
    command -v "$(find_python)" >/dev/null && return 0
    stop_with "This is not Debian or Ubuntu; install Python 3.$OLDEST_PYTHON to 3.$NEWEST_PYTHON and PortAudio, then run this again."
  fi
  local wanted missing line
  wanted=("$@")
  find_python >/dev/null || wanted+=(python3)
  python_makes_environments || wanted+=(python3-venv)
  missing=$(missing_packages "${wanted[@]}")
  [ -n "$missing" ] || return 0
  line="apt-get install -y --no-install-recommends ${missing% }"
  if [ "$(id -u)" = 0 ]; then
    install_packages "" "$line"
  elif command -v sudo >/dev/null && { sudo -n true 2>/dev/null || [ -t 0 ]; }; then
    install_packages sudo "$line"
  else
    stop_with "Some system packages are missing. Run: sudo $line"
  fi
}

install_packages() {
  printf 'Installing system packages: %s\n' "${2##*recommends }" >&2
  # shellcheck disable=SC2086  # the words of the line are meant to be split
  { $1 apt-get update -qq && DEBIAN_FRONTEND=noninteractive $1 $2; } >&2 \
    || stop_with "The system packages could not be installed. Run: sudo $2"
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

# The environment is made anew for another Python, and brought up to date when a lock file or pyproject.toml changes.
# The first file is the lock of the program itself; those after it come on top.
need_environment() {
  local root=$1 program_stamp full_stamp python file files=()
  shift
  cd "$root"
  program_stamp=.venv/ready-$(stamp_of "$1")
  full_stamp=.venv/ready-$(stamp_of "$@")
  [ -f "$full_stamp" ] && return 0
  python=$(find_python) || stop_with "Python 3.$OLDEST_PYTHON to 3.$NEWEST_PYTHON is needed; install one of them, then run this again."
  printf 'Setting up the Python environment in .venv\n' >&2
  { [ -x .venv/bin/python ] && python_fits .venv/bin/python; } || "$python" -m venv --clear .venv
  for file in "$@"; do files+=(-r "$file"); done
  { .venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes "${files[@]}" \
      && .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .; } >&2 \
    || stop_with "The Python packages could not be installed; check the network connection, then run this again."
  rm -f .venv/ready-*
  touch "$program_stamp" "$full_stamp"
}

stamp_of() {
  cat pyproject.toml "$@" | sha256sum | cut -d' ' -f1
}
