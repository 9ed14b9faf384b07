"""Known settings of ffmpeg's general-purpose filters, and what the referee says of them.

Sources: the documentation of ffmpeg's filters for what each setting means (from memory); the bell is that of the
"Cookbook formulae for audio equalizer biquad filter coefficients" (W3C note, from memory); the compressor's curve is
the hard-knee one of ``test_squeeze`` (``knee=1`` is ffmpeg's hard knee).
"""

from __future__ import annotations

from fractions import Fraction

import av
import av.filter
import numpy as np
import pytest
from scipy.signal import freqz

from dsp.core.signals import pink_noise, stepped_tone
from dsp.core.types import FloatArray
from meter.stage.findings import StageFindings
from tests.support.stages import RATE_HZ, phrases, studied

FRAME = 4800
SOUND = phrases(6.0, channels=2)


def through(sound: FloatArray, name: str, settings: str) -> FloatArray:
    """One filter of ffmpeg in double precision."""
    graph, time_base = av.filter.Graph(), Fraction(1, RATE_HZ)
    source = graph.add_abuffer(format="dbl", sample_rate=RATE_HZ, layout="stereo", time_base=time_base)
    stage, sink = graph.add(name, settings), graph.add("abuffersink")
    to_double = graph.add("aformat", "sample_fmts=dbl")
    for first, second in ((source, stage), (stage, to_double), (to_double, sink)):
        first.link_to(second)
    graph.configure()
    back: list[FloatArray] = []
    for start in range(0, len(sound), FRAME):
        piece = np.ascontiguousarray(sound[start : start + FRAME]).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(piece, format="dbl", layout="stereo")
        frame.sample_rate, frame.pts, frame.time_base = RATE_HZ, start, time_base
        source.push(frame)
        back += pulled(sink)
    source.push(None)
    return np.concatenate(back + pulled(sink))


def pulled(sink: av.filter.context.FilterContext) -> list[FloatArray]:
    found: list[FloatArray] = []
    while True:
        try:
            frame = sink.pull()
            assert isinstance(frame, av.AudioFrame)
            found.append(frame.to_ndarray().reshape(-1, 2))
        except (av.BlockingIOError, av.EOFError):
            return found


def judged(name: str, settings: str, sound: FloatArray = SOUND) -> StageFindings:
    after = through(sound, name, settings)
    frames = min(len(sound), len(after))
    return studied(sound[:frames], after[:frames])


@pytest.mark.parametrize("gain_db", [-6.0, -0.3, 2.0])
def test_volume(gain_db: float) -> None:
    found = judged("volume", f"volume={gain_db}dB:precision=double")
    assert found.loudness_change_lu == pytest.approx(gain_db, abs=0.02)
    assert found.squeeze.max_db < 0.02
    assert found.added_db < -80.0


@pytest.mark.parametrize("milliseconds", [1, 37, 250])
def test_delay(milliseconds: int) -> None:
    found = judged("adelay", f"delays={milliseconds}:all=1")
    assert found.lag_ms == pytest.approx(milliseconds, abs=0.001)
    assert not found.swapped
    assert found.verdict == "fair"


def test_a_flipped_channel() -> None:
    assert judged("pan", "stereo|c0=c0|c1=-1*c1").polarity == ("same", "inverted")


def peaking(hz: float, gain_db: float, q: float) -> tuple[FloatArray, FloatArray]:
    amplitude, angle = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * hz / RATE_HZ
    alpha, cosine = np.sin(angle) / (2.0 * q), np.cos(angle)
    b = np.array([1.0 + alpha * amplitude, -2.0 * cosine, 1.0 - alpha * amplitude])
    a = np.array([1.0 + alpha / amplitude, -2.0 * cosine, 1.0 - alpha / amplitude])
    return b / a[0], a / a[0]


@pytest.mark.parametrize(("hz", "gain_db", "q"), [(80.0, 6.0, 1.0), (1000.0, -9.0, 0.7), (6000.0, 12.0, 1.4)])
def test_a_bell_is_drawn_as_it_is(hz: float, gain_db: float, q: float) -> None:
    noise = pink_noise(np.random.default_rng(4), -26.0, 12.0, RATE_HZ, 2)
    found = judged("equalizer", f"f={hz}:t=q:w={q}:g={gain_db}", noise)
    drawn_hz, drawn_db, _ = np.array(found.linear.response).T
    expected = 20.0 * np.log10(np.abs(freqz(*peaking(hz, gain_db, q), worN=drawn_hz, fs=RATE_HZ)[1]))
    inside = (drawn_hz > 30.0) & (drawn_hz < 18_000.0)
    np.testing.assert_allclose(drawn_db[inside], expected[inside], atol=0.1)
    assert found.squeeze.p90_db < 0.5
    assert found.added_db < -40.0


@pytest.mark.parametrize(("ratio", "makeup"), [(2, 1), (4, 1), (4, 2), (10, 1)])
def test_a_compressor_on_steady_tones(ratio: int, makeup: int) -> None:
    """Threshold -20 dB; ``detection=peak`` of a steady sine is its peak. ``makeup=2`` is 6.02 dB."""
    levels = (-30.0, -12.0, -30.0, -6.0)
    tone = stepped_tone(1000.0, [(level, 2.0) for level in levels] * 2, RATE_HZ, 2)
    settings = f"threshold=0.1:ratio={ratio}:attack=0.2:release=200:makeup={makeup}:knee=1:detection=peak"
    found = judged("acompressor", settings, tone).squeeze
    curve = {round(level): output for level, output in found.curve}
    gain_db = 20.0 * np.log10(makeup)
    assert found.make_up_db == pytest.approx(gain_db, abs=0.1)
    assert curve[-30] == pytest.approx(-30.0 + gain_db, abs=0.1)
    for level in (-12.0, -6.0):
        held = (level + 20.0) * (1.0 - 1.0 / ratio)
        # Between the peaks of the sine the release lets go a little.
        assert level + gain_db - curve[round(level)] == pytest.approx(held, abs=0.3)


def test_a_limiter_takes_peaks_and_says_so() -> None:
    found = judged("alimiter", "limit=0.2:level=0:attack=5:release=50")
    assert found.true_peak_change_db < -3.0
    assert found.squeeze.max_db > 3.0
    assert found.peak_to_loudness_change_lu < -2.0


def test_a_soft_clipper_adds() -> None:
    assert judged("asoftclip", "type=tanh:threshold=0.1").added_db > -30.0
