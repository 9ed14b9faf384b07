"""Known facts of the scenario: planted faults, and figures that the tests compare meters with. All of it invented:

1. *The organ rumbles under its lowest note.* Its blower runs from the first bar to the last, 30 to 45 Hz, about
   15 dB under the organ as a whole. The lowest key that is ever pressed is C2, 65 Hz: no note is down there.
2. *The plucked pair cancels in mono between 60 and 90 Hz, in the second section only.* Its right microphone is
   inverted in that band, by an all-pass. The pair's low course plays C2 to E2 there, which is most of the mix in
   that band, so it loses well over 3 dB in mono; in the other sections almost nothing.
3. *The low drum rings into the bass note.* Its skin is not damped and falls by 60 dB in 4 s. The bass enters half a
   beat after every stroke; the drum is then 7 dB under its peak.
4. *The third section is 3 LU louder than the second* (integrated loudness of each, ITU-R BS.1770).
5. *The bus compressor is gentle and fair.* It takes low drum and double bass, holds them down by up to 6 dB, and its
   make-up brings the loudness back: over the loop, both sides are within 0.2 LU. It is 137 samples late.
6. *The colour stage wins by loudness.* It lifts the lows by 3 dB re the middle, and the whole mix by 0.9 LU.

The low drum and the double bass have at least 85 % of the power from 20 to 120 Hz in every section. The organ and the
plucked pair have most of the rest. The room is high-passed at 180 Hz and has none.
"""

from __future__ import annotations

from dataclasses import dataclass

from meter.demo import ensemble, score, stages
from meter.demo.instruments import DRUM_HZ, DRUM_T60_SECONDS
from meter.demo.parts import BAR_FRAMES, RATE_HZ, SECTIONS, STAGES, TEMPO_BPM, TOTAL_FRAMES, Section


@dataclass(frozen=True)
class Rumble:
    """Noise of a part under its own lowest note: edges in Hz, rms in dBFS and re the whole part."""

    part: str = "organ"
    band_hz: tuple[float, float] = ensemble.RUMBLE_HZ
    level_dbfs: float = ensemble.RUMBLE_DBFS
    re_part_db: float = -14.9
    lowest_note_hz: float = score.pitch_hz(min(note.pitch for note in score.organ_notes()))


@dataclass(frozen=True)
class Cancellation:
    """A part with channels of opposite polarity in a band, and the loss of the mix there in mono, in dB."""

    part: str = "plucked pair"
    band_hz: tuple[float, float] = ensemble.CANCEL_HZ
    section: Section = SECTIONS[ensemble.CANCEL_SECTION]
    section_loss_db: float = -4.4
    least_loss_db: float = -3.0
    most_elsewhere_db: float = -0.5


@dataclass(frozen=True)
class Ringing:
    """Decay of the drum's lowest mode under the bass, and its tail re the peak at the next note."""

    part: str = "low drum"
    into: str = "double bass"
    fundamental_hz: float = DRUM_HZ
    t60_seconds: float = DRUM_T60_SECONDS
    after_frames: int = round(score.BASS_AFTER_DRUM_BEATS * RATE_HZ * 60 / TEMPO_BPM)
    tail_db: float = -6.8


@dataclass(frozen=True)
class Step:
    """One section is louder than the one before, in LU of integrated loudness."""

    before: Section = SECTIONS[1]
    section: Section = SECTIONS[2]
    louder_lu: float = 3.0


@dataclass(frozen=True)
class Squeezed:
    """The bus compressor over the whole loop: its settings, and what its gain makes of this bus."""

    stage: str = STAGES[0].name
    delay_frames: int = stages.DELAY_FRAMES
    make_up_db: float = stages.MAKE_UP_DB
    p90_db: float = 4.0
    max_db: float = 5.9
    attack_ms: float = 20.0
    most_change_lu: float = 0.2


@dataclass(frozen=True)
class Coloured:
    """The colour stage: lows re the middle by its filter; loudness and added in the full section."""

    stage: str = STAGES[1].name
    lows_db: float = 3.0
    louder_lu: float = 0.9
    added_db: float = -39.0


@dataclass(frozen=True)
class Truths:
    """Facts by construction, and figures measured once that the tests check."""

    rumble: Rumble
    cancellation: Cancellation
    ringing: Ringing
    step: Step
    squeezed: Squeezed
    coloured: Coloured
    owners: tuple[str, ...]
    least_owned: float
    squatters: tuple[str, ...]
    integrated_lufs: float
    true_peak_dbtp: float
    tempo_bpm: int
    bar_frames: int
    total_frames: int
    section_frames: tuple[int, ...]
    lowest_note_hz: dict[str, float]
    drum_onsets: tuple[int, ...]
    bass_onsets: tuple[int, ...]


TRUTHS = Truths(
    rumble=Rumble(),
    cancellation=Cancellation(),
    ringing=Ringing(),
    step=Step(),
    squeezed=Squeezed(),
    coloured=Coloured(),
    owners=("low drum", "double bass"),
    least_owned=0.85,
    squatters=("organ", "plucked pair"),
    integrated_lufs=-21.7,
    true_peak_dbtp=-6.4,
    tempo_bpm=TEMPO_BPM,
    bar_frames=BAR_FRAMES,
    total_frames=TOTAL_FRAMES,
    section_frames=tuple(section.first_frame for section in SECTIONS),
    lowest_note_hz={
        "low drum": DRUM_HZ,
        "double bass": min(note.hz for note in score.bass_notes()),
        "plucked pair": min(note.hz for hand in score.PLUCKED for note in score.plucked_notes(hand)),
        "organ": Rumble.lowest_note_hz,
        "voice": min(note.hz for phrase in score.voice_phrases() for note in phrase),
    },
    drum_onsets=tuple(note.frame for note in score.drum_notes()),
    bass_onsets=tuple(note.frame for note in score.bass_notes()),
)
