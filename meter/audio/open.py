"""Make the source of a request: the one module that imports every kind."""

from __future__ import annotations

from collections.abc import Callable

from meter.audio.source import Source, SourceError, SourceRequest


def make_source(request: SourceRequest) -> Source:
    """A source for ``request``, not opened yet. Raises SourceError for an unknown kind.

    Each kind is imported on request: a headless measurement needs no PortAudio.
    """
    maker = _MAKERS.get(request.kind)
    if maker is None:
        raise SourceError(f"There is no kind of source called '{request.kind}'; choose {', '.join(KINDS)}.")
    return maker(request)


def _device(request: SourceRequest) -> Source:
    from meter.audio.device import DeviceSource

    return DeviceSource(request)


def _monitor(request: SourceRequest) -> Source:
    from meter.audio.monitor import MonitorSource

    return MonitorSource(request)


def _file(request: SourceRequest) -> Source:
    from meter.audio.file import FileSource

    return FileSource(request)


def _demo(request: SourceRequest) -> Source:
    from meter.audio.demo import DemoSource

    return DemoSource(request)


def _script(request: SourceRequest) -> Source:
    from meter.audio.script import ScriptedSource

    return ScriptedSource.from_request(request)


_MAKERS: dict[str, Callable[[SourceRequest], Source]] = {
    "device": _device,
    "monitor": _monitor,
    "file": _file,
    "demo": _demo,
    "script": _script,
}
KINDS = tuple(_MAKERS)
