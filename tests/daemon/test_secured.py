"""Keys: who is let in, who is not, and what is said about a key that is wrong.

CURVE is ZeroMQ's own (RFC 26/CURVEZMQ); that it keeps secrets is the library's business and not tested here.
"""

from __future__ import annotations

import errno
import json
import os
import stat
import sys

import pytest
import zmq
from evenstroke_daemon.command_line import main
from evenstroke_daemon.control import Control
from evenstroke_daemon.publisher import Publisher
from evenstroke_daemon.secured import ServiceError, is_loopback, keys_for
from evenstroke_dsp.messages import Cycle, StopListening
from evenstroke_replay.key_folder import KeyFileError, KeyFolder
from evenstroke_viewer.asking import Control as WindowControl
from evenstroke_viewer.asking import ask
from evenstroke_viewer.curve_keys import CurveKeys, keys_to_reach
from evenstroke_viewer.feed import LiveFeed
from evenstroke_viewer.subscriber import Subscriber
from zmq.utils.monitor import recv_monitor_message

WAIT_S = 30.0
HERE = "tcp://127.0.0.1:0"
TURNED_AWAY = (
    zmq.EVENT_HANDSHAKE_FAILED_AUTH
    | zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL
    | zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL
    | zmq.EVENT_DISCONNECTED
)


def cycle(sequence):
    return Cycle(
        sequence=sequence, stretch="cranking", index=sequence, from_s=0.0, to_s=0.6, rpm=200.0,
        angle_uncertainty_deg=None, left_out=None, probes=(),
    )  # fmt: skip


def computer(tmp_path, name):
    keys = KeyFolder(tmp_path / name)
    public, secret = zmq.curve_keypair()
    keys.make(name, public.decode(), secret.decode())
    return keys


@pytest.fixture
def bench(tmp_path):
    return computer(tmp_path, "bench")


@pytest.fixture
def tablet(tmp_path, bench):
    """Knows the bench, and is known there."""
    keys = computer(tmp_path, "tablet")
    bench.add(keys.public_path)
    keys.add(bench.public_path)
    return keys


@pytest.fixture
def publisher(bench, tablet):
    publisher = Publisher(HERE, bench)
    yield publisher
    publisher.close()


def first_of(publisher, subscriber):
    for number in range(100_000):
        publisher.publish(cycle(number))
        if (got := subscriber.receive(0.001)) is not None:
            return got
    raise AssertionError("nothing came")


def test_whoever_is_known_gets_the_stream(publisher, tablet):
    with Subscriber(publisher.address, keys=CurveKeys.from_folder(tablet)) as subscriber:
        assert isinstance(first_of(publisher, subscriber), Cycle)


def no_keys(tmp_path, bench, tablet):
    return None


def unknown_key(tmp_path, bench, tablet):
    unknown = computer(tmp_path, "unknown")
    unknown.add(bench.public_path)
    return CurveKeys.from_folder(unknown)


def another_daemon(tmp_path, bench, tablet):
    return CurveKeys(tablet.own(), computer(tmp_path, "other").own().public)


@pytest.mark.parametrize("who", [no_keys, unknown_key, another_daemon], ids=lambda who: who.__name__)
def test_a_stranger_gets_nothing(publisher, bench, tablet, tmp_path, who):
    with Subscriber(publisher.address, keys=who(tmp_path, bench, tablet)) as stranger:
        monitor = stranger._socket.get_monitor_socket(TURNED_AWAY)
        with Subscriber(publisher.address, keys=CurveKeys.from_folder(tablet)) as known:
            first = first_of(publisher, known)
            assert monitor.poll(WAIT_S * 1000), "the stranger is turned away"
            recv_monitor_message(monitor)
            # The one who is known shows that there was something to get.
            publisher.publish(cycle(first.sequence + 1_000_000))
            while known.receive(WAIT_S).sequence < 1_000_000:
                pass
        assert stranger.receive(0.0) is None
        stranger._socket.disable_monitor()
        monitor.close()


