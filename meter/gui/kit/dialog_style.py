"""Dialogs in the window's own style: buttons and fields with the outline of its cards and keys."""

from __future__ import annotations

from PySide6.QtWidgets import QWidget

from meter.gui.kit.theme import TEXT_PX, current_theme, px

RADIUS_PX = 6


def dress(dialog: QWidget) -> None:
    """Give a dialog the present theme and text size; call it each time it is opened. [gui]"""
    theme = current_theme()
    line, ink, trough, card, page, lit, faint = (
        colour.name()
        for colour in (
            theme.faint, theme.ink, theme.trough, theme.card, theme.page, theme.measured, theme.line,
        )
    )  # fmt: skip
    sheet = (
        f"QDialog {{ background: {page}; color: {ink}; font-size: {px(TEXT_PX)}px; }}"
        f"QLabel {{ color: {ink}; }}"
        f"QPushButton {{ border: 1px solid {line}; border-radius: {RADIUS_PX}px; background: {trough}; color: {ink};"
        f" padding: {px(5)}px {px(14)}px; }}"
        f"QPushButton:hover, QPushButton:focus {{ border-color: {lit}; }}"
        f"QPushButton:disabled {{ color: {line}; border-color: {faint}; }}"
        f"QAbstractSpinBox, QLineEdit {{ border: 1px solid {line}; border-radius: {RADIUS_PX}px; background: {card};"
        f" color: {ink}; padding: {px(4)}px; selection-background-color: {ink}; selection-color: {page}; }}"
        f"QAbstractSpinBox:focus, QLineEdit:focus {{ border-color: {lit}; }}"
    )
    if sheet != dialog.styleSheet():  # setting it changes the palette, and a dialog may come here for that again
        dialog.setStyleSheet(sheet)
