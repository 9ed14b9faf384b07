"""Colours and type of the whole window: a dark and a light theme, one type scale that grows with the window.

The three signal colours come from the colour-blind-safe set of Okabe and Ito (2008, "Color Universal
Design"): blue is measured, amber is held and nothing else, vermilion is broken and nothing else. What is
selected or spoken of has the colour of text. A state is never shown by colour alone; shape, position or a word shows
it too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import cache

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontDatabase, QFontMetricsF, QPalette
from PySide6.QtWidgets import QApplication, QWidget

OKABE_ITO = {
    "black": "#000000", "orange": "#E69F00", "sky_blue": "#56B4E9", "bluish_green": "#009E73",
    "yellow": "#F0E442", "blue": "#0072B2", "vermilion": "#D55E00", "reddish_purple": "#CC79A7",
}  # fmt: skip
"""Okabe and Ito (2008), figure 16."""

CHOICES = ("system", "dark", "light")

TITLE_PX = 15
SUBTITLE_PX = 13
MARK_PX = 13
TEXT_PX = 15
VERDICT_PX = 19
FIGURE_PX = 44
"""The figure that matters is never smaller, unless its card is a strip."""

HAIRLINE = 0
"""Pen width of what moves: one device pixel at any scale. A wider path is many times as dear to draw."""

PADDING_PX = 16
FULL_SIZE = QSize(1280, 800)
"""Up to this size of the window text has the sizes above; beyond it text grows with the smaller side's ratio."""
SCALE_STEPS, MOST_SCALE = 10, 2.0
"""Steps of the text scale in one: a new scale lays everything out again, so not every pixel is one."""

CARD_RADIUS_PX = 8
GAP_PX = 10
"""Space between cards."""


@dataclass(frozen=True)
class Theme:
    """One set of colours; ``*_ink`` is the form of a signal colour that is fit for text on a card."""

    name: str
    page: QColor
    card: QColor
    trough: QColor
    line: QColor
    ink: QColor
    soft: QColor
    faint: QColor
    measured: QColor
    measured_deep: QColor
    measured_ink: QColor
    held: QColor
    held_ink: QColor
    broken: QColor
    broken_ink: QColor
    on_signal: QColor
    """Text that lies on a filled signal colour."""

    def colour(self, role: str) -> QColor:
        """The colour of a role by its field name; raises KeyError for a name that is no colour."""
        if role not in ROLES:
            raise KeyError(role)
        found: QColor = getattr(self, role)
        return found


ROLES = tuple(item.name for item in fields(Theme) if item.name != "name")


def _theme(name: str, **colours: str) -> Theme:
    return Theme(name, **{role: QColor(code) for role, code in colours.items()})


DARK = _theme(
    "dark", page="#0D1015", card="#161A21", trough="#242A34", line="#343C49",
    ink="#ECE8DF", soft="#A3A9B4", faint="#7C8492",
    measured=OKABE_ITO["sky_blue"], measured_deep="#2F5F7E", measured_ink=OKABE_ITO["sky_blue"],
    held=OKABE_ITO["orange"], held_ink=OKABE_ITO["orange"],
    broken=OKABE_ITO["vermilion"], broken_ink="#F08A4B", on_signal="#0B0E12",
)  # fmt: skip

LIGHT = _theme(
    "light", page="#E7E5DF", card="#FBFAF7", trough="#E4E2DB", line="#C6C4BC",
    ink="#1B1E24", soft="#555B66", faint="#6A707A",
    measured=OKABE_ITO["blue"], measured_deep="#9CC3DC", measured_ink="#00629A",
    held=OKABE_ITO["orange"], held_ink="#855A00",
    broken=OKABE_ITO["vermilion"], broken_ink="#A84900", on_signal="#FFFFFF",
)  # fmt: skip

_BY_NAME = {theme.name: theme for theme in (DARK, LIGHT)}
_current = DARK
_text_scale = 1.0


def current_theme() -> Theme:
    """The theme that was applied last; dark before any was. [gui]"""
    return _current


def choose_theme(choice: str, scheme: Qt.ColorScheme = Qt.ColorScheme.Unknown) -> Theme:
    """The theme for a choice of ``CHOICES``; "system" follows ``scheme`` and is dark where that is unknown.

    Raises ValueError for any other word.
    """
    if choice not in CHOICES:
        raise ValueError(f"The theme is one of {', '.join(CHOICES)}, not {choice!r}.")
    if choice == "system":
        return LIGHT if scheme is Qt.ColorScheme.Light else DARK
    return _BY_NAME[choice]


