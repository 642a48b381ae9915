"""The editors of a form's fields: text, and choices; each says what was typed as the file would hold it."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QWidget

from evenstroke_viewer.setup_form import Field, choice_words, shown

from .form_widgets import Choices, TextLine

NOT_SAID = "not said"


class Editor(QWidget):
    """One field's. changed: what is typed, or chosen, now."""

    changed = Signal(str)

    def __init__(self, field: Field) -> None:
        super().__init__()
        self.field = field
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        self.line: TextLine | None = None
        self.box: Choices | None = None
        words = field.choices or (("yes", "no") if field.kind == "yes or no" else ())
        if words:
            self.box = Choices()
            if not field.needed:
                self.box.addItem(NOT_SAID, "")
            for word in words:
                self.box.addItem(choice_words(field, word), word)
            self.box.activated.connect(lambda _: self.changed.emit(self.words))
            self.box.setAccessibleName(field.label)
            row.addWidget(self.box)
            self.setFocusProxy(self.box)
        else:
            self.line = TextLine()
            self.line.textEdited.connect(self.changed)
            self.line.setAccessibleName(field.label)
            row.addWidget(self.line)
            self.setFocusProxy(self.line)

    @property
    def focused(self) -> bool:
        return (self.line or self.box or self).hasFocus()

    def take_focus(self) -> None:
        (self.line or self.box or self).setFocus()

    @property
    def words(self) -> str:
        """As it stands in the editor; "" where nothing is said."""
        if self.line is not None:
            return self.line.text()
        assert self.box is not None
        return str(self.box.currentData())

    def show_value(self, value: object) -> None:
        """Stand as the file says, without a word about it."""
        words = shown(self.field, value)
        if self.line is not None:
            if self.line.text() != words:
                self.line.setText(words)
            return
        assert self.box is not None
        place = self.box.findData(words)
        if place < 0 and words:  # a word of a file that is not right: it is shown as it is
            self.box.addItem(words, words)
            place = self.box.count() - 1
        self.box.setCurrentIndex(place)
