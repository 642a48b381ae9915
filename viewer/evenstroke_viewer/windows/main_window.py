"""The window: a tab for each view, the band that is always there, the keys, and what is kept until next time."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from pathlib import Path

from evenstroke_dsp.messages import Mark, Request, StartRecording, StopRecording
from evenstroke_replay.pacing import Command, SeekTo
from PySide6.QtCore import QByteArray, QSettings, Qt, QTimer, Signal
from PySide6.QtGui import QCloseEvent, QColor, QKeySequence, QPalette, QResizeEvent, QShortcut
from PySide6.QtWidgets import (
    QApplication,
    QFileDialog,
    QLabel,
    QLineEdit,
    QMainWindow,
    QSlider,
    QStackedWidget,
    QTabBar,
    QVBoxLayout,
    QWidget,
)

from evenstroke_viewer.asking import Control, ask_aside
from evenstroke_viewer.band import band, high_of
from evenstroke_viewer.feed import Feed, MarkNote, Player
from evenstroke_viewer.keys import KEYS, Does, help_lines
from evenstroke_viewer.look import LIGHT, THEMES, TYPE_SCALES, Look
from evenstroke_viewer.played import Played
from evenstroke_viewer.units import PressureUnit
from evenstroke_viewer.view_model import ViewModel

from . import VIEWS
from .painting import font, load_fonts
from .view import PICTURE_SUFFIXES, PictureWidget, View

FRAME_MS = 33
"""Between two looks for what is new: at most thirty times a second."""
_NAME = "evenstroke"
_NOTICE_MS = 8000
_SMALLEST = (640, 360)
_LEAST_HELP_PX = 6


class MainWindow(QMainWindow):
    """feed: where messages come from; it is started and closed with the window. settings: where the window's state is
    kept. control: where the daemon answers requests; of no use to a replay. played: the recording, where feed plays one."""

    _answered = Signal(str)

    def __init__(
        self, feed: Feed, settings: QSettings, control: Control | None, played: Played | None = None
    ) -> None:
        super().__init__()
        self._feed = feed
        self._settings = settings
        self._control = control
        self._replay = feed if isinstance(feed, Player) else None
        self.model = ViewModel()
        self.model.where = feed.where
        self.look = Look()
        self.frames = 0
        self.views: list[View] = []
        self._tabs = QTabBar()
        self._stack = QStackedWidget()
        self._band = PictureWidget()
        self._band.setAccessibleName("Link, recording, losses, clock and disk")
        self._scrub = QSlider(Qt.Orientation.Horizontal)
        self._band_shows: tuple[object, ...] | None = None
        self._note = QLineEdit()
        self._note_at_s = 0.0
        self._help = QLabel()
        self._lay_out()
        self._add_views()
        self._bind_keys()
        self._restore(played)
        self._answered.connect(self.notice)
        self._notice_over = QTimer(self)
        self._notice_over.setSingleShot(True)
        self._notice_over.timeout.connect(lambda: self.notice(""))
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.advance)
        feed.start()
        self._timer.start(FRAME_MS)

    # --- what is where -------------------------------------------------------------------------------

    def _lay_out(self) -> None:
        self.setWindowTitle(_NAME)
        self.setMinimumSize(*_SMALLEST)
        self._tabs.setExpanding(True)
        self._tabs.setDrawBase(False)
        self._tabs.setUsesScrollButtons(False)
        self._tabs.setElideMode(Qt.TextElideMode.ElideNone)
        self._tabs.currentChanged.connect(self._stack.setCurrentIndex)
        self._notice_line = QLabel()
        self._notice_line.setWordWrap(True)
        self._notice_line.hide()
        self._note.setPlaceholderText("A note for this moment; Enter keeps it, Esc does not")
        self._note.setAccessibleName("Note for this moment")
        self._note.returnPressed.connect(self._keep_note)
        self._note.hide()
        QShortcut(QKeySequence("Esc"), self._note, self._drop_note, context=Qt.ShortcutContext.WidgetShortcut)
        middle = QWidget()
        column = QVBoxLayout(middle)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        self._scrub.setRange(0, 0)
        self._scrub.setAccessibleName("Place in the recording, tenths of a second")
        self._scrub.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # arrow keys belong to the views
        self._scrub.setVisible(self._replay is not None)
        self._scrub.sliderMoved.connect(self.seek_tenths)
        self._scrub.actionTriggered.connect(lambda _: self.seek_tenths(self._scrub.sliderPosition()))
        for widget in (
            self._tabs,
            self._stack,
            self._note,
            self._scrub,
            self._band,
        ):
            column.addWidget(widget, 1 if widget is self._stack else 0)
        self.setCentralWidget(middle)
        self._notice_line.setParent(middle)
        self._help.setParent(middle)
        self._help.setTextFormat(Qt.TextFormat.RichText)
        self._help.setWordWrap(True)
        self._help.hide()

    def _add_views(self) -> None:
        for number, (module, name) in enumerate(VIEWS, 1):
            made = getattr(importlib.import_module(f".{module}", __package__), name)()
            assert isinstance(made, View)
            self.views.append(made)
            self._stack.addWidget(made)
            self._tabs.addTab(f"{number} {made.name}")
            made.said.connect(self.notice)
            made.asks.connect(self._ask_for_view)
            QShortcut(QKeySequence(str(number)), self, lambda i=number - 1: self.show_view(i))

    def _bind_keys(self) -> None:
        does: dict[Does, Callable[[], None]] = {
            Does.NEXT_VIEW: lambda: self.show_view((self._tabs.currentIndex() + 1) % len(self.views)),
            Does.MARK: self.begin_note,
            Does.RECORD: self._record,
            Does.UNIT: lambda: self.model.choose(self.model.pressure_unit.next()),
            Does.THEME: self._other_theme,
            Does.LARGER: self._larger,
            Does.NOMINAL: lambda: self.use_look(Look(self.look.theme)),
            Does.SAVE: self._ask_where_to_save,
            Does.FULL: lambda: self.showNormal() if self.isFullScreen() else self.showFullScreen(),
            Does.HELP: self._help_on_off,
            Does.QUIT: self._end,
        }
        if self._replay is not None:
            do = self._replay.do
            does |= {
                Does.PAUSE: lambda: do(Command.PAUSE),
                Does.CYCLE: lambda: do(Command.CYCLE),
                Does.BACK: lambda: do(Command.BACK),
                Does.FORWARD: lambda: do(Command.FORWARD),
                Does.FASTER: lambda: do(Command.FASTER),
                Does.SLOWER: lambda: do(Command.SLOWER),
                Does.SECOND_BACK: lambda: self._seek_by(-1.0),
                Does.SECOND_ON: lambda: self._seek_by(1.0),
                Does.STAY: self._replay.stay,
            }
        shortcuts = {
            key.does: QShortcut(QKeySequence(key.sequence), self, does[key.does])
            for key in KEYS
            if key.does in does
        }
        self._stay = shortcuts.get(Does.STAY)

    # --- frame by frame ------------------------------------------------------------------------------

    def advance(self) -> None:
        """Fetch what came, and show it: the timer calls this."""
        self.model.deliver(self._feed.inbox.take())
        self.redraw()

    def redraw(self) -> None:
        """Show the model as it is now."""
        self.frames += 1
        self.views[self._tabs.currentIndex()].refresh(self.model, self.look)
        playing = self.model.playing
        if self._stay is not None:  # at other times Esc leaves notes and fields
            self._stay.setEnabled(playing is not None and playing.to_s is not None)
        if playing is not None and not self._scrub.isSliderDown():
            length_s = playing.length_s
            if (
                length_s is None
            ):  # it was cut, and says nowhere how long it is: as long as was played, at least
                length_s = max(playing.at_s, self._scrub.maximum() / 10)
            self._scrub.setRange(0, round(10 * length_s))
            self._scrub.setValue(round(10 * playing.at_s))
        wide, high = float(self._band.width()), float(self._band.height())
        shows = (id(self.model), self.model.revision - self.model.waves, self.look, wide, high)
        if shows != self._band_shows:
            self._band_shows = shows
            self._band.show_picture(band(self.model, wide, high, self.look))

    def show_view(self, index: int) -> None:
        self._tabs.setCurrentIndex(index)
        self.redraw()

    def seek_tenths(self, tenths: int) -> None:
        """Go on from there in the recording, tenths of a second."""
        if self._replay is not None:
            self._replay.do(SeekTo(tenths / 10.0))

    def _seek_by(self, seconds: float) -> None:
        playing = self.model.playing
        if playing is not None and self._replay is not None:
            self._replay.do(SeekTo(max(0.0, playing.at_s + seconds)))

    # --- what keys do ----------------------------------------------------------------------------------

    def use_look(self, look: Look) -> None:
        """Colours and size of type from now on."""
        self.look = look
        theme = look.theme
        palette = QPalette()
        for role, colour in (
            (QPalette.ColorRole.Window, theme.panel),
            (QPalette.ColorRole.WindowText, theme.ink),
            (QPalette.ColorRole.Base, theme.ground),
            (QPalette.ColorRole.AlternateBase, theme.panel),
            (QPalette.ColorRole.Text, theme.ink),
            (QPalette.ColorRole.Button, theme.panel),
            (QPalette.ColorRole.ButtonText, theme.ink),
            (QPalette.ColorRole.Mid, theme.rule),
            (QPalette.ColorRole.PlaceholderText, theme.quiet),
            (QPalette.ColorRole.Highlight, theme.ink),
            (QPalette.ColorRole.HighlightedText, theme.ground),
            (QPalette.ColorRole.ToolTipBase, theme.panel),
            (QPalette.ColorRole.ToolTipText, theme.ink),
        ):
            palette.setColor(role, QColor(colour))
        # Style sheets beside them keep the window from handing it down to these.
        for widget in (self, self._stack, self._note, self._scrub):
            widget.setPalette(palette)
        self._size_type()
        self.redraw()

    def _size_type(self) -> None:
        wide, high = float(self.width()), float(self.height())
        self._band.setFixedHeight(round(high_of(wide, high, self.look)))
        # Eight names share the width, so that larger type stops where they would no longer fit.
        size = min(self.look.px(17.0, wide, high), wide / 75.0)
        for widget in (self._tabs, self._note, self._notice_line):
            widget.setFont(font(max(9.0, size)))
        theme = self.look.theme
        self._tabs.setStyleSheet(
            f"QTabBar::tab {{ background: {theme.panel}; color: {theme.quiet}; padding: 5px 2px; border: none; }}"
            f"QTabBar::tab:selected {{ background: {theme.ground}; color: {theme.ink}; font-weight: bold; "
            f"border-bottom: 3px solid {theme.ink}; }}"
        )
        self._notice_line.setStyleSheet(f"background: {theme.ink}; color: {theme.ground}; padding: 4px 12px;")
        self._help.setStyleSheet(f"background: {theme.panel}; color: {theme.ink}; padding: 10px;")
        self._place_help()

    def _end(self) -> None:
        self.close()

    def _other_theme(self) -> None:
        names = list(THEMES)
        name = names[(names.index(self.look.theme.name) + 1) % len(names)]
        self.use_look(Look(THEMES[name], self.look.type_scale))

    def _larger(self) -> None:
        larger = next((s for s in TYPE_SCALES if s > self.look.type_scale), TYPE_SCALES[0])
        self.use_look(Look(self.look.theme, larger))

    def notice(self, words: str) -> None:
        """Say something for some seconds; nothing: stop saying it."""
        self._notice_line.setText(words)
        self._notice_line.setVisible(bool(words))
        self._place_notice()
        if words:
            self._notice_over.start(_NOTICE_MS)

    def _place_notice(self) -> None:
        """Over the lower edge of the view, which keeps its size."""
        below = self._stack.geometry()
        high = self._notice_line.heightForWidth(below.width())
        self._notice_line.setGeometry(below.x(), below.bottom() + 1 - high, below.width(), high)
        self._notice_line.raise_()

    def begin_note(self) -> None:
        """Ask for a note; the moment that it is of is now."""
        self._note_at_s = self.model.now_s
        self._note.clear()
        self._note.show()
        self._note.setFocus()

    def _drop_note(self) -> None:
        self._note.hide()
        self.setFocus()

    def _keep_note(self) -> None:
        words = self._note.text().strip() or "marked"
        self._drop_note()
        self.model.take(MarkNote(self._note_at_s, words))
        if self._replay is not None or self._control is None:
            self.notice("Marked here only: a recording that is played is not written into.")
            return
        self._ask(Mark(id="mark", text=f"{words} (at {self._note_at_s:.2f} s)"), f"Marked: {words}")

    def _record(self) -> None:
        state = self.model.state
        if self._replay is not None or self._control is None:
            self.notice("This is a replay: there is nothing to record.")
        elif state is not None and state.recording is not None:
            self._ask(StopRecording(id="record"), "The recording is closed.")
        else:
            self._ask(StartRecording(id="record"), "Recording, with the last seconds in it.")

    def _ask(self, request: Request, done: str) -> None:
        assert self._control is not None
        ask_aside(
            self._control,
            request,
            lambda why: self._answered.emit(done if why is None else f"Not done: {why}"),
        )

    def _ask_for_view(self, request: Request, done: str) -> None:
        if self._control is None:
            self.notice("This is a replay: nobody listens who could be asked.")
        else:
            self._ask(request, done)

    def _ask_where_to_save(self) -> None:
        view = self.views[self._tabs.currentIndex()]
        named = f"evenstroke-{view.name.lower().replace(' ', '-')}.png"
        dialog = QFileDialog(self, "Save this view as a picture", named, "Pictures (*.png *.svg)")
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda path: self.save_view(Path(path)))
        dialog.open()

    def save_view(self, path: Path) -> None:
        """The view that shows, as a picture; what went wrong is said."""
        if path.suffix.lower() not in PICTURE_SUFFIXES:
            path = path.with_name(path.name + ".png")
        try:
            self.views[self._tabs.currentIndex()].save(path)
        except OSError as error:
            self.notice(f"Not saved: {error}")
        else:
            self.notice(f"Saved: {path}")

    def _help_on_off(self) -> None:
        shown = self._tabs.currentIndex()
        own = [
            key for view in (*self.views[shown:], *self.views[:shown]) for key in view.keys
        ]  # this view's first
        halves = (help_lines(replay=self._replay is not None), own)
        columns = "".join(f"<td><table>{_rows(half)}</table></td>" for half in halves)
        self._help.setText(f"<table width='100%'><tr>{columns}</tr></table>")
        self._help.setVisible(not self._help.isVisible())
        self._place_help()
        self._help.raise_()

    def _place_help(self) -> None:
        wide, most = min(1240, self.width() - 20), self.height() - 20
        size = self._tabs.font().pixelSize()
        self._help.setFont(font(size))
        while self._help.heightForWidth(wide) > most and size > _LEAST_HELP_PX:
            size -= 1
            self._help.setFont(font(size))
        high = self._help.heightForWidth(wide)
        self._help.setGeometry((self.width() - wide) // 2, max(10, (self.height() - high) // 2), wide, high)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        super().resizeEvent(event)
        self._size_type()
        self._place_notice()

    # --- until next time -------------------------------------------------------------------------------

    def _restore(self, played: Played | None) -> None:
        kept = self._settings
        geometry = kept.value("geometry")
        self.resize(1280, 720)
        if isinstance(geometry, QByteArray):
            self.restoreGeometry(geometry)
        theme = THEMES.get(str(kept.value("theme")), LIGHT)
        scale = next((s for s in TYPE_SCALES if str(s) == str(kept.value("type_scale"))), TYPE_SCALES[0])
        unit = next((u for u in PressureUnit if u.value == kept.value("pressure_unit")), PressureUnit.KPA)
        self.model.choose(unit)
        names = [view.name for view in self.views]
        shown = str(kept.value("view"))
        self._tabs.setCurrentIndex(names.index(shown) if shown in names else 0)
        for view in self.views:
            view.restore(kept)
            if played is not None:
                view.offer(played)
        self.use_look(Look(theme, scale))

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        kept = self._settings
        kept.setValue("geometry", self.saveGeometry())
        kept.setValue("theme", self.look.theme.name)
        kept.setValue("type_scale", str(self.look.type_scale))
        kept.setValue("pressure_unit", self.model.pressure_unit.value)
        kept.setValue("view", self.views[self._tabs.currentIndex()].name)
        for view in self.views:
            view.keep(kept)
        kept.sync()
        self._timer.stop()
        self._feed.close()
        super().closeEvent(event)


def _rows(keys: Sequence[tuple[str, str]]) -> str:
    """Each key and what it does, as rows of a table in HTML."""
    return "".join(f"<tr><td><b>{key}</b>&nbsp;&nbsp;</td><td>{words}</td></tr>" for key, words in keys)


def application(arguments: list[str]) -> QApplication:
    """The one QApplication, with our font and without the desktop's own style."""
    app = QApplication.instance() or QApplication(arguments)
    assert isinstance(app, QApplication)
    if not app.property(_NAME):  # once, since each of these is done to every widget that there is
        app.setProperty(_NAME, True)
        app.setApplicationName(_NAME)
        app.setStyle("Fusion")
        load_fonts()
        app.setFont(font(15))
    return app
