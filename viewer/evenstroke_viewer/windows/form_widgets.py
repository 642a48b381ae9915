"""Fields and buttons of forms, drawn by ourselves in the colours of the palette that the window hands down.

A style sheet would do the same in fewer lines, but Qt then matches its rules with each widget that comes: half a second
for a form of some hundred fields, each time that it is laid out anew.
"""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QPointF, QRect, QSize, Qt
from PySide6.QtGui import QKeyEvent, QPainter, QPaintEvent, QPalette, QPolygonF, QWheelEvent
from PySide6.QtWidgets import QCheckBox, QComboBox, QLabel, QLineEdit, QPushButton, QSizePolicy, QWidget

_INSIDE = 6
"""Pixels between a frame's side and the text in it."""
_MOST_SIZES = 60
"""That a paragraph remembers; a window whose edge is dragged asks for another one at each step."""
_ARROW = 18
"""Pixels at the right of a choice for the arrow that says that there are more."""


def _frame(painter: QPainter, widget: QWidget, around: QRect | None = None) -> None:
    """Around a widget, or a part of it; thick, and in ink, where the widget has the focus."""
    focused, around = widget.hasFocus(), around if around is not None else widget.rect()
    role = QPalette.ColorRole.WindowText if focused else QPalette.ColorRole.Mid
    painter.setPen(widget.palette().color(role))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawRect(around.adjusted(0, 0, -1, -1))
    if focused:
        painter.drawRect(around.adjusted(1, 1, -2, -2))


def _ground(painter: QPainter, widget: QWidget, *, pressed: bool = False) -> None:
    role = QPalette.ColorRole.Mid if pressed else QPalette.ColorRole.Base
    painter.fillRect(widget.rect(), widget.palette().color(role))
    painter.setPen(widget.palette().color(QPalette.ColorRole.WindowText))


class TextLine(QLineEdit):
    """A line to type in."""

    def __init__(self) -> None:
        super().__init__()
        self.setFrame(False)
        self.setTextMargins(3, 3, 3, 3)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        super().paintEvent(event)
        painter = QPainter(self)
        _frame(painter, self)
        painter.end()


class Button(QPushButton):
    """Its words stand at its left, since they may be long; in the middle where it is one of a row."""

    def __init__(self, words: str, *, one_of_a_row: bool = False) -> None:
        super().__init__(words)
        self._align = Qt.AlignmentFlag.AlignHCenter if one_of_a_row else Qt.AlignmentFlag.AlignLeft

    def paintEvent(self, _: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        _ground(painter, self, pressed=self.isDown())
        inside = self.rect().adjusted(_INSIDE, 0, -_INSIDE, 0)
        painter.drawText(inside, self._align | Qt.AlignmentFlag.AlignVCenter, self.text())
        _frame(painter, self)
        painter.end()


class Choices(QComboBox):
    """One of several words. Lets the wheel scroll the form, and keeps its letters from being the window's keys."""

    def __init__(self) -> None:
        super().__init__()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        # Its row says how wide it is. By its longest word it would stay as wide as that was in the type of before.
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(4)

    def paintEvent(self, _: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        _ground(painter, self)
        inside = self.rect().adjusted(_INSIDE, 0, -_ARROW, 0)
        painter.drawText(
            inside, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, self.currentText()
        )
        x, y = self.width() - _ARROW / 2, self.height() / 2
        painter.setBrush(self.palette().color(QPalette.ColorRole.WindowText))
        painter.drawPolygon(QPolygonF([QPointF(x - 4, y - 2), QPointF(x + 4, y - 2), QPointF(x, y + 3)]))
        _frame(painter, self)
        painter.end()

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        event.ignore()

    def event(self, event: QEvent) -> bool:
        if (
            isinstance(event, QKeyEvent)
            and event.type() == QEvent.Type.ShortcutOverride
            and event.text().isprintable()
            and event.text()
            and event.modifiers() in (Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.ShiftModifier)
        ):
            event.accept()
            return True
        return super().event(event)


class Tick(QCheckBox):
    """Yes or no."""

    def paintEvent(self, _: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        side = self.fontMetrics().height()
        box = QRect(0, (self.height() - side) // 2, side, side)
        painter.fillRect(box, self.palette().color(QPalette.ColorRole.Base))
        painter.setPen(self.palette().color(QPalette.ColorRole.WindowText))
        if self.isChecked():
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, "\N{CHECK MARK}")
        beside = self.rect().adjusted(side + _INSIDE, 0, 0, 0)
        painter.drawText(beside, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, self.text())
        _frame(painter, self, box)
        painter.end()


class _Paragraph(QLabel):
    """Remembers the sizes that it asks for: Qt sets rich text anew each time, and a form asks a hundred of these at each key
    that shows or hides a line."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self._sizes: dict[tuple[object, ...], int | QSize] = {}

    def heightForWidth(self, width: int) -> int:  # noqa: N802
        found = self._remembered("high", width, lambda: super(_Paragraph, self).heightForWidth(width))
        assert isinstance(found, int)
        return found

    def sizeHint(self) -> QSize:  # noqa: N802
        found = self._remembered("hint", 0, super().sizeHint)
        assert isinstance(found, QSize)
        return found

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        found = self._remembered("least", 0, super().minimumSizeHint)
        assert isinstance(found, QSize)
        return found

    def _remembered(self, what: str, width: int, ask: Callable[[], int | QSize]) -> int | QSize:
        key = (what, width, self.text(), self.font().key(), self.margin())
        if key not in self._sizes:
            if len(self._sizes) >= _MOST_SIZES:
                self._sizes.clear()
            self._sizes[key] = ask()
        return self._sizes[key]


def paragraph(text: str) -> QLabel:
    """A paragraph, as HTML."""
    label = _Paragraph(text)
    label.setTextFormat(Qt.TextFormat.RichText)
    label.setWordWrap(True)
    return label


def quiet_paragraph(text: str) -> QLabel:
    """A paragraph of less weight."""
    label = paragraph(text)
    label.setForegroundRole(QPalette.ColorRole.PlaceholderText)
    return label


def complaint(text: str) -> QLabel:
    """What is wrong with the field above it, inverted so that it is seen."""
    label = paragraph(text)
    label.setAutoFillBackground(True)
    label.setBackgroundRole(QPalette.ColorRole.WindowText)
    label.setForegroundRole(QPalette.ColorRole.Base)
    label.setMargin(2)
    return label


class Underlined(QLabel):
    """The title of a group of fields."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.setWordWrap(True)
        self.setContentsMargins(0, 6, 0, 1)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        super().paintEvent(event)
        painter = QPainter(self)
        painter.setPen(self.palette().color(QPalette.ColorRole.Mid))
        painter.drawLine(0, self.height() - 1, self.width(), self.height() - 1)
        painter.end()
