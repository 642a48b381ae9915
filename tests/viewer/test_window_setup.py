"""The form in its window, with keys and a mouse as somebody would use them."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from cut_text import cut_texts
from evenstroke_dsp.messages import UseSetup
from evenstroke_replay.physics_cache import PhysicsCache, shipped_folder
from evenstroke_replay.setup_files import load_setup
from evenstroke_viewer.look import DARK, LIGHT, Look
from evenstroke_viewer.played import Played
from evenstroke_viewer.setup_document import SetupDocument
from evenstroke_viewer.setup_form import NEW_TEXT
from PySide6.QtCore import QSettings, Qt
from PySide6.QtGui import QColor, QImage
from PySide6.QtWidgets import QApplication, QLabel, QPushButton
from screens import NoFeed

PATIENCE_MS = 30_000


@pytest.fixture
def window(windows, qtbot):
    made = windows(NoFeed())
    made.resize(1280, 720)
    made.show()
    qtbot.waitExposed(made)
    made.show_view([view.name for view in made.views].index("Set-up"))
    return made


@pytest.fixture
def form(window):
    return window.views[[view.name for view in window.views].index("Set-up")]


def press(qtbot, widget, words):
    """Keys as they come from a keyboard: to whatever has the focus at that moment."""
    for letter in words:
        qtbot.keyClicks(QApplication.focusWidget() or widget, letter)


def key(qtbot, widget, which, modifier=Qt.KeyboardModifier.NoModifier):
    qtbot.keyClick(QApplication.focusWidget() or widget, which, modifier)


def button(form, words):
    found = [b for b in form.findChildren(QPushButton) if b.isVisible() and words in b.text()]
    assert found, f"no button says {words!r}"
    return found[0]


def take_demo(form):
    text = load_setup("demo")[1]
    form._use(SetupDocument(text, "demo.toml"), Path("demo.toml"), text)
    QApplication.processEvents()


def test_two_things_are_typed_and_it_is_a_set_up(window, form, qtbot):
    press(qtbot, window, "e4")
    assert form.document.value(("engine", "cylinders")) == 4
    assert "order" in form.stands.now
    key(qtbot, window, Qt.Key.Key_Tab)
    press(qtbot, window, "1-3-4-2")
    assert form.stands.setup is not None
    assert "4 cylinders" in form.header.picture.words
    # The rest of the form has come, and the focus stays where it was typed.
    assert ("conditions", "fuel") in form.editors
    assert form.editors[("engine", "firing_order")].focused


def test_an_order_is_chosen_with_keys_alone(window, form, qtbot):
    press(qtbot, window, "e6")
    for _ in range(2):
        key(qtbot, window, Qt.Key.Key_Tab)
    assert QApplication.focusWidget().text() == "1-5-3-6-2-4, inline six"
    key(qtbot, window, Qt.Key.Key_Space)
    assert form.document.parsed().engine.firing_order == (1, 5, 3, 6, 2, 4)
    assert button(form, "inline six").text().startswith("\N{CHECK MARK}")


def test_what_is_wrong_is_said_at_its_field_and_over_all(window, form, qtbot):
    press(qtbot, window, "e4")
    key(qtbot, window, Qt.Key.Key_Tab)
    press(qtbot, window, "1-3-4-4")
    label = form.wrong[("engine", "firing_order")]
    assert label.isVisible() and form.stands.now in label.text()
    assert form.header.picture.texts[0].startswith("Not a set-up yet")
    key(qtbot, window, Qt.Key.Key_Backspace)
    press(qtbot, window, "2")
    assert not form.wrong[("engine", "firing_order")].isVisible()


def test_letters_that_are_no_number_are_said_and_stay(window, form, qtbot):
    press(qtbot, window, "esix")
    assert form.document.value(("engine", "cylinders")) is None
    assert form.editors[("engine", "cylinders")].words == "six"
    assert "whole number" in form.wrong[("engine", "cylinders")].text()


def test_a_letter_in_the_form_is_no_key_of_the_window_and_esc_leaves(window, form, qtbot):
    take_demo(form)
    shown = window._tabs.currentIndex()
    form.editors[("probe", 0, "place")].take_focus()
    press(qtbot, window, "1d")
    assert window._tabs.currentIndex() == shown and window.look.theme == LIGHT
    key(qtbot, window, Qt.Key.Key_Escape)
    press(qtbot, window, "d")
    assert window.look.theme == DARK


def test_choices_are_made_with_keys_and_their_letters_stay_theirs(window, form, qtbot):
    take_demo(form)
    box = form.editors[("conditions", "throttle")].box
    box.setFocus()
    press(qtbot, window, "o")  # "open", and not another view's key
    assert form.document.value(("conditions", "throttle")) == "open"
    key(qtbot, window, Qt.Key.Key_Home)
    assert form.document.value(("conditions", "throttle")) is None


def test_a_probe_is_added_by_a_click_and_named_by_typing(window, form, qtbot):
    press(qtbot, window, "e4")
    key(qtbot, window, Qt.Key.Key_Tab)
    press(qtbot, window, "1-3-4-2")
    qtbot.mouseClick(button(form, "Add a pick-up on the ignition"), Qt.MouseButton.LeftButton)
    assert form.editors[("probe", 1, "name")].focused
    QApplication.processEvents()
    assert not form.editors[("probe", 1, "name")].visibleRegion().isEmpty()  # it is scrolled to
    key(qtbot, window, Qt.Key.Key_A, Qt.KeyboardModifier.ControlModifier)
    press(qtbot, window, "coil")
    setup = form.document.parsed()
    assert (setup.probe[1].name, setup.probe[1].role, setup.probe[1].cylinder) == ("coil", "ignition_sync", 1)
    qtbot.mouseClick(button(form, "Take out probe 2"), Qt.MouseButton.LeftButton)
    assert [probe.name for probe in form.document.parsed().probe] == ["starter"]
    assert ("probe", 1, "name") not in form.editors


def test_two_probes_never_begin_with_one_name(form, qtbot):
    take_demo(form)
    for _ in range(2):
        qtbot.mouseClick(button(form, "Add another probe"), Qt.MouseButton.LeftButton)
    names = [form.document.value(("probe", k, "name")) for k in range(form.document.count("probe"))]
    assert len(names) == len(set(names))


def test_more_fields_open_and_take_the_focus(form, qtbot):
    take_demo(form)
    form.document.put(("engine", "bore_mm"), None)
    form._check()
    assert ("engine", "bore_mm") not in form.editors
    qtbot.mouseClick(button(form, "1 more that may be known"), Qt.MouseButton.LeftButton)
    assert form.editors[("engine", "bore_mm")].focused


def test_a_danger_is_answered_where_it_is_read(form, qtbot):
    take_demo(form)
    box = form.answers["plug_out_ignition_on"]
    assert box.isChecked()
    box.setFocus()
    key(qtbot, form, Qt.Key.Key_Space)
    assert form.stands.alarm and form.document.value(("conditions", "acknowledged")) is None
    assert "will not listen" in form.header.picture.words
    key(qtbot, form, Qt.Key.Key_Space)  # the box is another one by now, and has the focus
    assert not form.stands.alarm
    assert form.document.value(("conditions", "acknowledged")) == ["plug_out_ignition_on"]


def test_a_file_is_opened_changed_and_written_with_its_comments(window, form, tmp_path):
    text = load_setup("demo")[1]
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    form.open(path)
    assert form.editors[("engine", "cylinders")].words == "6"
    form._typed(("engine", "bore_mm"), form.editors[("engine", "bore_mm")].field, "88.5")
    assert "Ctrl+Shift+S" in form.stands.now
    form.write()
    wanted = tomllib.loads(text)
    wanted["engine"]["bore_mm"] = 88.5
    written = path.read_text(encoding="utf-8")
    assert tomllib.loads(written) == wanted
    assert re.findall("#.*", written) == re.findall("#.*", text)
    assert "Written" in window._notice_line.text()


def test_what_cannot_be_opened_or_written_is_said_and_nothing_is_lost(window, form, tmp_path):
    take_demo(form)
    before = form.document.text
    broken = tmp_path / "broken.toml"
    broken.write_bytes(b"\xff\xfe")
    form.open(broken)
    assert "UTF-8" in window._notice_line.text()
    broken.write_text("schema = \n", encoding="utf-8")
    form.open(broken)
    assert "not valid TOML" in window._notice_line.text()
    form.open(tmp_path / "absent.toml")
    assert "absent.toml" in window._notice_line.text()
    form.write_to(tmp_path / "no such folder" / "a.toml")
    assert "Not written" in window._notice_line.text()
    assert form.document.text == before


def test_what_is_not_written_is_dropped_only_when_asked_twice(window, form, qtbot):
    press(qtbot, window, "e4")
    ctrl = Qt.KeyboardModifier.ControlModifier
    key(qtbot, window, Qt.Key.Key_N, ctrl)
    assert form.document.value(("engine", "cylinders")) == 4
    assert "once more" in window._notice_line.text()
    key(qtbot, window, Qt.Key.Key_N, ctrl)
    assert form.document.text == NEW_TEXT


def test_an_unfinished_set_up_is_there_again_next_time(windows, qtbot, tmp_path):
    settings = QSettings(str(tmp_path / "kept.ini"), QSettings.Format.IniFormat)
    first = windows(NoFeed(), settings=settings)
    form = next(view for view in first.views if view.name == "Set-up")
    form._typed(("engine", "cylinders"), form.editors[("engine", "cylinders")].field, "5")
    first.close()
    second = windows(NoFeed(), settings=settings)
    form = next(view for view in second.views if view.name == "Set-up")
    second.show_view(second.views.index(form))
    assert form.document.value(("engine", "cylinders")) == 5
    assert form.editors[("engine", "cylinders")].words == "5"


def setup_view(window):
    form = next(view for view in window.views if view.name == "Set-up")
    window.show_view(window.views.index(form))
    return form


def type_into(form, path, words):
    form._typed(path, form.editors[path].field, words)


def test_beside_a_recording_its_set_up_is_open_and_what_was_being_written_is_kept(windows, tmp_path):
    settings = QSettings(str(tmp_path / "kept.ini"), QSettings.Format.IniFormat)
    text = load_setup("demo")[1]
    one, other = (Played(tmp_path / f"{name}.mcap", text, f"of {name}.mcap") for name in ("one", "other"))

    first = windows(NoFeed(), settings=settings)
    type_into(setup_view(first), ("engine", "cylinders"), "5")
    first.close()

    playing = windows(NoFeed(), settings=settings, played=one)
    form = setup_view(playing)
    assert form.document.text == text
    assert form.stands.now.startswith("This is how it was recorded.")
    assert "The set-up of one.mcap." in form.told.toPlainText()
    assert form._may_drop("a new one")  # nothing of it would be lost
    type_into(form, ("engine", "bore_mm"), "70")
    assert "Ctrl+Shift+S" in form.stands.now and not form.stands.now.startswith("This is how")
    playing.close()

    # What was changed is there again beside that recording, and beside no other one.
    assert setup_view(windows(NoFeed(), settings=settings, played=other)).document.text == text
    again = setup_view(windows(NoFeed(), settings=settings, played=one))
    assert again.document.value(("engine", "bore_mm")) == 70
    assert setup_view(windows(NoFeed(), settings=settings)).document.value(("engine", "cylinders")) == 5


def test_a_file_opens_at_its_top(form, tmp_path):
    take_demo(form)
    bar = form.area.verticalScrollBar()
    bar.setValue(bar.maximum())
    assert bar.value() > 0
    path = tmp_path / "another.toml"
    path.write_text(load_setup("demo-without")[1], encoding="utf-8")
    form.open(path)
    QApplication.processEvents()
    assert bar.value() == 0


def test_half_an_order_does_not_lay_the_form_out_anew(form, qtbot):
    """Laying a whole form out costs as much as twenty keys."""
    take_demo(form)
    inner = form.area.widget()
    editor = form.editors[("engine", "firing_order")]
    editor.take_focus()
    key(qtbot, form, Qt.Key.Key_Backspace)  # "1-5-3-6-2-" cannot be read
    assert form.stands.setup is None
    key(qtbot, form, Qt.Key.Key_Backspace)  # "1-5-3-6-2" is no order of a six
    assert form.stands.setup is None
    assert not any(b.text().startswith("\N{CHECK MARK}") for b in form._offers.values())
    press(qtbot, form, "-4")
    assert form.stands.setup is not None
    assert button(form, "inline six").text().startswith("\N{CHECK MARK}")
    assert form.area.widget() is inner


def test_what_is_wrong_with_a_field_is_in_sight_with_it(window, form, qtbot):
    """Also in the smallest window, where the field alone is at its lower edge."""
    window.resize(640, 360)
    take_demo(form)
    form.document.put(("engine", "firing_order"), [1, 5, 3, 6, 2, 2])
    form._check()
    QApplication.processEvents()
    press(qtbot, window, "e")
    QApplication.processEvents()
    path = ("engine", "firing_order")
    assert form.editors[path].focused
    shown = form.area.viewport().rect()
    for widget in (form.editors[path], form.wrong[path]):
        for corner in (widget.rect().topLeft(), widget.rect().bottomLeft()):
            assert shown.contains(widget.mapTo(form.area.viewport(), corner))


def test_another_offered_order_stands_in_its_field(form):
    take_demo(form)
    button(form, "1-2-3-4-5-6").click()
    assert form.editors[("engine", "firing_order")].words == "1-2-3-4-5-6"
    assert form.document.parsed().engine.firing_order == (1, 2, 3, 4, 5, 6)


def test_offered_orders_say_where_they_are_from(form, qtbot):
    press(qtbot, form, "e6")
    said = [label.text() for label in form.findChildren(QLabel) if "Firing order&quot;" in label.text()]
    assert len(said) == 1 and "1-5-3-6-2-4" in said[0] and "no source" in said[0] and "maker" in said[0]


def test_with_nothing_to_say_the_form_has_the_whole_width(window, form):
    """In large type the fields that somebody is asked to fill in are in sight, under their cautions."""
    window.use_look(Look(LIGHT, 2.0))
    form._use(SetupDocument(NEW_TEXT), None, "")
    QApplication.processEvents()
    window.redraw()
    QApplication.processEvents()
    shown = form.area.viewport().rect()
    for editor in form.editors.values():
        place = editor.mapTo(form.area.viewport(), editor.rect().bottomLeft())
        assert shown.contains(place), editor.field.key
    take_demo(form)
    assert form.told.isVisible()


def test_the_file_shows_as_it_will_be_written(window, form, qtbot):
    press(qtbot, window, "e4")
    key(qtbot, window, Qt.Key.Key_T, Qt.KeyboardModifier.ControlModifier)
    shown = form.told.toPlainText().replace("\N{NO-BREAK SPACE}", " ")
    assert form.document.text.strip() in shown
    key(qtbot, window, Qt.Key.Key_T, Qt.KeyboardModifier.ControlModifier)
    assert "inline four" in form.told.toPlainText()


def test_listening_is_asked_for_with_the_text_and_never_with_a_danger(form, qtbot):
    take_demo(form)
    asked = []
    form.asks.connect(lambda request, _: asked.append(request))
    form.setFocus()
    key(qtbot, form, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert asked == [UseSetup(id="set-up", toml=form.document.text)]
    form._answer("plug_out_ignition_on", False)
    key(qtbot, form, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert len(asked) == 1


def test_physics_say_how_much_when_asked(form, qtbot):
    form.physics = PhysicsCache(shipped_folder())
    take_demo(form)
    assert "Ctrl+P" in form.told.toPlainText()
    with qtbot.waitSignal(form._worked_out, timeout=PATIENCE_MS):
        button(form, "How much?").click()
    QApplication.processEvents()
    assert "By engine physics (95 % ranges" in form.told.toPlainText()
    form._typed(("engine", "bore_mm"), form.editors[("engine", "bore_mm")].field, "70")
    assert "By engine physics (95 % ranges" not in form.told.toPlainText()  # it was of another engine


LOOKS = [
    pytest.param(Look(LIGHT), (1280, 720), id="nominal"),
    pytest.param(Look(DARK, 2.0), (1280, 720), id="large"),
    pytest.param(Look(LIGHT), (640, 360), id="200 %"),
    pytest.param(Look(LIGHT, 2.0), (640, 360), id="200 % and large"),
]


@pytest.mark.parametrize(("look", "size"), LOOKS)
def test_no_text_is_cut(window, form, look, size):
    window.resize(*size)
    window.use_look(look)
    for state in ("new", "begun", "demo", "danger", "wrong"):
        if state == "new":
            form._use(SetupDocument(NEW_TEXT), None, "")
        elif state == "begun":
            form.document.put(("engine", "cylinders"), 6)
        elif state == "demo":
            take_demo(form)
        elif state == "danger":
            form.document.put(("conditions", "acknowledged"), None)
        else:
            form.document.put(("engine", "firing_order"), [1, 2])
        form._check()
        window.redraw()
        form.grab()
        QApplication.processEvents()
        assert cut_texts(form) == [] and form.header.unfit == [], state
        assert form.area.widget().width() <= form.area.viewport().width(), state


def test_a_window_that_shrinks_cuts_no_field(window, form):
    take_demo(form)
    for size in ((1280, 720), (640, 360)):
        window.resize(*size)
        window.redraw()
        for _ in range(3):
            QApplication.processEvents()
        assert form.area.widget().width() <= form.area.viewport().width(), size


def test_it_follows_dark_and_light(window, form):
    take_demo(form)
    for theme in (LIGHT, DARK):
        window.use_look(Look(theme))
        image = form.grab().toImage()
        inside = form.told.geometry().center()
        grounds = {image.pixelColor(inside.x() + dx, inside.y()).name().upper() for dx in range(0, 200, 2)}
        assert QColor(theme.ground).name().upper() in grounds


def test_it_is_saved_as_a_picture(window, form, tmp_path):
    take_demo(form)
    for suffix in ("png", "svg"):
        path = tmp_path / f"set-up.{suffix}"
        window.save_view(path)
        assert "Saved" in window._notice_line.text()
    assert QImage(str(tmp_path / "set-up.png")).width() == 2 * form.width()
    assert "This set-up allows" in (tmp_path / "set-up.svg").read_text(encoding="utf-8")


def test_text_that_is_cut_is_found(form):
    take_demo(form)
    add = button(form, "Add another probe")
    add.setFixedWidth(40)
    label = form.wrong[("engine", "bore_mm")]
    label.setText("words of which only the first line has room " * 5)
    label.setFixedHeight(12)
    label.show()
    QApplication.processEvents()
    assert cut_texts(form) == [label.text(), add.text()]
