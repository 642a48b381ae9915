"""Finds text of plain widgets that would be cut: labels, buttons, boxes. Pictures know by themselves what did not fit."""

from __future__ import annotations

from PySide6.QtGui import QFontMetrics, QTextDocument
from PySide6.QtWidgets import QAbstractButton, QComboBox, QLabel, QWidget


def cut_texts(widget: QWidget) -> list[str]:
    """The texts of visible children that need more room than they have."""
    found = []
    for label in widget.findChildren(QLabel):
        if label.isVisible() and label.text() and _cut(label):
            found.append(label.text())
    for button in widget.findChildren(QAbstractButton):
        # What a style adds around the text, which sizeHint knows, is part of what must fit.
        if button.isVisible() and button.text() and button.sizeHint().width() > button.width() + 1:
            found.append(button.text())
    for box in widget.findChildren(QComboBox):
        if (
            box.isVisible()
            and QFontMetrics(box.font()).horizontalAdvance(box.currentText()) > box.width() - 24
        ):
            found.append(box.currentText())
    return found


def _cut(label: QLabel) -> bool:
    document = QTextDocument()
    document.setDefaultFont(label.font())
    document.setHtml(label.text())
    document.setDocumentMargin(0)
    inside = label.contentsRect()
    document.setTextWidth(inside.width())
    return document.idealWidth() > inside.width() + 1 or document.size().height() > inside.height() + 2
