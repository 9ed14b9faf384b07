"""What the card of a loop's repeats says, without Qt."""

from __future__ import annotations

import math

from meter import figures
from meter.builtin.repeats.findings import (
    LISTENING,
    NO_SWITCH,
    NOT_CLEAR,
    NOTHING_REPEATS,
    REPEATS_DIFFER,
    TOO_SHORT,
    FairRepeats,
    RepeatFindings,
)
from meter.stage.findings import FAIR

HOW = "Loop some bars and flip the bypass every few seconds, at another place each time round."
NOTHING = f"Nothing repeats. {HOW}"
DIFFERS = "The turns of the loop differ in themselves: nothing is compared."
LEGEND_SHORT = "a row is one turn of the loop"
CLEAR_UP = "Flip it in mid-loop too, or press K at each flip."
NEEDED_SECONDS = 3


def waiting_words(found: RepeatFindings, live: bool) -> str:
    """Why nothing is compared now; empty when something is."""
    loop = f"Loop of {figures.figure(found.loop_seconds)} s"
    if found.outcome == LISTENING or not live:
        return figures.waiting(live)
    if found.outcome == NO_SWITCH:
        alike = f"{loop}, {found.plays} turns alike: no switch heard, or always at the same bars."
        return f"{alike} Flip the bypass somewhere else."
    if found.outcome == NOT_CLEAR:
        return f"{loop}: the stage moves, and which turn was in which state is not clear. {CLEAR_UP}"
    if found.outcome == TOO_SHORT:
        so_far = f"{figures.figure(found.compared_seconds)} of {NEEDED_SECONDS} s"
        return f"{loop}: {so_far} heard in both states, go on."
    return {NOTHING_REPEATS: NOTHING, REPEATS_DIFFER: DIFFERS}.get(found.outcome, "")


def waiting_short(found: RepeatFindings) -> str:
    """The same in few words."""
    return {
        NOTHING_REPEATS: "nothing repeats",
        REPEATS_DIFFER: "turns differ",
        NO_SWITCH: "no switch heard",
        NOT_CLEAR: "states not clear yet",
        TOO_SHORT: "loop found, go on",
    }.get(found.outcome, "")


def figure_of(fair: FairRepeats) -> tuple[str, str]:
    """The change with what it is: ``+0.9``, ``LU, louder state re quieter``."""
    change = figures.figure(fair.change_lu, plus=True)
    return change, "LU, second state re first" if fair.marked else "LU, louder state re quieter"


def sentence_of(fair: FairRepeats) -> str:
    """Fair or not, what to trim, and the lows."""
    lows = "" if math.isnan(fair.low_change_db) else f"; 20–120 Hz {_db(fair.low_change_db)}"
    if not trim_text(fair):
        return f"Fair: both states equally loud{lows}."
    if fair.verdict == FAIR:
        return f"Fair: {figures.figure(abs(fair.change_lu))} LU between the states{lows}."
    which = "second" if fair.marked else "louder"
    return f"{fair.verdict.capitalize()}: trim the {which} state {_db(fair.trim_db)}{lows}."


def sentence_short(fair: FairRepeats) -> str:
    """The same in few words."""
    lows = "" if math.isnan(fair.low_change_db) else f"lows {_db(fair.low_change_db)}"
    if fair.verdict == FAIR:
        return f"Fair; {lows}." if lows else "Fair."
    said = f"{fair.verdict.capitalize()}: trim {_db(fair.trim_db)}"
    return f"{said}; {lows}." if lows else f"{said}."


def trim_text(fair: FairRepeats) -> str:
    """The trim as other programs take it, ``-0.9``; empty where there is nothing to trim."""
    text = f"{fair.trim_db:+.1f}"
    return "" if float(text) == 0.0 else text


def legend(fair: FairRepeats) -> str:
    """What the rows of the picture are."""
    return f"a row is one turn of the loop, newest below; tall: the {'second' if fair.marked else 'louder'} state"


def now_playing(fair: FairRepeats) -> str:
    """Which state plays."""
    first, second = ("first", "second") if fair.marked else ("quieter", "louder")
    return f"playing: the {second if fair.second_plays else first} state"


def evidence(fair: FairRepeats, loop_seconds: float) -> str:
    """How much was compared."""
    return f"{fair.seconds:.0f} s of a loop of {loop_seconds:.0f} s heard in both"


def _db(value: float) -> str:
    return figures.with_unit(value, "dB", plus=True)
