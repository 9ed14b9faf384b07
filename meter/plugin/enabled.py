"""Which meters by others may run: what the user enabled, kept in one JSON file beside the settings.

A meter is known by its folder, its package and its version. When one of them changes, it does not run until the user
enables it again. A face that ended or froze a window is left out in the same way.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

import msgspec

from meter.whole_file import move_aside, plain_words, read_limited, write_whole

FILE_NAME = "enabled_meters.json"
MAX_FILE_BYTES = 1_000_000
NUL = "\0"


class EnabledError(OSError):
    """What is enabled cannot be written; the text is one sentence."""


class Identity(msgspec.Struct, frozen=True):
    """One meter as it was when the user enabled it: absolute folder, version, and package where it is installed."""

    folder: str
    version: str
    package: str = ""

    def same_meter(self, other: Identity) -> bool:
        """True for any version of the same meter."""
        return (self.folder, self.package) == (other.folder, other.package)


class SetAside(msgspec.Struct, frozen=True):
    """A meter that was set aside: its id, the sentence that says why, and whether an engine ended or hung with it."""

    identity: Identity
    meter: str
    why: str
    ended_engine: bool = False


class Enabled(msgspec.Struct, frozen=True):
    """``meters`` may run; the face of one in ``faces_left_out`` is not loaded, with the sentence that says why.

    ``set_aside`` has the meters that failed in the last run, enabled or named on the command line.
    """

    meters: tuple[Identity, ...] = ()
    faces_left_out: tuple[tuple[Identity, str], ...] = ()
    set_aside: tuple[SetAside, ...] = ()

    def allows(self, identity: Identity) -> bool:
        """True when this very version was enabled."""
        return identity in self.meters

    def knows(self, identity: Identity) -> bool:
        """True when some version of this meter was enabled."""
        return any(known.same_meter(identity) for known in self.meters)

    def face_fault(self, identity: Identity) -> str:
        """Why the face of this version is left out, or an empty string."""
        return next((why for known, why in self.faces_left_out if known == identity), "")

    def why_set_aside(self, identity: Identity) -> str:
        """Why this version was set aside in the last run, or an empty string."""
        return next((entry.why for entry in self.set_aside if entry.identity == identity), "")

    def folders(self) -> list[Path]:
        """Folders of enabled meters that are no installed packages."""
        return [Path(known.folder) for known in self.meters if not known.package]

    def with_meter(self, identity: Identity) -> Enabled:
        """With this version enabled in the place of any other, its face as well."""
        kept = self.without(identity)
        return Enabled((*kept.meters, identity), kept.faces_left_out, kept.set_aside)

    def without(self, identity: Identity) -> Enabled:
        """With no version of this meter."""
        return Enabled(
            tuple(known for known in self.meters if not known.same_meter(identity)),
            tuple(entry for entry in self.faces_left_out if not entry[0].same_meter(identity)),
            tuple(entry for entry in self.set_aside if not entry.identity.same_meter(identity)),
        )

    def without_face(self, identity: Identity, why: str) -> Enabled:
        """With the face of this version left out."""
        others = tuple(entry for entry in self.faces_left_out if not entry[0].same_meter(identity))
        return Enabled(self.meters, (*others, (identity, why)), self.set_aside)

    def with_set_aside(self, entries: tuple[SetAside, ...]) -> Enabled:
        """With these meters set aside, and no others."""
        return Enabled(self.meters, self.faces_left_out, entries)


NOTHING_ENABLED = Enabled()


def read_enabled(path: Path) -> tuple[Enabled, str]:
    """What ``path`` says, and one sentence when the file is unusable; then nothing is enabled. Never raises."""
    try:
        if path.exists() and not path.is_file():
            return Enabled(), f"{path} is not an ordinary file, so no meter by others runs; remove it."
        text = read_limited(path, MAX_FILE_BYTES)
        if len(text) > MAX_FILE_BYTES:
            raise msgspec.DecodeError("it is far too large")
        found = msgspec.json.decode(text, type=Enabled)
        if any(NUL in part for known in found.meters for part in (known.folder, known.package)):
            raise ValueError("a folder in it holds a NUL character")
        return found, ""
    except FileNotFoundError:
        return Enabled(), ""
    except OSError as error:
        return Enabled(), f"{path} cannot be read ({error.strerror}), so no meter by others runs; fix its rights."
    except (ValueError, msgspec.DecodeError, RecursionError) as error:
        reason = plain_words(error)
        with contextlib.suppress(OSError, ValueError):
            move_aside(path)
        return Enabled(), f"{path} is unusable ({reason}), so no meter by others runs; enable them again."


def write_enabled(enabled: Enabled, path: Path) -> None:
    """Write the file whole or not at all; raises EnabledError."""
    text = msgspec.json.format(msgspec.json.encode(enabled), indent=2)
    try:
        write_whole(path, text)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise EnabledError(f"{path} cannot be written ({reason}); check that the folder is writable.") from error
