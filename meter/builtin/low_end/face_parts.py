"""All parts in one table: what each holds, its lowest note, rumble below, what it loses in mono, its ring.

A click on a row shows its part on the page. Under the table two sentences say what the lows lose in mono and
through whom, and which parts lose more than 3 dB anywhere. While no part is named the rows are the bands of the mix.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from msgspec.structs import replace
from PySide6.QtCore import QEvent, QPoint, QRect, QSize, Qt
from PySide6.QtGui import QColor, QHelpEvent, QMouseEvent, QPainter, QRegion, QWheelEvent
from PySide6.QtWidgets import QToolTip

from meter import figures as words
from meter.builtin.low_end import face_data as data
from meter.builtin.low_end import face_mix as mix
from meter.gui.kit.label import Label, shortened, text_width
from meter.gui.kit.theme import MARK_PX, TEXT_PX, font, mixed, px
from meter.lowend import words as sentences
from meter.lowend.findings import CANCELS, OWNER, SILENT, PartFindings
from meter.plugin.face import Choice, Face
from meter.readings import Frame

ROW_PX = 26
HEADINGS = ("part", "share", "lowest note", "rumble", "mono", "ring")
SAMPLES = ("plucked pair", "−00 %", "C#2 000 Hz", "−00.0", "−00.0", "0,000")
"""The widest text of each column but the first, which takes what is left."""
MIX_HEADINGS = ("band", "share", "level", "mono", "leans")
MIX_SAMPLES = ("000–000 Hz", "000 %", "−00.0", "−00.0", "all on the right")
MIX_BANDS = 4
DROPPED_FIRST = (5, 4, 3)
"""Columns that give way when the card is narrow."""
GAP_PX = 9
NAME_GAP_PX = 6
OVERHANG_PX = 6
"""The row of the part that is shown is marked a little wider than the table."""
NOTABLE_DB = -3.0
"""What a part loses in mono in some band is told from here on (common practice, no source)."""
MOST_TOLD = 2
NAME_SHARE = 0.3
WIDE_BAND_WORDS = ("20–120 Hz", "120–350 Hz", "350 Hz–1 kHz", "1–3 kHz", "3–8 kHz", "above 8 kHz")
UNKNOWN = {"too little heard so far": words.LISTENING}
"""Of the reasons why there is no lowest note, what is too long for a column."""


@dataclass(frozen=True)
class Row:
    """One part as written: its number, the texts of all columns, and how they are coloured."""

    number: int
    texts: tuple[str, ...]
    role: str
    rumbles: bool


class PartsFace(Face):
    """See the module's description."""

    least = QSize(220, 120)
    preferred = QSize(470, 480)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "mono": Label(TEXT_PX, lines=4),
            "loses": Label(MARK_PX, role="soft", lines=2),
        }
        self._table = QRect()
        self._columns: list[tuple[int, QRect]] = []
        self._rows: list[Row] = []
        self._names: tuple[str, ...] = ()
        self._first = 0
        self._shown_part = -1
        self._stale = False
        self._headings: tuple[str, ...] = HEADINGS

    short_subtitle = "in dB and ms"

    @property
    def subtitle(self) -> str:
        if self._headings is MIX_HEADINGS:
            return "none named; the mix by band, in dB"
        return "rumble below, mono in dB; ring in ms"

    def choices(self) -> tuple[Choice, ...]:
        heading = "show"
        named = tuple(Choice(heading, name, "part", name) for name in self._names)
        return (Choice(heading, "automatic", "part", ""), *named)

    # Layout

    def arrange(self, inside: QRect) -> None:
        mono, loses = self.labels["mono"], self.labels["loses"]
        told = inside.height() >= 8 * px(ROW_PX)
        high = 2 * mono.line_height + 2 * loses.line_height + 10 if told else 0
        top = inside.bottom() + 1 - high
        lines = 2
        if self._headings is MIX_HEADINGS:  # a short table: the words follow it
            top = min(top, inside.top() + (MIX_BANDS + 1) * px(ROW_PX) + 6 if self._rows else inside.top())
            lines = (inside.bottom() - top - 5) // mono.line_height
        mono.place(QRect(inside.left(), top + 6, inside.width(), lines * mono.line_height if told else 0))
        under = 2 * loses.line_height if told and self._headings is HEADINGS else 0
        loses.place(QRect(inside.left(), mono.rect.bottom() + 4, inside.width(), under))
        self._table = QRect(inside.left(), inside.top(), inside.width(), inside.height() - high)
        self._arrange_columns()
        self._scroll_to(self._first)

    def _arrange_columns(self) -> None:
        samples = MIX_SAMPLES if self._headings is MIX_HEADINGS else SAMPLES
        widths = {
            column: max(text_width(samples[column], TEXT_PX), text_width(self._headings[column], MARK_PX)) + GAP_PX
            for column in range(1, len(samples))
        }
        least = text_width(samples[0], TEXT_PX) + NAME_GAP_PX
        for column in DROPPED_FIRST:
            if sum(widths.values()) + least <= self._table.width():
                break
            widths.pop(column, None)
        name_width = self._table.width() - sum(widths.values())
        self._columns = [(0, QRect(self._table.left(), 0, name_width, px(ROW_PX)))]
        left = self._table.left() + name_width
        for column, width in widths.items():
            self._columns.append((column, QRect(left, 0, width, px(ROW_PX))))
            left += width

    @property
    def _painted(self) -> QRect:
        """The table with what hangs over its sides: the row of the shown part, and the mark of a long table."""
        return self._table.adjusted(-OVERHANG_PX, 0, 2 * OVERHANG_PX, 0)

    @property
    def _fitting(self) -> int:
        """Rows that fit under the headings."""
        return max(0, (self._table.height() - px(ROW_PX)) // px(ROW_PX))

    def _scroll_to(self, first: int) -> None:
        first = max(0, min(first, len(self._rows) - self._fitting))
        if first != self._first:
            self._first = first
            self.update(self._painted)

    # Numbers and words

    def take_words(self, frame: Frame) -> None:
        headings: tuple[str, ...] = HEADINGS if frame.parts else MIX_HEADINGS
        if frame.parts != self._names or headings is not self._headings:
            self._names, self._headings = frame.parts, headings
            self.rearrange()
        rows = [self._row(frame, part) for part in data.parts_of(frame)] if frame.parts else _band_rows(frame)
        if bool(rows) != bool(self._rows) and not frame.parts:
            self._rows = rows
            self.rearrange()
        shown_part = data.shown_part(frame, self.settings) if frame.parts else _worst_band(frame)
        stale = data.is_stale(frame) if frame.parts else mix.is_stale(frame)
        if (rows, shown_part, stale) != (self._rows, self._shown_part, self._stale):
            self._rows, self._shown_part, self._stale = rows, shown_part, stale
            self._scroll_to(self._first)
            self.update(self._painted)
        role = "soft" if stale else "ink"
        if frame.parts:
            whole, *shorter = (data.with_age(sentence, frame) for sentence in self._mono(frame))
            self.say("mono", whole, role, data.first_fitting(self.labels["mono"], *shorter))
            self.say("loses", self._loses(frame, MOST_TOLD), short=self._loses(frame, 1))
        else:
            self.say("mono", mix.PARTS_WOULD_SHOW, "soft")
            self.say("loses", "")

    def _row(self, frame: Frame, part: data.Part) -> Row:
        found, losses = data.part_found(frame, part.number), data.each(frame, "part_mono_loss")
        mono = float(losses[part.number]) if part.number < len(losses) else math.nan
        rumble = found.rumble_against_mix_lows_db if found is not None else math.nan
        ring = found.ring_ms if found is not None else math.nan
        texts = (
            part.name,
            data.percent(part.share) if part.role != SILENT else words.NOT_YET,
            self._note(found, part.role),
            words.figure(rumble, 0),
            words.figure(mono) if mono < -0.05 else ("0" if math.isfinite(mono) else words.NOT_YET),
            f"{ring:,.0f}" if math.isfinite(ring) else words.NOT_YET,
        )
        return Row(part.number, texts, part.role, rumble > sentences.NOTABLE_RUMBLE_DB and part.role != OWNER)

    @staticmethod
    def _note(found: PartFindings | None, role: str) -> str:
        if found is None:
            return words.NOT_YET
        note = data.note_words(found.floor_hz)
        if note:
            return f"{note} {found.floor_hz:.0f} Hz"
        doubt = sentences.doubt_of(found)
        return SILENT if role == SILENT else UNKNOWN.get(doubt, doubt)

    def _mono(self, frame: Frame) -> tuple[str, ...]:
        """What the lows lose in mono where most is lost, and with one part in mono; from long to short."""
        found = data.findings(frame)
        if found is None:
            return "", ""
        mono = found.mono
        told = sentences.mono_sentences(replace(mono, culprit=self._brief(mono.culprit)))
        return (*sentences.mono_sentences(mono)[:1], *told) or ("", "")

    def _brief(self, name: str) -> str:
        """A name that leaves room on its line for what is said of it."""
        return shortened(name, TEXT_PX, round(self.inside.width() * NAME_SHARE))

    def _loses(self, frame: Frame, most: int) -> str:
        """Parts that lose more than 3 dB in some band of the whole range, the worst first."""
        losses = data.table(frame, "part_mono_loss_bands")
        found = []
        for number, name in enumerate(frame.parts[: len(losses)]):
            known = [(float(loss), band) for band, loss in enumerate(losses[number]) if not math.isnan(loss)]
            if known and min(known)[0] < NOTABLE_DB:
                found.append((*min(known), name))
        said = [
            f"{self._brief(name)} {_loss_words(loss)} at {WIDE_BAND_WORDS[band]}"
            for loss, band, name in sorted(found)[:most]
        ]
        more = f" and {len(found) - most} more" if len(found) > most else ""
        return f"alone in mono: {', '.join(said)}{more}" if said else ""

    # Picture

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if not region.intersects(self._painted):
            return
        painter.setFont(font(MARK_PX))
        painter.setPen(self.theme.soft)
        for column, place in self._columns if self._rows or self._names else ():
            self._write(painter, self._headings[column], place.translated(0, self._table.top()), column)
        painter.setFont(font(TEXT_PX))
        top = self._table.top() + px(ROW_PX)
        for row in self._rows[self._first : self._first + self._fitting]:
            self._draw_row(painter, row, top)
            top += px(ROW_PX)
        self._draw_hidden(painter)

    def _draw_row(self, painter: QPainter, row: Row, top: int) -> None:
        if row.number == self._shown_part:
            fill = mixed(self.theme.card, self.theme.ink, 0.12)
            left = self._table.left() - OVERHANG_PX
            painter.fillRect(QRect(left, top + 1, self._table.width() + 2 * OVERHANG_PX, px(ROW_PX) - 2), fill)
            painter.fillRect(QRect(left, top + 1, 3, px(ROW_PX) - 2), self.theme.ink)
        for column, place in self._columns:
            painter.setPen(self._ink(row, column))
            self._write(painter, row.texts[column], place.translated(0, top), column)

    def _ink(self, row: Row, column: int) -> QColor:
        if row.role == SILENT or self._stale or not self.live:
            return self.theme.faint
        if (column == 3 and row.rumbles) or (column == 1 and row.role == CANCELS):
            return self.theme.ink
        return self.theme.ink if row.role == OWNER or column == 0 else self.theme.soft

    @staticmethod
    def _write(painter: QPainter, text: str, place: QRect, column: int) -> None:
        side = Qt.AlignmentFlag.AlignLeft if column == 0 else Qt.AlignmentFlag.AlignRight
        room = place.width() - (NAME_GAP_PX if column == 0 else 0)
        shown = painter.fontMetrics().elidedText(text, Qt.TextElideMode.ElideMiddle, room)
        painter.drawText(place, side | Qt.AlignmentFlag.AlignVCenter, shown)

    def _draw_hidden(self, painter: QPainter) -> None:
        """Where the table goes on past its end: a small mark at the right edge, as long as what is shown."""
        if len(self._rows) <= self._fitting or not self._fitting:
            return
        track = QRect(self._table.right() + 8, self._table.top() + px(ROW_PX), 3, self._fitting * px(ROW_PX))
        high = max(12, round(track.height() * self._fitting / len(self._rows)))
        top = track.top() + round((track.height() - high) * self._first / max(1, len(self._rows) - self._fitting))
        painter.fillRect(QRect(track.left(), top, track.width(), high), self.theme.line)

    # The hand

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Show the part of a row on the page; a click on it again leaves the choice to the meter."""
        row = self._row_at(event.position().toPoint())
        if row is None or not self._names or event.button() != Qt.MouseButton.LeftButton:
            super().mousePressEvent(event)
            return
        name = row.texts[0]
        self.setting_chosen.emit(self.meter_id, {"part": "" if self.settings.get("part") == name else name})

    def event(self, event: QEvent) -> bool:
        """Tell the whole name of a part whose row has no room for it."""
        if isinstance(event, QHelpEvent) and event.type() == QEvent.Type.ToolTip:
            row = self._row_at(event.pos())
            room = self._columns[0][1].width() - NAME_GAP_PX if self._columns else 0
            cut = row is not None and text_width(row.texts[0], TEXT_PX) > room
            QToolTip.showText(event.globalPos(), row.texts[0] if row is not None and cut else "", self)
            return True
        return super().event(event)

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Go up and down a long table."""
        steps = event.angleDelta().y() / 120.0
        self._scroll_to(self._first - round(3 * steps) if abs(steps) >= 0.3 else self._first)
        event.accept()

    def _row_at(self, at: QPoint) -> Row | None:
        place = (at.y() - self._table.top()) // px(ROW_PX) - 1
        inside = self._table.contains(at) and 0 <= place < self._fitting
        return self._rows[self._first + place] if inside and self._first + place < len(self._rows) else None

    def value_text(self) -> str:
        third = "lowest note" if self._names else "level"
        said = [f"{row.texts[0]} {row.texts[1]}, {third} {row.texts[2]}" for row in self._rows]
        return "; ".join([*said, *(label.text for label in self.labels.values() if label.text)])


def _loss_words(loss_db: float) -> str:
    return f"{words.figure(loss_db)} dB" if math.isfinite(loss_db) else "vanishes"


def _band_rows(frame: Frame) -> list[Row]:
    """The bands of the mix in the place of parts."""
    return [
        Row(
            number,
            (
                band.name, data.percent(band.share), words.figure(band.level), words.figure(band.loss),
                words.side_short(band.balance),
            ),
            OWNER, rumbles=False,
        )
        for number, band in enumerate(mix.bands_of(frame))
    ]  # fmt: skip


def _worst_band(frame: Frame) -> int:
    """The band that loses a notable part of its level in mono, -1 for none."""
    worst = frame.number("mono_lows.worst_band")
    losses = frame.vector("mono_lows.band_loss")
    known = math.isfinite(worst) and 0 <= worst < len(losses)
    return int(worst) if known and losses[int(worst)] <= NOTABLE_DB else -1
