"""The offline ledger: parts, and a mix if there is one, to figures and sentences.

Everything is measured by the same streaming modules in ``dsp`` as live, in one reading. A stereo part of four
minutes holds about 25 MB; after fifteen minutes no more is added.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec.structs import replace

from meter.lowend import notes as remarks
from meter.lowend.findings import LowEndFindings
from meter.lowend.gather import Progress, gather
from meter.lowend.sources import LowEndError, PartSource, at_rate, check_sources, common_rate
from meter.lowend.study import low_end

NAN = float("nan")


def measure_low_end(
    parts: Sequence[PartSource],
    mix: PartSource | None = None,
    *,
    resample: bool = False,
    tempo_bpm: float = NAN,
    cutoff_hz: float | None = None,
    pair_names: tuple[str, str] | None = None,
    progress: Progress = lambda _frames: None,
) -> LowEndFindings:
    """The ledger of ``parts``. Raises LowEndError or SourceError with one sentence.

    ``resample`` allows other rates to be converted to the one most parts have; ``tempo_bpm`` gives half a beat;
    ``cutoff_hz`` is tried instead of the highest affordable cut-off; ``pair_names`` are the two parts to compare,
    by default kick and bass as their names, or else their sound, tell. ``progress`` is told the frames read.
    """
    check_sources(parts, mix)
    if pair_names is not None:
        _check_names(pair_names, [part.name for part in parts])
    parts, mix, said = _brought_to_one_rate(parts, mix, resample)
    sources = [*parts, *([mix] if mix else [])]
    most = min(source.frames for source in sources)
    if most < parts[0].rate_hz:
        shortest = min(sources, key=lambda source: source.frames)
        raise LowEndError(f"“{shortest.name}” is shorter than a second; the low end cannot be judged on that.")
    said += remarks.on_lengths(sources)
    found = gather(parts, mix, most, progress)
    said += remarks.on_reading(found, sources, parts)
    settings = {
        "tempo_bpm": 0.0 if math.isnan(tempo_bpm) else tempo_bpm,
        "cutoff_hz": cutoff_hz or 0.0,
        "every_part": True,
        "pair": pair_names,
    }
    account = low_end(found.stretch(), settings)
    return replace(account, notes=(*said, *account.notes))


def _check_names(wanted: tuple[str, str], names: Sequence[str]) -> None:
    if wanted[0] == wanted[1]:
        raise LowEndError(f"“{wanted[0]}” cannot be compared with itself; name two different parts.")
    for name in wanted:
        if name not in names:
            raise LowEndError(f"There is no part “{name}” to compare; the parts are {', '.join(names)}.")


def _brought_to_one_rate(
    parts: Sequence[PartSource], mix: PartSource | None, resample: bool
) -> tuple[list[PartSource], PartSource | None, list[str]]:
    sources = [*parts, *([mix] if mix else [])]
    rate_hz = common_rate(sources)
    odd = [source for source in sources if source.rate_hz != rate_hz]
    if odd and not resample:
        raise LowEndError(
            f"“{odd[0].name}” runs at {odd[0].rate_hz:,} Hz and the others at {rate_hz:,} Hz; "
            "export them at one rate, or allow conversion with --resample."
        )
    said = [f"{source.name} was converted from {source.rate_hz:,} to {rate_hz:,} Hz." for source in odd]
    return [at_rate(part, rate_hz) for part in parts], at_rate(mix, rate_hz) if mix else None, said