def test_control_answers_only_whom_it_knows(bench, tablet):
    control = Control(HERE, lambda setup: None, bench)
    context = zmq.Context()
    stranger, known = context.socket(zmq.DEALER), context.socket(zmq.DEALER)
    for socket in (stranger, known):
        socket.linger = 0
    CurveKeys.from_folder(tablet).put_on(known)
    monitor = stranger.get_monitor_socket(TURNED_AWAY)
    try:
        stranger.connect(control.address)
        known.connect(control.address)
        stranger.send(json.dumps({"do": "stop_listening", "id": "1"}).encode())
        assert monitor.poll(WAIT_S * 1000)
        known.send(json.dumps({"do": "get_state", "id": "2"}).encode())
        assert known.poll(WAIT_S * 1000)
        assert json.loads(known.recv())["id"] == "2"
        assert not stranger.poll(0)
        assert not control.stop_wanted
        known.send(json.dumps({"do": "stop_listening", "id": "3"}).encode())
        assert known.poll(WAIT_S * 1000)
        assert control.stop_wanted
    finally:
        stranger.disable_monitor()
        monitor.close()
        stranger.close()
        known.close()
        context.term()
        control.close()


def test_the_window_asks_and_listens_with_its_keys(publisher, bench, tablet):
    control = Control(HERE, lambda setup: None, bench)
    keys = keys_to_reach("tcp://bench.local:7720", tablet.path)
    feed = LiveFeed(publisher.address, keys=keys)
    feed.start()
    try:
        assert ask(WindowControl(control.address, keys), StopListening(id="1"), WAIT_S) is None
        number = 0
        while feed.inbox.take().silent_s is None:
            publisher.publish(cycle(number))
            number += 1
    finally:
        feed.close()
        control.close()


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:7720", "tcp://localhost:7720", "tcp://[::1]:7720"])
def test_nobody_needs_keys_to_reach_this_computer(address):
    assert keys_to_reach(address) is None


def test_another_computer_is_reached_with_the_key_of_the_one_that_is_named(tmp_path, bench, tablet):
    boat = computer(tmp_path, "boat")
    tablet.add(boat.public_path)
    with pytest.raises(KeyFileError):
        keys_to_reach("tcp://192.0.2.7:7720", tablet.path)
    keys = keys_to_reach("tcp://192.0.2.7:7720", tablet.path, "boat")
    assert keys is not None
    assert keys.daemon == boat.own().public


@pytest.mark.parametrize(
    "address", ["7720", "tcp://127.0.0.1", "http://127.0.0.1:1", "tcp://127.0.0.1:x", "ipc://"]
)
def test_what_is_no_address_is_refused(address):
    with pytest.raises(ServiceError, match="not an address"):
        is_loopback(address)


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:7720", "tcp://localhost:7720", "tcp://[::1]:7720", "ipc:///tmp/x"]
)
def test_loopback_takes_no_keys(address):
    assert keys_for(address, None) is None


def test_elsewhere_keys_are_needed_and_their_lack_is_said(tmp_path):
    empty = tmp_path / "keys"
    with pytest.raises(KeyFileError, match="takes keys") as caught:
        keys_for("tcp://0.0.0.0:7720", empty)
    assert caught.value.todo == "make one: evenstroke setup key"
    computer(tmp_path, "keys")
    with pytest.raises(KeyFileError, match="no other computer is known") as caught:
        keys_for("tcp://0.0.0.0:7720", empty)
    assert "--add" in caught.value.todo


# --- the files --------------------------------------------------------------------------------------


def test_the_files_are_what_the_library_reads_too(bench, tablet):
    from zmq.auth import load_certificate, load_certificates

    own = bench.own()
    public, secret = load_certificate(bench.public_path.with_suffix(".key_secret"))
    assert (public.decode(), secret.decode()) == (own.public, own.secret)
    assert load_certificates(bench.known_path) == {tablet.own().public.encode(): True}


