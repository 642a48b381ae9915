"""`evenstroke selfcheck`: it passes where all is well, and each thing that can be wrong makes it fail and say what to do.

No test asks whether this computer is fast: the sampling rate of a real run may hold or not, and is judged here by figures
that are handed in.
"""

from __future__ import annotations

import dataclasses
import errno
import importlib
import json
import sys
from importlib import metadata

import msgspec
import pytest
import serial
from evenstroke_daemon import check_board, check_chain, check_installation, check_outcome, command_selfcheck
from evenstroke_daemon.check_board import BoardCheck, judge_clock, judge_losses
from evenstroke_daemon.check_chain import (
    CYLINDER,
    FEATURE,
    PROBE,
    PULLED_S,
    Chain,
    compare_stream,
    judge_fault,
    judge_rate,
    judge_unplugged,
)
from evenstroke_daemon.check_computer import ClockWatch, check_disk, check_ports
from evenstroke_daemon.check_outcome import Check, Selfcheck, failed, guarded, holds, lines
from evenstroke_daemon.clock import Clock
from evenstroke_daemon.command_line import main
from evenstroke_daemon.publisher import frames_of
from evenstroke_daemon.recorded_session import Arrivals, arrivals_in
from evenstroke_daemon.rig_process import virtual_rig
from evenstroke_daemon.serial_port import LinkError, permission_advice
from evenstroke_dsp.blocks import Gap, GapReason
from evenstroke_dsp.board_clock import ClockRate
from evenstroke_dsp.messages import Balance, Cycle, WaveData
from evenstroke_replay.judging import judge_path
from evenstroke_replay.physics_cache import PhysicsCache
from evenstroke_replay.recording_format import RecordingError

replace = msgspec.structs.replace
MAY_DEPEND_ON_THE_COMPUTER = "sampling_rate"


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """The whole chain, run once behind a socket, as on Windows: itself, and its checks by name."""
    chain = Chain(tmp_path_factory.mktemp("chain"), tcp=True)
    return chain, {check.name: check for check in chain.checks()}


@pytest.fixture(scope="module")
def unplugged(ran):
    """What the session with the pulled cable left: the session, its arrivals, its judgement."""
    chain, _ = ran
    (path,) = (chain.folder / "unplugged").iterdir()
    judged = judge_path(path)
    came = arrivals_in(path)
    health = replace(chain.crank.health, lost_samples=judged.judgement.source.lost_samples)
    return dataclasses.replace(chain.crank, path=path, health=health), came, judged


def says(check: Check, result: str, *words: str) -> None:
    """It has this result and these words; a failure says what to do."""
    text = " ".join([check.text, check.todo or ""])
    assert check.result == result, text
    for word in words:
        assert word in text, text
    if result == "failed":
        assert check.todo


# --- where all is well -----------------------------------------------------------------------------


def test_the_whole_chain_holds_behind_a_socket(ran):
    _, checks = ran
    assert list(checks) == [
        "physics",
        "session",
        "sampling_rate",
        "judgement",
        "live_is_offline",
        "unplugged",
        "cut_short",
    ]
    for name, check in checks.items():
        if name != MAY_DEPEND_ON_THE_COMPUTER:
            says(check, "holds")
    assert "by a socket" in checks["session"].text
    figures = {figure.name: figure for figure in checks["judgement"].figures}
    assert figures["deviation"].uncertainty > 0
    # 15 % off one of six, against the mean of all six: arithmetic.
    assert figures["played"].value == pytest.approx(100 * (0.85 / (5.85 / 6) - 1))


