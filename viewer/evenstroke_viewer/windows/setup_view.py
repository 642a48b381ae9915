"""The view Set-up: a form that writes the set-up file, beside what the set-up allows."""

from __future__ import annotations

import html
import itertools
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

from evenstroke_dsp.messages import UseSetup
from evenstroke_dsp.setup import Setup, SetupError
from evenstroke_protocol.errors import EvenstrokeError
from PySide6.QtCore import QIODevice, QSaveFile, QSettings, Qt, QTimer, Signal
from PySide6.QtGui import QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import (
    QApplication,
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QScrollArea,
    QSizePolicy,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from evenstroke_viewer.firing_orders import Offer, offers_for
from evenstroke_viewer.knowing_more import more
from evenstroke_viewer.look import Look
from evenstroke_viewer.played import Played
from evenstroke_viewer.setup_document import Path, SetupDocument
from evenstroke_viewer.setup_form import (
    NEW_TEXT,
    Field,
    Group,
    Standing,
    UnreadableError,
    choose,
    chosen_offer,
    offer_sources,
    standing,
    standing_picture,
    steps,
    typed,
)
from evenstroke_viewer.view_model import ViewModel

from .form_widgets import Button, Tick, Underlined, complaint, paragraph, quiet_paragraph
from .painting import font
from .setup_editors import Editor
from .view import PictureWidget, View

if TYPE_CHECKING:
    from evenstroke_dsp.prediction import Prediction
    from evenstroke_replay.physics_cache import PhysicsCache

_ALWAYS_SHOWN = frozenset({"input", "cylinder", "teeth", "what", "plug_removed", "added_volume_cc"})
"""Keys of probes and of what is fitted that are asked for at once."""
_HEADER_SHARE = 0.24
_KEPT = ("setup_text", "setup_written", "setup_path")
_KEPT_OF_RECORDING = "setup_of_recording"
_Draft = tuple[str, str, str]
"""A text that is being written, what its file says, and that file's path; both empty where there is none."""


class SetupView(View):
    name = "Set-up"
    keys = (
        ("E", "in the set-up: into the form, to what is wrong or lacking first"),
        ("Tab, Shift+Tab", "in the form: the next field, the one before"),
        ("Esc", "in the form: leave the field"),
        ("Ctrl+N, Ctrl+O", "a new set-up, open one"),
        ("Ctrl+Shift+S", "write the set-up file"),
        ("Ctrl+T", "what it allows, or the file as it will be written"),
        ("Ctrl+P", "how much what is fitted alters, by engine physics"),
        ("Ctrl+Return", "listen with this set-up"),
    )
    _worked_out = Signal(object, object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.document = SetupDocument(NEW_TEXT)
        self.path: FilePath | None = None
        self._written = ""
        self._unread: dict[Path, str] = {}
        # As they were when it was last a set-up: half a word typed must not lay the form out anew.
        self._setup: Setup | None = None
        self._answers: tuple[tuple[str, str], ...] = ()
        self._prediction: tuple[str, Prediction | None] | None = None  # of which text
        self._opened: set[tuple[Path, str]] = set()
        self.editors: dict[Path, Editor] = {}
        self.wrong: dict[Path, QLabel] = {}
        self.answers: dict[str, Tick] = {}
        self._offers: dict[Offer, Button] = {}
        self._shape: object = None
        self._dropping: str | None = None
        self._look = Look()
        self._sized: object = None
        self._type = 15
        self._headings: list[QLabel] = []
        self.stands: Standing
        self.physics: PhysicsCache | None = None  # the user's own, once it is asked
        self._draft: _Draft | None = None
        self._played: Played | None = None
        self._of_recording: list[str] = []
        self._lay_out()
        self._bind_keys()
        self._worked_out.connect(self._take_prediction)
        self._check()

    # --- what is where -------------------------------------------------------------------------------

    def _lay_out(self) -> None:
        self.header = PictureWidget()
        self.header.setAccessibleName("Where the set-up stands")
        self.buttons = QWidget()
        self._row: list[Button] = []
        row = QHBoxLayout(self.buttons)
        row.setContentsMargins(6, 2, 6, 2)
        row.setSpacing(4)
        for words, key, does in (
            ("New", "Ctrl+N", self.begin_new),
            ("Open", "Ctrl+O", self._ask_what_to_open),
            ("Write the file", "Ctrl+Shift+S", self.write),
            ("File or check", "Ctrl+T", self._file_or_check),
            ("How much?", "Ctrl+P", self.work_out),
            ("Listen with it", "Ctrl+Return", self._listen),
        ):
            button = Button(words, one_of_a_row=True)
            button.setToolTip(key)
            button.clicked.connect(lambda _=False, does=does: does())
            row.addWidget(button)
            self._row.append(button)
        self.area = QScrollArea()
        self.area.setWidgetResizable(True)
        self.area.setFrameShape(QFrame.Shape.NoFrame)
        self.area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.told = QTextBrowser()
        self.told.setFrameShape(QFrame.Shape.NoFrame)
        self.told.setAccessibleName("What the set-up allows")
        self._shows_file = False
        below = QHBoxLayout()
        below.setSpacing(0)
        below.addWidget(self.area, 1)
        below.addWidget(self.told, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.header)
        column.addWidget(self.buttons)
        column.addLayout(below, 1)

    def _bind_keys(self) -> None:
        for sequence, does in (
            ("Ctrl+N", self.begin_new),
            ("Ctrl+O", self._ask_what_to_open),
            ("Ctrl+Shift+S", self.write),
            ("Ctrl+T", self._file_or_check),
            ("Ctrl+P", self.work_out),
            ("Ctrl+Return", self._listen),
            ("Esc", self._leave_field),
        ):
            QShortcut(
                QKeySequence(sequence), self, does, context=Qt.ShortcutContext.WidgetWithChildrenShortcut
            )
        # From wherever the focus is, as long as this view shows.
        QShortcut(QKeySequence("E"), self, self.enter_form)

    def enter_form(self) -> None:
        """Put the focus where something is wrong, or lacking, or else at the top."""
        lacking = [path for path in self.editors if self.document.value(path) is None]
        wanted = (
            [self.stands.wrong] if self.stands.wrong in self.editors else [] if self.stands.setup else lacking
        )
        path = next(iter((*wanted, *self.editors)))
        assert path is not None
        self.editors[path].take_focus()
        self._scroll_to_focus()

    def _leave_field(self) -> None:
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setFocus()

    # --- the form ------------------------------------------------------------------------------------

    def _check(self) -> None:
        """Work out where the set-up stands, and show it."""
        text = self.document.text
        known = self._prediction[1] if self._prediction is not None and self._prediction[0] == text else None
        recorded = self._played is not None and text == self._played.setup_text
        self.stands = standing(
            self.document,
            known,
            self._unread,
            saved=text == self._written or recorded,
            recorded=recorded and self.path is None,
            listens=self._played is None,
        )
        if self.stands.setup is not None:
            self._setup, self._answers = self.stands.setup, self.stands.answers
        self._relay()
        self._mark_offer()
        for path, editor in self.editors.items():
            if path not in self._unread and not editor.focused:  # what is being typed stays as it is typed
                editor.show_value(self.document.value(path))
        for path, label in self.wrong.items():
            words = self._unread.get(path, "")
            if words:
                words = f"Type {words}."
            elif path == self.stands.wrong:
                words = self.stands.now
            label.setText(f"\N{BLACK RIGHT-POINTING TRIANGLE} {words}" if words else "")
            if bool(words) != label.isVisibleTo(self):
                label.setVisible(bool(words))
                QTimer.singleShot(0, self, self._scroll_to_focus)  # once it has its place
        self._tell()
        self._paint_header()

    def _visible(self, group: Group) -> tuple[Field, ...]:
        key = (group.path, group.title)
        always = group.path[:1] in (("conditions",), ()) or group.title == "The engine"
        return tuple(
            field
            for field in group.fields
            if always
            or field.needed
            or key in self._opened
            or (len(group.path) == 2 and field.key in _ALWAYS_SHOWN)
            or self.document.value((*group.path, field.key)) is not None
            or (*group.path, field.key) in self._unread
            or (*group.path, field.key) == self.stands.wrong
        )

    def _relay(self) -> None:
        """Lay the form out anew where other fields, cautions or offers belong into it; what is typed in stays."""
        form = steps(self.document, self._setup)
        offers = offers_for(self.document.value(("engine", "cylinders")))
        additions = (
            tuple(m for m in more(self._setup) if m.probe is not None) if self._setup is not None else ()
        )
        shape = (
            form,
            offers,
            additions,
            self._answers,
            tuple(self._visible(g) for step in form for g in step.groups),
        )
        if shape == self._shape:
            return
        self._shape = shape
        focused = next((path for path, editor in self.editors.items() if editor.focused), None)
        at = self.area.verticalScrollBar().value()
        inner = QWidget()
        column = QVBoxLayout(inner)
        column.setContentsMargins(10, 4, 10, 10)
        column.setSpacing(3)
        self.wrong, self.answers, self._offers, self._headings = {}, {}, {}, []
        kept: dict[Path, Editor] = {}
        for step in form:
            heading = paragraph(html.escape(step.title))
            heading.setFont(font(1.25 * self._type, bold=True))
            self._headings.append(heading)
            column.addWidget(heading)
            if step.cautions:
                lines = "".join(f"<li>{html.escape(c.text)}</li>" for c in step.cautions)
                column.addWidget(quiet_paragraph(f"<ul style='margin-left:-24px'>{lines}</ul>"))
            for group in step.groups:
                self._lay_group(column, group, kept)
                if group.title == "The engine":
                    for offer in offers:
                        self._offers[offer] = _button(offer.words, partial(self._choose, offer))
                        column.addWidget(self._offers[offer])
                    if offers:
                        column.addWidget(quiet_paragraph(html.escape(offer_sources(offers))))
            if step.step == "make_safe" and step.groups:
                for word, danger in self._answers:
                    self._lay_answer(column, word, danger)
            if step.step == "connect" and step.groups:
                for addition in additions:
                    assert addition.probe is not None
                    column.addWidget(
                        _button(f"Add {addition.what}", partial(self._add_probe, dict(addition.probe)))
                    )
                column.addWidget(_button("Add another probe", partial(self._add_probe, {"role": "other"})))
                column.addWidget(_button("Add something fitted, not recorded", self._add_fitted))
        column.addStretch(1)
        for path, editor in self.editors.items():
            if path not in kept:
                editor.deleteLater()
        self.editors = kept
        # The old one may hold the very button whose click is being answered.
        old = self.area.takeWidget()
        if old is not None:
            old.deleteLater()
        self.area.setWidget(inner)
        inner.show()
        if focused in kept:
            kept[focused].take_focus()
        QTimer.singleShot(0, self, lambda: self._scroll_back(at))

    def _mark_offer(self) -> None:
        """A sign at the offered order that the file has."""
        taken = chosen_offer(self.document)
        for offer, button in self._offers.items():
            button.setText(f"\N{CHECK MARK} {offer.words}" if offer == taken else offer.words)

    def _scroll_back(self, at: int) -> None:
        """To where it was before the form was laid out anew, or to what has the focus by now."""
        self.area.verticalScrollBar().setValue(at)
        self._scroll_to_focus()

    def _scroll_to_focus(self) -> None:
        """What has the focus in sight, with what is said to be wrong with it."""
        focused = QApplication.focusWidget()
        if focused is None or not self.area.isAncestorOf(focused):
            return
        path = next((path for path, editor in self.editors.items() if editor.focused), None)
        if path is not None and self.wrong[path].isVisible():
            self.area.ensureWidgetVisible(self.wrong[path])
        self.area.ensureWidgetVisible(focused)

    def _lay_group(self, column: QVBoxLayout, group: Group, kept: dict[Path, Editor]) -> None:
        if group.title and group.title != "The engine":
            column.addWidget(Underlined(group.title))
        visible = self._visible(group)
        for field in visible:
            path = (*group.path, field.key)
            label = paragraph(f"<b>{html.escape(field.label)}</b> {html.escape(field.worth)}")
            editor = self.editors.get(path)
            if editor is None or editor.field != field:
                editor = Editor(field)
                editor.changed.connect(partial(self._typed, path, field))
            kept[path] = editor
            self.wrong[path] = complaint("")
            self.wrong[path].hide()
            for widget in (label, editor, self.wrong[path]):
                column.addWidget(widget)
        hidden = [field for field in group.fields if field not in visible]
        if hidden:
            column.addWidget(
                _button(f"{len(hidden)} more that may be known", lambda: self._open_group(group))
            )
        if len(group.path) == 2 and group.path[0] in ("probe", "fitted"):
            column.addWidget(_button(f"Take out {group.title.lower()}", lambda: self._take_out(group.path)))

    def _lay_answer(self, column: QVBoxLayout, word: str, danger: str) -> None:
        box = Tick("I have read this and provided for it")
        box.setChecked(word in self._acknowledged())
        self.answers[word] = box
        box.toggled.connect(lambda on: self._answer(word, on))
        column.addWidget(paragraph(f"<b>Danger.</b> {html.escape(danger)}"))
        column.addWidget(box)

    # --- what is done to it ----------------------------------------------------------------------------

    def _typed(self, path: Path, field: Field, words: str) -> None:
        self._unread.pop(path, None)
        try:
            self.document.put(path, typed(field, words))
        except UnreadableError as expected:
            self._unread[path] = str(expected)
        self._check()

    def _choose(self, offer: Offer) -> None:
        for key in ("firing_order", "firing_intervals_deg"):
            self._unread.pop(("engine", key), None)
        choose(self.document, offer)
        self._check()
        self.editors[("engine", "firing_order")].take_focus()

    def _acknowledged(self) -> list[str]:
        found = self.document.value(("conditions", "acknowledged"))
        return [str(word) for word in found] if isinstance(found, list) else []

    def _answer(self, word: str, on: bool) -> None:
        words = [w for w in self._acknowledged() if w != word] + ([word] if on else [])
        self.document.put(("conditions", "acknowledged"), words or None)
        self._check()
        if word in self.answers:
            self.answers[word].setFocus()

    def _open_group(self, group: Group) -> None:
        before = set(self.editors)
        self._opened.add((group.path, group.title))
        self._check()
        shown = next((editor for path, editor in self.editors.items() if path not in before), None)
        if shown is not None:
            shown.take_focus()

    def _add_probe(self, values: dict[str, str | int]) -> None:
        taken = {self.document.value(("probe", k, "name")) for k in range(self.document.count("probe"))}
        name = str(values.get("name", "probe"))
        name = next(n for n in _numbered(name) if n not in taken)
        place = self.document.add("probe", {**values, "name": name})
        self._check()
        self.editors[("probe", place, "name")].take_focus()

    def _add_fitted(self) -> None:
        place = self.document.add("fitted", {"what": "compression hose"})
        self._check()
        self.editors[("fitted", place, "cylinder")].take_focus()

    def _take_out(self, path: Path) -> None:
        tables, place = path
        assert tables in ("probe", "fitted") and isinstance(place, int)
        self.document.take_out("probe" if tables == "probe" else "fitted", place)
        self._unread = {p: words for p, words in self._unread.items() if p[:1] != (tables,)}
        self._shape = None  # the same fields may now belong to the next one
        self._check()
        self.area.setFocus()

    # --- files -----------------------------------------------------------------------------------------

    def begin_new(self) -> None:
        """An empty form, once nothing would be lost, or the loss was said."""
        if self._may_drop("a new one"):
            self._use(SetupDocument(NEW_TEXT), None, "")

    def open(self, path: FilePath) -> None:
        """Take a file into the form; one that cannot be read is said."""
        try:
            text = path.read_bytes().decode("utf-8").removeprefix("\ufeff")
            document = SetupDocument(text, path.name)
        except (OSError, UnicodeDecodeError) as error:
            self.said.emit(f"{path} cannot be read as a text in UTF-8: {error}")
        except SetupError as error:
            self.said.emit(" ".join(str(error).split()))
        else:
            self._use(document, path, text)

    def write(self) -> None:
        """Into its file; into one that is asked for where it has none."""
        if self.path is not None:
            self.write_to(self.path)
            return
        dialog = QFileDialog(self, "Write the set-up", "set-up.toml", "Set-ups (*.toml)")
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setDefaultSuffix("toml")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda path: self.write_to(FilePath(path)))
        dialog.open()

    def write_to(self, path: FilePath) -> None:
        """The whole file or none of it; what went wrong is said."""
        text = self.document.text
        file = QSaveFile(str(path))
        data = text.encode()
        if not (
            file.open(QIODevice.OpenModeFlag.WriteOnly) and file.write(data) == len(data) and file.commit()
        ):
            self.said.emit(f"Not written: {path}: {file.errorString()}")
            return
        self.path, self._written = path, text
        self.document.name = path.name
        self._check()
        unfinished = "" if self.stands.setup is not None else " It is no set-up yet: it says what is missing."
        self.said.emit(f"Written: {path}.{unfinished}")

    def _ask_what_to_open(self) -> None:
        if not self._may_drop("another one"):
            return
        dialog = QFileDialog(self, "Open a set-up", "", "Set-ups (*.toml);;All files (*)")
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda path: self.open(FilePath(path)))
        dialog.open()

    def _may_drop(self, what: str) -> bool:
        text = self.document.text
        recorded = self._played.setup_text if self._played is not None else NEW_TEXT
        if text in (self._written, NEW_TEXT, recorded) or self._dropping == text:
            self._dropping = None
            return True
        self._dropping = text
        self.said.emit(f"This set-up is not written to a file yet. Ask for {what} once more to drop it.")
        return False

    def _use(self, document: SetupDocument, path: FilePath | None, written: str) -> None:
        self._draft = None
        self.document, self.path, self._written = document, path, written
        self._unread, self._opened, self._shape = {}, set(), None
        self._setup, self._answers = None, ()
        self.area.verticalScrollBar().setValue(
            0
        )  # before the form is laid out, which goes back to where it was
        self._check()

    def keep(self, settings: QSettings) -> None:
        path = str(self.path) if self.path is not None else ""
        draft = self._draft or (self.document.text, self._written, path)
        if self._played is None:
            for key, value in zip(_KEPT, draft, strict=True):
                settings.setValue(key, value)
            return
        # What is being written beside no recording stays as it was.
        recording = str(self._played.path.absolute())
        if draft[0] != self._played.setup_text:
            settings.setValue(_KEPT_OF_RECORDING, [recording, *draft])
        elif self._of_recording[:1] == [recording]:
            settings.remove(_KEPT_OF_RECORDING)

    def restore(self, settings: QSettings) -> None:
        text, written, path = (str(settings.value(key) or "") for key in _KEPT)
        # Checked once somebody looks at it: that takes a second or two, which a window that opens has not.
        self._draft = (text, written, path) if text else None
        kept = settings.value(_KEPT_OF_RECORDING)
        self._of_recording = [str(value or "") for value in kept] if isinstance(kept, list) else []

    def offer(self, played: Played) -> None:
        self._played = played
        self._draft = (played.setup_text, "", "")
        if len(self._of_recording) == 4 and self._of_recording[0] == str(played.path.absolute()):
            _, text, written, path = self._of_recording
            self._draft = (text, written, path)

    def _take_up_draft(self) -> None:
        if self._draft is None:
            return
        (text, written, path), self._draft = self._draft, None
        name = f"set-up {self._played.setup_name}" if self._played is not None else "set-up file"
        try:
            document = SetupDocument(text, FilePath(path).name or name)
        except SetupError:
            return  # of another version, or damaged: the form begins anew
        self._use(document, FilePath(path) if path else None, written)

    # --- what else it can be asked -----------------------------------------------------------------------

    def _listen(self) -> None:
        if self.stands.setup is None or self.stands.alarm:
            self.said.emit(f"Not yet. {self.stands.sentence}")
            return
        self.asks.emit(UseSetup(id="set-up", toml=self.document.text), "It listens anew, with this set-up.")

    def work_out(self) -> None:
        """Ask the engine physics, aside, how much what is fitted alters."""
        setup, text = self.stands.setup, self.document.text
        if setup is None:
            self.said.emit(f"Not yet. {self.stands.sentence}")
            return
        self.said.emit("Working out by engine physics what is fitted does: up to half a minute.")
        threading.Thread(target=self._work_out, args=(setup, text), name="physics", daemon=True).start()

    def _work_out(self, setup: Setup, text: str) -> None:
        from evenstroke_replay.physics_cache import PhysicsCache, default_folder

        try:
            if self.physics is None:
                self.physics = PhysicsCache(default_folder())
            found = self.physics.prediction(setup)
        except EvenstrokeError as error:
            self._worked_out.emit(text, error)
        else:
            self._worked_out.emit(text, found)

    def _take_prediction(self, text: str, found: object) -> None:
        if isinstance(found, EvenstrokeError):
            self.said.emit(" ".join(str(found).split()))
            return
        from evenstroke_dsp.prediction import Prediction

        if not isinstance(found, Prediction):
            self.said.emit("The engine physics say nothing of this test: they crank, and compare pulses.")
            return
        self._prediction = (text, found)
        changed = "" if text == self.document.text else " The set-up has changed meanwhile: ask again."
        self.said.emit(f"Worked out.{changed}")
        self._check()

    # --- how it looks ------------------------------------------------------------------------------------

    def refresh(self, model: ViewModel, look: Look) -> None:
        self._take_up_draft()
        self.use(look)

    def use(self, look: Look) -> None:
        """Colours and sizes, where they or the window's have changed."""
        sized = (look, self.width(), self.height())
        if sized != self._sized:
            self._look, self._sized = look, sized
            self._style()
            self._tell()
            self._paint_header()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        super().resizeEvent(event)
        self.use(self._look)

    def _style(self) -> None:
        wide, high = float(max(1, self.width())), float(max(1, self.height()))
        # A window of 1280 x 720 leaves some 1280 x 600 to a view.
        size = max(9.0, min(self._look.px(16.0, wide, high * 1.2), wide / 50.0))
        self._type = round(size)
        self.setFont(font(self._type))  # handed down to all that is in it
        for heading in self._headings:
            heading.setFont(font(1.25 * self._type, bold=True))
        for button in self._row:
            button.setFont(font(max(9.0, min(size, wide / 72.0))))
        self.header.setFixedHeight(round(_HEADER_SHARE * high))

    def _file_or_check(self) -> None:
        self._shows_file = not self._shows_file
        self._tell()

    def _tell(self) -> None:
        recorded = self._played is not None and self.document.text == self._played.setup_text
        whose = f"The set-up {self._played.setup_name}" if self._played is not None and recorded else ""
        if self._shows_file:
            name = html.escape(
                str(self.path) if self.path is not None else whose or "not written to a file yet"
            )
            text = html.escape(self.document.text)
            told = f"<p><b>{name}</b></p><pre style='white-space: pre-wrap'>{text}</pre>"
        else:
            told = f"<p>{html.escape(whose)}.</p>" if whose else ""
            told += "".join(
                f"<p><b>{html.escape(s.title)}</b></p>"
                + "".join(f"<p>{html.escape(line)}</p>" for line in s.lines)
                for s in self.stands.sections
            )
        if told != self.told.property("told"):
            self.told.setProperty("told", told)
            self.told.setHtml(told)
        self.told.setVisible(bool(told))  # with nothing to say it leaves its half to the form

    def _paint_header(self) -> None:
        high = _HEADER_SHARE * max(1, self.height())
        self.header.show_picture(standing_picture(self.stands, float(max(1, self.width())), high, self._look))


def _button(says: str, does: Callable[[], None]) -> Button:
    button = Button(says)
    button.clicked.connect(lambda _=False: does())
    button.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
    return button


def _numbered(name: str) -> Iterator[str]:
    """The name, and then with a number behind it, without end."""
    yield name
    for number in itertools.count(2):
        yield f"{name} {number}"