@pytest.mark.skipif(sys.platform == "win32", reason="not checked here: Windows has other permissions")
def test_the_secret_is_its_owner_s_alone(bench):
    mode = stat.S_IMODE(bench.public_path.with_suffix(".key_secret").stat().st_mode)
    assert mode == 0o600
    assert bench.own().secret not in bench.public_path.read_text()
    assert bench.own().secret not in repr(bench.own())


def test_a_secret_key_is_not_taken_for_another_computer_s(bench, tablet):
    with pytest.raises(KeyFileError, match="secret"):
        bench.add(tablet.public_path.with_suffix(".key_secret"))


def test_a_file_that_holds_no_key_is_refused(bench, tmp_path):
    file = tmp_path / "x.key"
    file.write_text('public-key = "short"\n')
    with pytest.raises(KeyFileError, match="not a key file"):
        bench.add(file)
    with pytest.raises(KeyFileError, match="cannot be read"):
        bench.add(tmp_path / "none.key")


def test_another_key_under_a_known_name_is_not_taken(bench, tablet, tmp_path):
    imposter = computer(tmp_path / "elsewhere", "tablet")
    with pytest.raises(KeyFileError, match="another computer is known"):
        bench.add(imposter.public_path)
    assert bench.known() == {"tablet": tablet.own().public}


def test_of_several_daemons_one_is_named(bench, tablet, tmp_path):
    tablet.add(computer(tmp_path, "second-bench").public_path)
    with pytest.raises(KeyFileError, match="several") as caught:
        CurveKeys.from_folder(tablet)
    assert "bench, second-bench" in caught.value.expected
    assert CurveKeys.from_folder(tablet, "bench").daemon == bench.own().public


def test_half_a_pair_is_not_left_in_the_way_of_the_next(tmp_path, monkeypatch):
    keys = KeyFolder(tmp_path / "keys")
    write = os.open

    def full_at_the_secret(path, flags, mode=0o777):
        if str(path).endswith(".key_secret"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        return write(path, flags, mode)

    with monkeypatch.context() as patched:
        patched.setattr(os, "open", full_at_the_secret)
        with pytest.raises(KeyFileError, match="cannot be kept") as caught:
            keys.make("bench", "a" * 40, "b" * 40)
    assert "make room" in caught.value.todo
    assert [path.name for path in keys.path.iterdir()] == ["known"]
    assert keys.make("bench", "a" * 40, "b" * 40) == keys.public_path
    assert keys.own().public == "a" * 40


def test_a_public_file_without_its_secret_is_said_to_be_in_the_way(tmp_path):
    keys = KeyFolder(tmp_path)
    (tmp_path / "bench.key").write_text("whoever was here before")
    with pytest.raises(KeyFileError, match="a file of that name already") as caught:
        keys.make("bench", "a" * 40, "b" * 40)
    assert caught.value.where == str(tmp_path / "bench.key")
    assert "move it away" in caught.value.todo
    assert (tmp_path / "bench.key").read_text() == "whoever was here before"


def test_the_command_makes_a_key_once_and_adds_another(tmp_path, capsys):
    folder = tmp_path / "keys"
    assert main(["setup", "key", "--keys", str(folder), "--name", "bench"]) == 0
    first = capsys.readouterr()
    assert first.out == f"{folder / 'bench.key'}\n"
    assert "--add" in first.err
    secret = KeyFolder(folder).own().secret
    assert main(["setup", "key", "--keys", str(folder)]) == 0
    assert capsys.readouterr().out == first.out
    assert KeyFolder(folder).own().secret == secret
    other = computer(tmp_path, "tablet")
    assert main(["setup", "key", "--keys", str(folder), "--add", str(other.public_path)]) == 0
    assert KeyFolder(folder).known() == {"tablet": other.own().public}
    assert main(["setup", "key", "--keys", str(folder), "--add", str(tmp_path / "none")]) == 1