def test_the_command_says_it_all_as_one_document_and_leaves_nothing_behind(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code = main(["selfcheck", "--json"])
    out, err = capsys.readouterr()
    document = msgspec.json.decode(out, type=Selfcheck)
    by_name = {check.name: check for check in document.checks}
    wrong = {name: check.text for name, check in by_name.items() if check.result == "failed"}
    # A library of an extra, or a port of this computer, may be missing or closed: that is no fault of the chain's.
    chain = wrong.keys() - {
        MAY_DEPEND_ON_THE_COMPUTER,
        "extra_viewer",
        "extra_formats",
        "serial_ports",
        "disk",
    }
    assert not chain, wrong
    assert code == (1 if wrong else 0), err
    assert document.failed == len(wrong)
    assert document.held + document.measured + document.failed + document.not_checked == len(by_name)
    assert document.versions["numpy"] == metadata.version("numpy")
    assert by_name["usb_delay"].result == "not_checked"
    assert "only with a board" in by_name["usb_delay"].text
    assert list(tmp_path.iterdir()) == []


def test_lines_for_people_stand_under_each_other():
    said = lines(failed("a_thing", "one two " * 20, todo="mend it"), 60)
    assert said[0].startswith("FAILED       a thing")
    assert len({len(line) - len(line.lstrip()) for line in said[1:]}) == 1
    assert said[-1].strip() == "Do this: mend it"
    assert all(len(line) <= 60 for line in said)


# --- exit codes ------------------------------------------------------------------------------------


@pytest.fixture
def only(monkeypatch):
    """The command with these checks in place of all."""

    def install(*checks):
        monkeypatch.setattr(command_selfcheck, "_checks", lambda *_: iter(checks))

    return install


def test_what_fails_is_named_with_exit_code_1(only, capsys):
    only(holds("versions", "fine"), failed("disk", "no room", todo="make room"))
    assert main(["selfcheck"]) == 1
    out, err = capsys.readouterr()
    assert "FAILED       disk" in out and "Do this: make room" in out and "1 hold, 1 failed" in out
    assert "1 of 2 checks failed" in err and "found:    disk" in err


def test_with_json_a_failure_is_in_the_document_too(only, capsys):
    only(failed("disk", "no room", todo="make room"))
    assert main(["selfcheck", "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert (document["schema"], document["failed"]) == ("evenstroke.selfcheck/1", 1)
    assert document["checks"][0]["todo"] == "make room"


def test_what_could_not_be_checked_fails_nothing(only, capsys):
    only(check_outcome.not_checked("usb_delay", "there is no board"))
    assert main(["selfcheck"]) == 0
    assert "not checked  usb delay" in capsys.readouterr().out


def test_a_rate_without_a_port_is_a_wrong_command_line():
    assert main(["selfcheck", "--rate", "5000"]) == 2


# --- the installation --------------------------------------------------------------------------------


def test_a_missing_and_an_old_library_are_said(monkeypatch):
    def version(name):
        if name == "zstandard":
            raise metadata.PackageNotFoundError(name)
        return "1.0.0" if name == "numpy" else "99.0"

    monkeypatch.setattr(check_installation.metadata, "version", version)
    says(
        check_installation.check_versions(),
        "failed",
        "zstandard is missing",
        "numpy is 1.0.0",
        "pip install",
    )


def test_an_extra_that_is_not_installed_is_no_failure(monkeypatch):
    monkeypatch.setattr(check_installation, "_required", lambda extra: ["no-such-library"])
    says(
        check_installation.check_extra("viewer"),
        "not_checked",
        "no-such-library is not installed",
        "evenstroke watch",
    )


def test_an_extra_that_is_installed_and_cannot_be_loaded_fails(monkeypatch):
    monkeypatch.setattr(check_installation, "_required", lambda extra: ["numpy"])
    monkeypatch.setitem(check_installation.EXTRAS, "viewer", (("no_such_module",), "the window"))
    says(check_installation.check_extra("viewer"), "failed", "No module named 'no_such_module'")


@pytest.mark.parametrize("module", ["check_chain", "serial_port"])
def test_a_library_that_cannot_be_loaded_is_said_and_is_no_traceback(monkeypatch, capsys, module):
    monkeypatch.setattr(command_selfcheck, "EXTRAS", {})
    monkeypatch.setitem(sys.modules, f"evenstroke_daemon.{module}", None)
    monkeypatch.delattr(importlib.import_module("evenstroke_daemon"), module, raising=False)
    assert main(["selfcheck"]) == 1
    out, _ = capsys.readouterr()
    assert "FAILED       libraries" in out and "ModuleNotFoundError" in out
    assert "not checked  session" in out


# --- the computer ------------------------------------------------------------------------------------


@pytest.fixture
def no_port_may_be_opened(monkeypatch):
    def opened(*_, **__):
        raise AssertionError("a port was opened")

    monkeypatch.setattr(serial, "serial_for_url", opened)


def test_a_port_that_one_may_not_open_fails_with_what_to_do(no_port_may_be_opened):
    ports = {"/dev/ttyS0": "", "/dev/ttyX9": "a board"}
    says(
        check_ports(ports, lambda port: port != "/dev/ttyX9"),
        "failed",
        "you may not open /dev/ttyX9 (a board)",
    )
    says(check_ports(ports, lambda port: True), "holds", "/dev/ttyS0, /dev/ttyX9 (a board)")


def test_a_port_of_the_computer_s_own_that_one_may_not_open_fails_nothing(no_port_may_be_opened):
    says(
        check_ports({"/dev/ttyS0": ""}, lambda _: False), "not_checked", "no adapter and no board", "plug the"
    )
    ports = {"/dev/ttyS0": "", "/dev/ttyX9": "a board"}
    mixed = check_ports(ports, lambda port: port == "/dev/ttyX9")
    says(mixed, "holds", "you may open /dev/ttyX9 (a board)", "may not open /dev/ttyS0")


@pytest.mark.skipif(sys.platform == "win32", reason="not checked here: Windows has no groups of devices")
def test_nobody_is_advised_to_join_a_group_that_would_not_help(tmp_path):
    device = tmp_path / "device"
    device.touch()
    device.chmod(0o600)
    advice = permission_advice(str(device))
    assert "usermod" not in advice and "change the device's permissions" in advice
    device.chmod(0o660)
    if device.stat().st_gid:  # nobody should become a member of root's
        assert device.group() in permission_advice(str(device))


def test_ports_that_are_not_there_or_cannot_be_asked_are_not_checked(no_port_may_be_opened):
    says(check_ports({}), "not_checked", "no serial port", "plug the board in")
    says(check_ports({"COM3": "a board"}, None), "not_checked", "COM3 (a board)", "--port")


def test_a_disk_without_room_fails(tmp_path):
    # 100 kB/s is a line of 1 Mbaud with ten bits for each byte: ten minutes are 60 MB.
    says(check_disk(tmp_path / "recordings", lambda _: 59_000_000), "failed", "at least 10 min", "--record")
    says(check_disk(tmp_path / "recordings", lambda _: 61_000_000), "holds", "0.1 GB free")
    assert not (tmp_path / "recordings").exists()


def test_a_folder_that_cannot_be_written_fails(tmp_path):
    (tmp_path / "file").write_text("in the way")
    says(
        guarded("disk", lambda: check_disk(tmp_path / "file" / "recordings")),
        "failed",
        "nothing can be recorded",
    )


def test_no_room_for_temporary_files_fails(monkeypatch, capsys):
    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device", "/tmp/somewhere")

    monkeypatch.setattr(command_selfcheck, "EXTRAS", {})
    monkeypatch.setattr(command_selfcheck.tempfile, "TemporaryDirectory", full)
    assert main(["selfcheck"]) == 1
    assert "/tmp/somewhere: No space left on device" in " ".join(capsys.readouterr().out.split())


class Steps:
    """A steady clock that gives these nanoseconds one after the other, then goes on in steps of the last one."""

    def __init__(self, *at, then=1_000_000):
        self.at = list(at)
        self.then = then
        self.now = 0

    def __call__(self):
        self.now = self.at.pop(0) if self.at else self.now + self.then
        return self.now


def test_a_clock_that_goes_back_or_is_too_coarse_fails():
    says(
        ClockWatch(Clock(Steps(0, 0, 5_000, 4_000), lambda: 0)).check(0.1),
        "failed",
        "went back 1 times",
        "restart",
    )
    says(ClockWatch(Clock(Steps(then=25_000_000), lambda: 0)).check(1.0), "failed", "steps of 25 ms")
    says(ClockWatch(Clock(Steps(then=15_600_000), lambda: 0)).check(1.0), "holds", "steps of 16 ms")


def test_a_time_of_day_that_is_set_meanwhile_is_said():
    wall = iter([0, 90_000_000_000])
    check = ClockWatch(Clock(Steps(then=1_000_000), lambda: next(wall))).check(0.1)
    says(check, "holds", "the time of day was set by +89.9 s", "date alone")


# --- the chain ---------------------------------------------------------------------------------------


def test_a_rig_that_does_not_start_fails_and_the_rest_is_not_checked(tmp_path, monkeypatch):
    monkeypatch.setattr(check_chain, "PROBE", "no-such-probe")
    checks = {check.name: check for check in Chain(tmp_path, tcp=True).checks()}
    says(checks["session"], "failed", "the rig did not start", "no-such-probe", "evenstroke rig")
    for name in ("sampling_rate", "judgement", "live_is_offline", "unplugged", "cut_short"):
        says(checks[name], "not_checked", "because")


def test_physics_that_give_other_numbers_here_fail(tmp_path, monkeypatch):
    chain = Chain(tmp_path)
    kept = chain.physics.kept(chain.setup)
    feature = next(iter(kept.bare))
    other = dataclasses.replace(kept, bare={**kept.bare, feature: kept.bare[feature] * 1.01})
    monkeypatch.setattr(PhysicsCache, "kept", lambda *_: other)
    says(chain.check_physics(), "failed", "differ by 1 %")
    monkeypatch.setattr(PhysicsCache, "kept", lambda *_: dataclasses.replace(kept, bare={}))
    says(chain.check_physics(), "failed", "do not have the same features")
    monkeypatch.setattr(PhysicsCache, "kept", lambda *_: None)
    says(chain.check_physics(), "failed", "does not belong to the physics that are installed")


def test_samples_lost_on_this_computer_fail(ran, tmp_path, monkeypatch):
    chain, _ = ran
    lossy = dataclasses.replace(
        chain.crank,
        outcome=check_chain.Outcome.DONE_WITH_LOSS,
        health=replace(chain.crank.health, lost_samples=700),
    )

    def recorded(*_, publish, **__):
        publish(lossy.health)
        return lossy

    monkeypatch.setattr(check_chain, "record_session", recorded)
    says(Chain(tmp_path, tcp=True).check_session(), "failed", "700 were lost", "close other programs")


def test_a_recording_that_fails_for_want_of_room_fails_with_where_that_is(tmp_path, monkeypatch):
    def full(*_, **__):
        raise RecordingError("the recording cannot be written any further", found="No space left on device")

    monkeypatch.setattr(check_chain, "record_session", full)
    says(Chain(tmp_path, tcp=True).check_session(), "failed", "No space left on device", "TMPDIR")


def arrivals(**changes) -> Arrivals:
    usual = Arrivals(
        asked_hz=10_000,
        scans=100_000,
        span_s=10.0,
        worst_wait_s=0.03,
        late_s=0.01,
        latest_s=0.02,
        clock=ClockRate(20.0, 50.0),
        gaps=(),
        in_all=100_000,
        ends_s=10.0,
    )
    return dataclasses.replace(usual, **changes)


def test_a_rate_that_is_not_held_and_a_wait_that_is_too_long_fail():
    says(judge_rate(arrivals(), 1_000_000), "holds", "100.00 % of the 10000 Hz", "30 ms")
    says(judge_rate(arrivals(scans=98_000), 1_000_000), "failed", "98.00 %", "close other programs")
    # 65536 bytes at ten bits each are 655 ms of a line of 1 Mbaud.
    says(judge_rate(arrivals(worst_wait_s=0.64), 1_000_000), "holds")
    says(judge_rate(arrivals(worst_wait_s=0.67), 1_000_000), "failed", "worst wait was 670 ms")


def altered(judged, **changes):
    """With this of the played fault's entry changed, wherever it stands."""
    comparisons = tuple(
        replace(
            c,
            cylinders=tuple(replace(b, **changes) if b.cylinder == CYLINDER else b for b in c.cylinders),
        )
        if (c.probe, c.feature) == (PROBE, FEATURE)
        else c
        for c in judged.judgement.comparisons
    )
    return dataclasses.replace(judged, judgement=replace(judged.judgement, comparisons=comparisons))


def test_a_judgement_that_misses_the_fault_fails(ran, monkeypatch):
    chain, _ = ran
    says(judge_fault(altered(chain.judged, verdict="even")), "failed", "was not found", "verdict even")
    silent = dataclasses.replace(chain.judged, judgement=replace(chain.judged.judgement, findings=()))
    says(judge_fault(silent), "failed", "was not found")
    refused = replace(chain.judged.judgement, refused="No rhythm.", comparisons=(), findings=())
    says(judge_fault(dataclasses.replace(chain.judged, judgement=refused)), "failed", "No rhythm.")
    # Through the chain itself: an installation whose judgement is broken.
    monkeypatch.setattr(check_chain, "judge_path", lambda *_, **__: silent)
    broken = dataclasses.replace(chain)
    broken.crank = chain.crank
    says(broken.check_judgement(), "failed", "was not found", "install evenstroke anew")


def test_a_judgement_that_finds_more_or_reads_another_size_fails(ran):
    chain, _ = ran
    (finding,) = chain.judged.judgement.findings
    more = replace(chain.judged.judgement, findings=(finding, replace(finding, odd_pulse_at=(6,))))
    says(
        judge_fault(dataclasses.replace(chain.judged, judgement=more)),
        "failed",
        "more was found",
        "intake drop of 6",
    )
    says(judge_fault(altered(chain.judged, deviation=-9.0)), "failed", "more than 2 points off")
    called = tuple(
        replace(c, cylinders=tuple(replace(b, verdict="larger") for b in c.cylinders))
        if (c.probe, c.feature) == ("exhaust", "rise")
        else c
        for c in chain.judged.judgement.comparisons
    )
    louder = replace(chain.judged.judgement, comparisons=called)
    says(
        judge_fault(dataclasses.replace(chain.judged, judgement=louder)), "failed", "exhaust rise of 1 larger"
    )


def test_a_stream_that_is_not_what_the_recording_gives_fails(ran):
    chain, _ = ran
    live, messages = chain.stream, chain.judged.messages
    says(compare_stream(live, messages), "holds")
    at = next(i for i, parts in enumerate(live) if parts[0] == b"cycle")
    other = [*live[:at], [live[at][0], live[at][1].replace(b'"rpm":', b'"rpm":1')], *live[at + 1 :]]
    says(compare_stream(other, messages), "failed", "are not the same")
    says(compare_stream([*live[:at], *live[at + 1 :]], messages), "failed", "are not the same")
    says(compare_stream([*live, live[at]], messages), "failed", "the 0 last ones are alike")
    says(compare_stream([*live, *live], messages[:1]), "failed", "are not the same")
    # One that is alike proves nothing, nor do many of one kind.
    of_recording = [parts for parts in live if parts[0] not in (b"state", b"health")]
    says(compare_stream(of_recording[-1:], messages), "failed", "only the last 1 of", "too few to tell")
    balances = [m for m in messages if isinstance(m, Balance)]
    few = [frames_of(m) for m in balances[-1:]]
    says(compare_stream(few, tuple(balances)), "failed", f"only the last 1 of {len(balances)}")
    wave = next(i for i, m in enumerate(messages) if isinstance(m, WaveData))
    shifted = WaveData(messages[wave].header, messages[wave].samples + 1)
    says(compare_stream(live, (*messages[:wave], shifted, *messages[wave + 1 :])), "failed", "not the same")


def test_a_stream_that_does_not_arrive_fails_and_a_late_subscriber_does_not(ran):
    chain, _ = ran
    states = [parts for parts in chain.stream if parts[0] == b"state"]
    says(compare_stream(states, chain.judged.messages), "failed", "nothing", "firewall")
    late = [parts for parts in chain.stream if parts[0] not in (b"state", b"health")][7:]
    says(compare_stream(late, chain.judged.messages), "holds", "the first 7 were over")


def test_a_pulled_cable_that_is_not_counted_as_it_was_fails(unplugged):
    session, came, judged = unplugged
    says(judge_unplugged(session, came, judged), "holds")
    (gap,) = came.gaps
    short = Gap(gap.t_from, gap.t_from + 0.2 * PULLED_S, gap.lost_samples, gap.reason)
    twice = dataclasses.replace(came, gaps=(gap, gap))
    for wrong, word in (
        (dataclasses.replace(came, gaps=()), "0 interruptions counted"),
        (twice, "2 interruptions counted"),
        (dataclasses.replace(came, gaps=(short,)), "were counted as lost"),
        (dataclasses.replace(came, in_all=came.in_all + 500), "are not the"),
        (
            dataclasses.replace(
                came,
                in_all=came.in_all - 100,
                gaps=(Gap(gap.t_from, gap.t_to, gap.lost_samples + 100, GapReason.LINK_LOST),),
            ),
            "by the judgement",
        ),
    ):
        says(judge_unplugged(session, wrong, judged), "failed", word)
    unsaid = dataclasses.replace(session, health=replace(session.health, lost_samples=0))
    says(judge_unplugged(unsaid, came, judged), "failed", "0 scans lost live")


def test_a_cycle_that_is_counted_across_the_gap_fails(unplugged):
    session, came, judged = unplugged
    (gap,) = came.gaps
    cycle = next(m for m in judged.messages if isinstance(m, Cycle))
    made_up = replace(cycle, from_s=gap.t_from - 0.1, to_s=gap.t_to + 0.1, left_out=None)
    says(
        judge_unplugged(session, came, dataclasses.replace(judged, messages=(*judged.messages, made_up))),
        "failed",
        "1 cycle counted",
    )


@pytest.mark.parametrize("how", ["less", "more"])
def test_a_salvage_that_loses_or_makes_up_something_fails(ran, tmp_path, monkeypatch, how):
    chain, _ = ran
    real = check_chain.recover

    def broken(path, out):
        # What it is given is not what the check compares with: a shorter file, or one that was never cut.
        other = tmp_path / "other.mcap"
        data = path.read_bytes() if how == "less" else chain.crank.path.read_bytes()
        other.write_bytes(data[: len(data) // 2] if how == "less" else data)
        return real(other, out)

    monkeypatch.setattr(check_chain, "recover", broken)
    again = Chain(tmp_path)
    again.crank = chain.crank
    says(again.check_recovery(), "failed", "were whole")


# --- a board -----------------------------------------------------------------------------------------


AT_REST = ("--rest", "15", "--cranking", "1", "--rpm", "200")
"""Longer than any of these checks listens; shapes instead of physics, since nothing turns."""


def board_checks(port, folder, rate_hz=None):
    return {check.name: check for check in BoardCheck(port, 1_000_000, rate_hz, folder).checks()}


def test_a_port_that_is_refused_fails_and_the_rest_is_not_checked(tmp_path):
    checks = board_checks("socket://127.0.0.1:1", tmp_path)
    says(checks["board"], "failed", "connection could not be made")
    assert {check.result for name, check in checks.items() if name != "board"} == {"not_checked"}


def test_a_board_at_rest_says_who_it_is_and_what_its_inputs_read(tmp_path):
    with virtual_rig("demo", *AT_REST, "--quiet", tcp=True) as port:
        checks = board_checks(port, tmp_path)
    says(checks["board"], "holds", "virtual board", "takes 10000 Hz on 5 inputs", "0000000000005eed")
    says(checks["board_losses"], "holds", "none lost")
    # The demo's battery at rest: 12.6 V behind a divider by four (demo.toml), read to a step of 5 V / 4096.
    mean = {f.name: f.value for f in checks["board_noise"].figures}
    assert mean["input_7_mean"] == pytest.approx(12.6 / 4, abs=0.05)
    assert mean["input_7_noise_rms"] < 2 * mean["step"]
    assert checks["board_noise"].result == "measured"


def test_blocks_that_do_not_arrive_fail(tmp_path, monkeypatch):
    monkeypatch.setattr(check_board, "LISTEN_S", 3.0)
    with virtual_rig("demo", *AT_REST, "--fault", "0.5:drop:0.2:60", tcp=True) as port:
        checks = board_checks(port, tmp_path)
    says(checks["board_losses"], "failed", "samples missing", "shorter cable")
    says(checks["board_clock"], "not_checked", "not for long enough")
    says(checks["usb_delay"], "not_checked", "cannot be told")


def test_a_rate_that_the_board_declines_fails(tmp_path):
    with virtual_rig("demo", *AT_REST, tcp=True) as port:
        checks = board_checks(port, tmp_path, rate_hz=4711)
    says(checks["board"], "failed", "declines", "rate not possible")


def test_a_board_that_lost_something_itself_fails(ran):
    chain, _ = ran
    health = replace(chain.crank.health, board_blocks_dropped=3)
    says(judge_losses(chain.crank, arrivals()), "holds", "none lost")
    says(
        judge_losses(dataclasses.replace(chain.crank, health=health), arrivals()),
        "failed",
        "the board itself lost 3 blocks",
    )


def test_a_board_s_clock_that_is_off_by_more_than_a_resonator_fails():
    says(judge_clock(arrivals(clock=ClockRate(4800.0, 100.0))), "holds", "+4800 ppm (± 100")
    # Within its uncertainty it may still be one.
    says(judge_clock(arrivals(clock=ClockRate(5080.0, 100.0))), "holds")
    says(judge_clock(arrivals(clock=ClockRate(-5200.0, 100.0))), "failed", "crystal")
    says(judge_clock(arrivals(clock=None)), "not_checked")


def test_with_a_port_the_caution_stands_before_the_board_is_touched(monkeypatch, capsys):
    monkeypatch.setattr(command_selfcheck, "EXTRAS", {})
    monkeypatch.setattr(Chain, "checks", lambda self: iter(()))
    assert main(["selfcheck", "--port", "socket://127.0.0.1:1"]) == 1
    out, err = capsys.readouterr()
    assert "engine must be off, or nobody at the starter" in " ".join(err.split())
    assert "FAILED       board" in out


def test_a_bug_in_a_check_is_said_with_its_place():
    def broken():
        raise ZeroDivisionError("no")

    says(guarded("x", broken), "failed", "ZeroDivisionError: no at ", "test_selfcheck.py")


def test_one_of_our_errors_is_said_in_its_own_words():
    def refused():
        raise LinkError("the port is in use", where="COM3", found="another program holds it", todo="close it")

    check = guarded("x", refused)
    assert (check.text, check.todo) == (
        "COM3: the port is in use (another program holds it)",
        "close it",
    )
