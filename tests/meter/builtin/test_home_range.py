"""Home range of a stage: learned by a key for one feed; hot, there or shy round it, and the headroom gap."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from PySide6.QtGui import QColor

from meter.builtin.vu.face import VuFace
from meter.builtin.vu.face_dials import DIALS
from meter.builtin.vu.face_home import Home, learned
from meter.instances import Instance
from meter.plugin.manifest import read_manifest
from meter.readings import Frame, Layout
from tests.support.faces import LAYOUTS, make
from tests.support.frames import BUILTIN, frame, status, values_at

MANIFEST = read_manifest(BUILTIN / "vu" / "manifest.toml")
ALIGNMENT = -18.0


def settings(home_dbfs: float, feed: str = "mix", movement: str = "vu") -> dict[str, Any]:
    return MANIFEST.settings(learned(home_dbfs, feed, movement))


def readings(usual: float, **changes: Any) -> dict[str, Any]:
    """Usual loud in VU re -18 dBFS; a true peak of -6 dBTP in the last 10 s."""
    own = {f"vu.{key}": value for key, value in changes.items()}
    return {**values_at(100.0), "vu.usual": usual, "vu.usual_low": usual - 5.0, "peaks.true_10s": -6.0, **own}


def shown(qtbot: Any, usual: float, kept: dict[str, Any] | None = None, size: tuple[int, int] = (360, 300)) -> VuFace:
    face = make("vu", qtbot, size)
    assert isinstance(face, VuFace)
    face.show_settings(kept if kept is not None else MANIFEST.settings({}))
    show(face, usual)
    return face


def show(face: VuFace, usual: float, seconds: float = 100.0, **changes: Any) -> None:
    face.show_frame(frame(given=readings(usual, **changes), plan=LAYOUTS[2], feed=status(seconds)))


def test_the_key_keeps_the_usual_level_of_this_feed(qtbot: Any) -> None:
    face = shown(qtbot, -2.84)
    chosen: list[tuple[str, dict[str, Any]]] = []
    face.setting_chosen.connect(lambda meter_id, values: chosen.append((meter_id, values)))
    assert face.press("U")
    assert chosen == [("vu", {"home_dbfs": -20.84, "home_feed": "mix", "home_movement": "vu"})]
    for key, value in chosen[0][1].items():
        entry = next(each for each in MANIFEST.setting if each.key == key)
        assert entry.check(value) == value, "the settings take it"


def test_nothing_is_learned_while_no_level_is_known(qtbot: Any) -> None:
    face = shown(qtbot, math.nan)
    chosen: list[object] = []
    face.setting_chosen.connect(lambda *values: chosen.append(values))
    assert face.press("U")
    assert not chosen


@pytest.mark.parametrize(
    ("usual", "said", "note"),
    [
        (-3.0, "there: hits −3 VU", "at home, headroom gap 15.0 dB, true peaks"),
        (-1.6, "there: hits −2 VU", "1.4 dB above home, headroom gap 13.6 dB, true peaks"),
        (-1.0, "hot: hits −1 VU", "2.0 dB above home, headroom gap 13.0 dB, true peaks"),
        (-6.5, "shy: hits −6 VU", "3.5 dB below home, headroom gap 18.5 dB, true peaks"),
    ],
)
def test_hot_there_or_shy(qtbot: Any, usual: float, said: str, note: str) -> None:
    face = shown(qtbot, usual, settings(-21.0), (420, 320))
    assert face.labels["usual"].text == said
    assert face.labels["note"].text == note


def test_home_stays_where_it_is_when_the_alignment_changes(qtbot: Any) -> None:
    """It is a level of the signal: 4 dB more headroom on the scale moves needle and home alike."""
    face = shown(qtbot, -3.0, settings(-21.0))
    show(face, 1.0, 101.0, alignment=-22.0)
    assert face.labels["usual"].text.startswith("there")
    assert face._home_arc == pytest.approx((DIALS[0].place(-0.5), DIALS[0].place(2.5)))


def test_a_level_at_the_edge_does_not_flutter() -> None:
    home = Home()
    home.follow(settings(-21.0), "mix", "vu")
    assert [home.word(-21.0 + over) for over in (1.4, 1.6, 1.4, 1.8, 1.6, 1.4, 1.2)] == [
        "there", "there", "there", "hot", "hot", "hot", "there",
    ]  # fmt: skip


@pytest.mark.parametrize("kept", [settings(-21.0, "part drums"), settings(-21.0, movement="ppm_1")])
def test_a_home_of_another_feed_or_other_ballistics_does_not_count(qtbot: Any, kept: dict[str, Any]) -> None:
    face = shown(qtbot, -3.0, kept)
    assert face.labels["usual"].text == "sits at −8, hits −3 VU"


def test_another_feed_has_its_own_home_and_says_which_peaks(qtbot: Any) -> None:
    instances = (Instance("vu_2", "vu", "part drums"),)
    plan = Layout.build({"vu_2": MANIFEST.fields}, {"vu_2": 1}, {"part drums": (2,)}, instances=instances)
    values = np.full(plan.total, np.nan)
    for key, value in (("usual", -3.0), ("usual_low", -9.0), ("alignment", ALIGNMENT), ("movement", 0.0),
                       ("peak_over", 11.0), ("age", 0.0), ("max", 0.0), ("now", -4.0)):  # fmt: skip
        values[plan.by_key[f"vu_2.{key}"].offset] = value
    face = VuFace()
    qtbot.addWidget(face)
    face.stand_for("vu_2", "Level, drums")
    face.resize(420, 320)
    face.show_settings(settings(-21.0, "part drums"))
    face.show_frame(Frame(plan, values, status(100.0)))
    assert face.labels["usual"].text == "there: hits −3 VU"
    assert face.labels["note"].text == "at home, headroom gap 11.0 dB, sample peaks", "no peak meter on this feed"


def test_the_menu_forgets_it(qtbot: Any) -> None:
    face = shown(qtbot, -3.0, settings(-21.0))
    chosen: list[dict[str, Any]] = []
    face.setting_chosen.connect(lambda _id, values: chosen.append(values))
    (forget,) = [choice.run for choice in face.choices() if choice.words == "forget it"]
    assert forget is not None
    forget()
    face.show_settings(MANIFEST.settings(chosen[0]))
    show(face, -3.0, 101.0)
    assert face.labels["usual"].text == "sits at −8, hits −3 VU"
    assert "forget it" not in [choice.words for choice in face.choices()]


def test_an_arc_marks_the_range_on_the_dial(qtbot: Any) -> None:
    def arc(face: VuFace, level: float) -> bool:
        at = face._at(DIALS[0].place(level), 0.87)
        return QColor(face.grab().toImage().pixel(round(at.x()), round(at.y()))) == face.theme.ink

    face = shown(qtbot, -9.0, settings(-21.0))
    show(face, -9.0, 101.0, now=[-19.0, -19.0])
    assert [arc(face, level) for level in (-5.0, -4.2, -3.0, -1.8, -1.0)] == [False, True, True, True, False]
    face.show_settings(MANIFEST.settings({}))
    assert not arc(face, -3.0)
