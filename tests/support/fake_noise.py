"""A child that answers as the noise player does and makes no sound; what it was told goes to a file.

python tests/support/fake_noise.py FILE [--ends SENTENCE | --crash | --deaf] arguments of the noise player
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

OUTPUTS = [
    {"kind": "sink", "name": "front", "label": "Front Room", "host_api": "", "rate_hz": 48_000},
    {"kind": "device", "name": "Interface", "label": "Interface", "host_api": "ALSA", "rate_hz": 44_100},
]


def say(message: dict[str, object]) -> None:
    print(json.dumps(message), flush=True)


def main() -> int:
    log, words = Path(sys.argv[1]), sys.argv[2:]
    if "--list" in words:
        say({"outputs": OUTPUTS, "missing": []})
        return 0
    with log.open("a") as file:
        file.write(" ".join(words) + "\n")
        file.flush()
        if "--crash" in words:
            return 1
        if "--ends" in words:
            say({"say": "ended", "sentence": words[words.index("--ends") + 1]})
            return 0
        print("not JSON", flush=True)
        say({"say": "level", "dbfs_rms": -50.0, "rising": True})
        for line in sys.stdin:
            word = line.strip()
            file.write(word + "\n")
            file.flush()
            if word == "hold":
                say({"say": "level", "dbfs_rms": -40.0, "rising": False})
            if word == "stop" and "--deaf" not in words:
                say({"say": "ended", "sentence": ""})
                return 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