def apply_theme(application: QApplication, choice: str) -> Theme:
    """Put palette, style and base font on the application; every widget gets a PaletteChange. [gui]"""
    global _current
    _current = choose_theme(choice, application.styleHints().colorScheme())
    application.setStyle("Fusion")
    application.setFont(font(TEXT_PX))
    application.setPalette(_palette(_current))
    return _current


def _palette(theme: Theme) -> QPalette:
    palette = QPalette()
    role = QPalette.ColorRole
    table = {
        role.Window: theme.page, role.WindowText: theme.ink, role.Base: theme.card, role.AlternateBase: theme.trough,
        role.Text: theme.ink, role.PlaceholderText: theme.soft, role.Button: theme.trough,
        role.ButtonText: theme.ink, role.ToolTipBase: theme.card, role.ToolTipText: theme.ink,
        role.Highlight: theme.measured, role.HighlightedText: theme.on_signal, role.Link: theme.measured_ink,
        role.Mid: theme.line, role.Midlight: theme.trough, role.Dark: theme.line, role.Light: theme.trough,
        role.Shadow: theme.page, role.BrightText: theme.broken_ink,
    }  # fmt: skip
    for name, colour in table.items():
        palette.setColor(name, colour)
    for name in (role.WindowText, role.Text, role.ButtonText):
        palette.setColor(QPalette.ColorGroup.Disabled, name, theme.faint)
    return palette


def text_scale() -> float:
    """How much larger than in the type scale text is drawn, 1.0 to ``MOST_SCALE``. [gui]"""
    return _text_scale


def px(length: float) -> int:
    """A length that goes with text, in pixels at the present text scale. [gui]"""
    return round(length * _text_scale)


def scale_for(window: QSize) -> float:
    """The text scale of a window of this size."""
    ratio = min(window.width() / FULL_SIZE.width(), window.height() / FULL_SIZE.height())
    return min(MOST_SCALE, max(1.0, math.floor(ratio * SCALE_STEPS + 1e-9) / SCALE_STEPS))


def follow_window(window: QSize) -> bool:
    """Scale text for a window of this size; True when that changed it. [gui]

    Every widget with a method ``follow_text_scale`` has it called, children before the widget that lays them out.
    """
    global _text_scale
    scale = scale_for(window)
    if scale == _text_scale:
        return False
    _text_scale = scale
    application = QApplication.instance()
    if isinstance(application, QApplication):
        application.setFont(font(TEXT_PX))
        for widget in sorted(application.allWidgets(), key=_depth, reverse=True):
            follow = getattr(widget, "follow_text_scale", None)
            if follow is not None:
                follow()
    return True


def _depth(widget: QWidget) -> int:
    """How many widgets hold it."""
    above, depth = widget.parentWidget(), 0
    while above is not None:
        above, depth = above.parentWidget(), depth + 1
    return depth


def font(size_px: int, *, bold: bool = False) -> QFont:
    """A font of our type scale at the present text scale, figures of equal width. [gui]"""
    made = QFont()
    made.setFamilies(list(_families()))
    made.setPixelSize(px(size_px))
    made.setBold(bold)
    _set_tabular(made)
    return made


def _set_tabular(made: QFont) -> None:
    made.setFeature(QFont.Tag("tnum"), 1)


@cache
def _families() -> tuple[str, ...]:
    """System sans first if its figures have one width, else the first of the usual ones that does."""
    system = QFontDatabase.systemFont(QFontDatabase.SystemFont.GeneralFont).family()
    installed = set(QFontDatabase.families())
    usual = [name for name in ("Noto Sans", "DejaVu Sans", "Liberation Sans") if name in installed]
    candidates = [system, *usual]
    for name in candidates:
        if _has_even_figures(name):
            return (name, *[other for other in candidates if other != name])
    return tuple(candidates)


def _has_even_figures(family: str) -> bool:
    probe = QFont(family)
    probe.setPixelSize(FIGURE_PX)
    _set_tabular(probe)
    metrics = QFontMetricsF(probe)
    return len({round(metrics.horizontalAdvance(figure), 2) for figure in "0123456789"}) == 1


def mixed(first: QColor, second: QColor, share: float) -> QColor:
    """``share`` (0 to 1) of ``second`` in ``first``, opaque."""
    keep = 1.0 - share
    return QColor.fromRgbF(
        first.redF() * keep + second.redF() * share,
        first.greenF() * keep + second.greenF() * share,
        first.blueF() * keep + second.blueF() * share,
    )
