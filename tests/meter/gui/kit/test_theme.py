"""Colours and type against their published sources."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPalette
from PySide6.QtWidgets import QWidget

from meter.gui.kit.theme import (
    DARK,
    FIGURE_PX,
    LIGHT,
    MARK_PX,
    OKABE_ITO,
    ROLES,
    SUBTITLE_PX,
    TEXT_PX,
    TITLE_PX,
    apply_theme,
    choose_theme,
    current_theme,
    follow_window,
    font,
    mixed,
)

# Okabe and Ito (2008), "Color Universal Design", figure 16: red, green, blue of 0 to 255.
PUBLISHED = {
    "black": (0, 0, 0), "orange": (230, 159, 0), "sky_blue": (86, 180, 233), "bluish_green": (0, 158, 115),
    "yellow": (240, 228, 66), "blue": (0, 114, 178), "vermilion": (213, 94, 0), "reddish_purple": (204, 121, 167),
}  # fmt: skip

TEXT_CONTRAST = 4.5
"""W3C, WCAG 2.2, success criterion 1.4.3."""
PICTURE_CONTRAST = 3.0
"""WCAG 2.2, success criterion 1.4.11: what is needed to understand a picture; also large text in 1.4.3."""

themes = pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])


def luminance(colour: QColor) -> float:
    """Relative luminance (WCAG 2.2, definitions)."""
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
        for part in (colour.redF(), colour.greenF(), colour.blueF())
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: QColor, second: QColor) -> float:
    """Contrast ratio (WCAG 2.2, definitions), 1 to 21."""
    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_and_white_is_21():
    assert contrast(QColor("black"), QColor("white")) == pytest.approx(21.0)


@pytest.mark.parametrize(("name", "rgb"), PUBLISHED.items())
def test_signal_colours_are_those_published(name, rgb):
    assert QColor(OKABE_ITO[name]).getRgb()[:3] == rgb


@themes
def test_roles_use_the_set(theme):
    assert theme.measured.name().upper() in (OKABE_ITO["sky_blue"], OKABE_ITO["blue"])
    assert theme.held.name().upper() == OKABE_ITO["orange"]
    assert theme.broken.name().upper() == OKABE_ITO["vermilion"]


@themes
@pytest.mark.parametrize("role", ["ink", "soft", "measured_ink", "held_ink", "broken_ink"])
@pytest.mark.parametrize("ground", ["card", "page"])
def test_text_can_be_read(theme, role, ground):
    assert contrast(theme.colour(role), theme.colour(ground)) >= TEXT_CONTRAST


@themes
def test_dimmed_text_is_still_legible(theme):
    assert contrast(theme.faint, theme.card) >= TEXT_CONTRAST
    assert contrast(theme.faint, theme.page) >= PICTURE_CONTRAST
    assert contrast(theme.ink, theme.faint) >= PICTURE_CONTRAST, "or nobody sees that it is dimmed"


@themes
def test_measured_stands_out_from_card_and_trough(theme):
    assert contrast(theme.measured, theme.card) >= PICTURE_CONTRAST
    assert contrast(theme.measured, theme.trough) >= PICTURE_CONTRAST
    assert contrast(theme.on_signal, theme.measured) >= TEXT_CONTRAST


def test_signals_differ_in_lightness_too():
    # So that amber beside blue is told apart where hues look alike.
    assert contrast(LIGHT.measured, LIGHT.held) >= 1.5
    assert abs(luminance(DARK.broken) - luminance(DARK.measured)) > 0.15


def test_choice_follows_the_system_and_is_dark_where_that_is_unknown():
    assert choose_theme("system") is DARK
    assert choose_theme("system", Qt.ColorScheme.Light) is LIGHT
    assert choose_theme("system", Qt.ColorScheme.Dark) is DARK
    assert choose_theme("light", Qt.ColorScheme.Dark) is LIGHT
    with pytest.raises(ValueError, match="one of system, dark, light"):
        choose_theme("pink")


def test_applying_reaches_every_widget(qapp, qtbot):
    widget = QWidget()
    qtbot.addWidget(widget)
    widget.show()
    for theme in (LIGHT, DARK):
        assert apply_theme(qapp, theme.name) is theme
        assert current_theme() is theme
        qapp.processEvents()
        assert widget.palette().color(QPalette.ColorRole.WindowText) == theme.ink
        assert widget.palette().color(QPalette.ColorRole.Base) == theme.card


def test_every_role_is_a_colour():
    assert {"ink", "measured", "held", "broken"} <= set(ROLES)
    assert all(DARK.colour(role).isValid() and LIGHT.colour(role).isValid() for role in ROLES)
    with pytest.raises(KeyError):
        DARK.colour("name")


def test_type_scale():
    assert FIGURE_PX >= 44
    assert all(13 <= size <= 16 for size in (TITLE_PX, SUBTITLE_PX, MARK_PX, TEXT_PX))


@pytest.mark.parametrize("bold", [False, True])
def test_figures_have_one_width(qapp, bold):
    metrics = QFontMetricsF(font(FIGURE_PX, bold=bold))
    assert len({round(metrics.horizontalAdvance(figure), 2) for figure in "0123456789"}) == 1


def test_mixing_ends_at_either_colour():
    assert mixed(DARK.card, DARK.ink, 0.0) == DARK.card
    assert mixed(DARK.card, DARK.ink, 1.0) == DARK.ink


def test_children_take_another_text_size_before_what_lays_them_out(qtbot):
    told = []

    class Follower(QWidget):
        def follow_text_scale(self):
            told.append(self)

    outer = [Follower() for _ in range(8)]
    inner = [Follower(QWidget(each)) for each in outer]
    for each in outer:
        qtbot.addWidget(each)
    try:
        assert follow_window(QSize(1920, 1200))
        for parent, child in zip(outer, inner, strict=True):
            assert told.index(child) < told.index(parent)
    finally:
        follow_window(QSize(1280, 800))
