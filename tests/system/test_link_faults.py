"""The real daemon on a board with faults, each process of its own: it goes on, and counts what it lost."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from evenstroke_dsp.blocks import Gap, SampleBlock
from evenstroke_dsp.messages import Health, State
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recording import open_recording
from evenstroke_viewer.subscriber import Subscriber


class Heard:
    """A session against a rig with faults, until the crank and the faults are over."""

    def __init__(self, program, folder, faults, *, tcp=False, seconds=9.0):
        arguments = ["rig", "--cranking", "6", "--rest", "0.5", "--seconds", "600"]
        arguments += ["--tcp", "0"] if tcp else []
        for fault in faults:
            arguments += ["--fault", fault]
        self.rig = program(*arguments)
        port = self.rig.wait_for(self.rig.out, r"\S+").group()
        self.listen = program(
            "listen", "--port", port, "--setup", "demo", "--record", folder,
            "--publish", "tcp://127.0.0.1:0", "--control", "none", "--seconds", seconds,
        )  # fmt: skip
        address = self.listen.wait_for(self.listen.err, r"publishing at (\S+)").group(1)
        self.states, self.healths = [], []
        with Subscriber(address, topics=("state", "health")) as subscriber:
            while self.listen.process.poll() is None:
                message = subscriber.receive(timeout_s=0.5)
                if isinstance(message, State):
                    self.states.append(message)
                elif isinstance(message, Health):
                    self.healths.append(message)
        self.code = self.listen.ended()
        self.path = Path(self.listen.out[-1])
        self.recording = open_recording(self.path)
        self.blocks = list(blocks_of(self.recording, self.recording.setup))

    @property
    def gaps(self):
        return [b for b in self.blocks if isinstance(b, Gap)]

    @property
    def links(self):
        return [s.link for s in self.states]


@pytest.mark.parametrize("tcp", [False, True], ids=["pty", "tcp"])
def test_a_cable_pulled_out_and_put_back(program, tmp_path, tcp):
    heard = Heard(program, tmp_path, ["2.5:vanish:0:1.5"], tcp=tcp)
    assert heard.code == 3
    assert "stalled" in heard.links
    assert any("waiting for the board to come back" in s.reason for s in heard.states)
    assert heard.recording.complete
    (gap,) = [g for g in heard.gaps if g.reason == "link_lost"]
    assert gap.t_to - gap.t_from == pytest.approx(1.5, abs=1.2)  # away, and then looked for twice a second
    after = sum(b.samples for b in heard.blocks if isinstance(b, SampleBlock) and b.t0 > gap.t_to - 0.01)
    assert after > 10_000


def test_a_board_reset_in_the_middle_of_a_crank(program, tmp_path):
    heard = Heard(program, tmp_path, ["3:reset"])
    assert heard.code == 3
    assert any("reset" in s.reason for s in heard.states)
    (gap,) = [g for g in heard.gaps if g.reason == "link_lost"]
    assert gap.t_to - gap.t_from < 1.0  # its hello is heard; no second of silence is waited for
    judged = program("judge", heard.path, "--json")
    assert judged.ended() == 3
    document = json.loads("\n".join(judged.out))
    assert document["refused"] is None
    assert sum(stretch["cycles"] for stretch in document["cranked"]) >= 6


def test_flipped_bits_cost_blocks_and_are_counted_by_reason(program, tmp_path):
    heard = Heard(program, tmp_path, ["1:corrupt:2e-5:4"])
    assert heard.code == 3
    reasons = {loss.reason for loss in heard.healths[-1].losses}
    assert "bad_crc" in reasons or "not_cobs" in reasons
    assert heard.healths[-1].lost_samples == sum(g.lost_samples for g in heard.gaps) > 0
    assert heard.recording.complete
    assert "stalled" not in heard.links


def test_a_short_stall_loses_nothing(program, tmp_path):
    heard = Heard(program, tmp_path, ["2:stall:0:1.4"])
    assert heard.code == 0
    assert "stalled" in heard.links
    assert not heard.gaps


def test_lost_and_doubled_frames_are_told_apart(program, tmp_path):
    heard = Heard(program, tmp_path, ["1:drop:0.03:4", "1:duplicate:0.1:4"])
    assert heard.code == 3
    counted = {loss.reason: loss for loss in heard.healths[-1].losses}
    assert counted["samples_missing"].blocks > 0
    assert counted["repeated"].frames > 0
    # Every scan is there or in a gap: the axis runs on at the board's own rate.
    samples = [b for b in heard.blocks if isinstance(b, SampleBlock)]
    there, lost = sum(b.samples for b in samples), sum(g.lost_samples for g in heard.gaps)
    span = samples[-1].t0 + samples[-1].samples * samples[-1].dt - samples[0].t0
    assert there + lost == round(span / samples[0].dt)
    assert lost == heard.healths[-1].lost_samples


def test_a_fast_board_clock_is_measured_published_and_said(program, tmp_path):
    heard = Heard(program, tmp_path, ["0:clock:5000"], seconds=12.0)
    assert heard.code == 0
    known = [h for h in heard.healths if h.clock_ppm is not None]
    assert known, "after some seconds"
    assert known[-1].clock_uncertainty_ppm < 2000
    assert known[-1].clock_ppm == pytest.approx(5000, abs=max(3 * known[-1].clock_uncertainty_ppm, 300))
    judged = program("judge", heard.path, "--json")
    assert judged.ended() == 0
    said = {w["code"]: w["text"] for w in json.loads("\n".join(judged.out))["warnings"]}
    assert "too low" in said["board_clock_off"]


def test_a_board_that_never_comes_back_ends_it_with_the_reason(program, tmp_path):
    rig = program("rig", "--tcp", "0", "--fault", "1:vanish:0:600")
    port = rig.wait_for(rig.out, r"\S+").group()
    listen = program(
        "listen",
        "--port",
        port,
        "--setup",
        "demo",
        "--record",
        tmp_path,
        "--publish",
        "none",
        "--wait-seconds",
        "3",
    )
    assert listen.ended() == 1
    said = "\n".join(listen.err)
    assert re.search(r"did not come back within 3 s", said)
    assert "do this" in said
    assert open_recording(Path(listen.out[-1])).complete
