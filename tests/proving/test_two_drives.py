"""Prove room: two recordings are two unrelated drives: what hangs on both is compared only where they agree."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.layout import Layout
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.case import Track
from swapbridge.proving.judges.behaviour.coverage import _Board
from swapbridge.proving.judges.behaviour.life import _cells_of, _turned
from swapbridge.proving.judges.recordings.holes import _messages
from swapbridge.proving.prove import prove
from swapbridge.proving.verdict import Check, Verdict
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.proving import small_swap

SECONDS, BEGIN_S = 32.0, 1000
MIXED = "choose(host.BODY.Brake == 1, 1, choose(donor.FAST.Speed >= 400 rpm, 3, 2))"
"""The brake is the host's and the engine the donor's."""


def _with(signal_map: SignalMap, name: str, *signals: MapSignal, length: int | None = None) -> SignalMap:
    def of(one: MapMessage) -> MapMessage:
        if one.name != name:
            return one
        return replace(one, signals=(*one.signals, *signals), length=length or one.length)

    return replace(signal_map, messages=tuple(of(m) for m in signal_map.messages))


def _edited(capture: Capture, identifier: int, byte: int, shift: int, value: Any) -> Capture:
    payload = capture.payload.copy()
    rows = capture.identifier == identifier
    seconds = capture.time_ns[rows] / 1e9 - BEGIN_S
    payload[rows, byte] |= (np.asarray(value(seconds)).astype(np.uint8) << shift).astype(np.uint8)
    return replace(capture, payload=payload)


def _host_brake(t: Any) -> Any:
    return (t % 8) < 6


def _donor_brake(t: Any) -> Any:
    return (t % 8) >= 7


def _total(t: Any) -> Any:
    """The old engine's thousands of turns: the small swap's host turns at 0.9 of its donor's speed."""
    fine = np.arange(0, SECONDS, 0.01)
    speed = np.where(fine < 1.5, 0, 800 + 750 * (1 + np.sin(fine * 1.3)) + 40 * np.sin(fine * 9))
    return np.interp(t, fine, np.cumsum(0.9 * speed / 1000 * 0.01)).astype(int) % 32


def _switch(brake: Any) -> StimulusTrack:
    t = np.arange(0, SECONDS, 0.05)
    said = brake(t).astype(float)
    moments = np.r_[0, np.flatnonzero(np.diff(said)) + 1]
    return StimulusTrack({"brake": Channel("brake", BEGIN_S + t[moments], said[moments], "", ("off", "on"))}, "brake")


@cache
def _verdict(value: str) -> Verdict:
    """The small swap with a brake switch in the host's body, and three more signals in TEMPS.

    One is made by a rule on both drives, one adds up, one is learned in a range that the donor's drive soon leaves.
    """
    maps, captures = small_swap.maps(), small_swap.captures(SECONDS)
    maps["host"] = _with(maps["host"], "BODY", MapSignal("Brake", Layout(1, 1)))
    new = (
        MapSignal("Told", Layout(24, 2)),
        MapSignal("Sum", Layout(26, 5)),
        MapSignal("Learned", Layout(8, 6)),
    )
    maps["host"] = _with(maps["host"], "TEMPS", *new)
    host = _edited(captures["host"], 0x2F0, 0, 1, _host_brake)
    host = _edited(host, 0x280, 3, 0, lambda t: np.where(_host_brake(t), 1, np.where(t < 1.5, 2, 3)))
    host = _edited(host, 0x280, 3, 2, _total)
    host = _edited(host, 0x280, 1, 0, lambda t: 3 + t.astype(int))
    lamp = 'Lamp = "donor.SLOW.Lamp"\n'
    rules = f"""Told = {{ value = "{value}", fallback = "2", role = "status", hold_ms = 500 }}
Sum = {{ value = "accumulate(donor.FAST.Speed / 1000 rpm, wrap=32, resolution=1)", fallback = "0", role = "value" }}
[messages.signals.Learned]
value = "clamp(donor.SLOW.Coolant / 2 degC, 0, 63)"
fallback = "2"
role = "value"
seen = ["0 degC", "40 degC"]
"""
    bridge = small_swap.bridge(small_swap.BRIDGE.replace(lamp, lamp + rules))
    return prove(
        compile_bridge(bridge, maps).plan, {**captures, "host": host}, bridge, maps, thoroughness="none",
        stimuli={"host": _switch(_host_brake), "donor": _switch(_donor_brake)},
    )  # fmt: skip


def _of(verdict: Verdict, subject: str) -> dict[str, Check]:
    return {c.name: c for c in verdict.checks if c.subject == subject}


def test_a_rule_on_both_drives_is_compared_where_both_are_at_the_same_word() -> None:
    found = _of(_verdict(MIXED), "host.TEMPS.Told")
    assert found["follows brake"].status == "open", "the two brakes are never pressed together"
    assert {c.status for c in found.values()} == {"pass", "open"}


def test_a_wrong_rule_on_both_drives_is_found() -> None:
    verdict = _verdict("choose(host.BODY.Brake == 1, 3, choose(donor.FAST.Speed >= 400 rpm, 1, 2))")
    assert "fail" in {c.status for c in _of(verdict, "host.TEMPS.Told").values()}
    assert verdict.outcome == "FAILED"


def test_what_leaves_the_range_it_was_learned_in_is_not_proved() -> None:
    verdict = _verdict(MIXED)
    check = _of(verdict, "host.TEMPS.Learned")["is more than its safe answer"]
    assert check.status == "unproved"
    assert "learned from 0 to 40" in check.measured


def test_a_need_is_no_greener_than_what_was_said_of_its_message() -> None:
    send: Any = SimpleNamespace(name="host.TEMPS")
    said: Any = SimpleNamespace(failed=["host.OTHER"], unproved=["host.TEMPS.Learned"])
    assert _Board._otherwise(said, send, "not proved") == "unproved"
    said.failed.append("host.TEMPS.Lamp")
    assert _Board._otherwise(said, send, "not proved") == "fail"
    assert _Board._otherwise(said, send, "missing") == "fail"


def test_a_total_stands_still_without_its_source() -> None:
    assert _of(_verdict(MIXED), "host.TEMPS")["when donor falls silent"].status == "open", "Told is told by the brake"
    late = _of(_verdict(MIXED), "host.TEMPS")["when donor falls silent"].measured
    assert "Sum" not in late


def test_states_are_those_of_the_drive_that_a_rule_reads() -> None:
    """The host's engine runs for the first ten seconds, the donor's for the last ten of fifteen."""
    t = np.arange(0, 15, 0.1)
    rpm = {"host": np.where(t < 10, 900.0, 0.0), "donor": np.where(t >= 5, 900.0, 0.0)}
    drives: dict[str, frozenset[int]] = {"echo": frozenset({0}), "copy": frozenset({1}), "mixed": frozenset({0, 1})}
    case: Any = SimpleNamespace(
        names=["host", "donor"], role_track=lambda bus, alias: None, drives_of=drives.get,
        stimuli={b: StimulusTrack({"engine_speed": Channel("engine_speed", t, v, "rpm")}, b) for b, v in rpm.items()},
    )  # fmt: skip
    moments = np.array([2.0, 7.0, 12.0])
    read: dict[str, Any] = {name: name for name in drives}
    told = {name: _cells_of(case, made, moments) for name, made in read.items()}
    assert told["echo"] is not None
    assert told["echo"].tolist() == [18, 18, 0]
    assert told["copy"] is not None
    assert told["copy"].tolist() == [0, 18, 18]
    assert told["mixed"] is not None
    assert told["mixed"].tolist() == [-1, 18, -1]


@pytest.mark.parametrize(("unit", "found"), [("degC", []), ("degF", []), ("Nm", ["fail"])])
def test_a_temperature_below_zero_is_another_season_and_no_sign(unit: str, found: list[str]) -> None:
    signal = MapSignal("S", Layout(0, 8, signed=True), unit=unit)
    t, all_of_it = np.arange(50) / 10, np.ones(50, bool)
    summer = Track(t, np.full(50, 18, np.int64), all_of_it, signal)
    winter = Track(t, np.full(50, -11, np.int64), all_of_it, signal)
    made: Any = SimpleNamespace(signal=signal, label="donor.M.S")
    assert [c.status for c in _turned(made, summer, winter)] == found


@pytest.mark.parametrize(
    ("silent_s", "read", "found"), [(0, True, []), (8, True, ["open"]), (20, True, ["unproved"]), (20, False, ["open"])]
)
def test_a_message_that_was_silent_for_long_was_not_heard(silent_s: float, read: bool, found: list[str]) -> None:
    """Its neighbour spoke for 150 s; a message that is only sent has nobody who listens to it."""
    t = np.arange(0, 150, 0.1)
    names = [MapMessage(n, i, False, 8, period_ms=Fraction(100)) for n, i in (("THERMAL", 1), ("FAST", 2))]
    times = {1: t[(t < 60) | (t > 60 + silent_s)], 2: t}
    frames = {
        i: Frames((x * 1e9).astype(np.int64), np.full(len(x), 8, np.uint8), np.zeros((len(x), 8), np.uint8))
        for i, x in times.items()
    }
    send = SimpleNamespace(bus=0, word=1, request=None, once=False)
    case: Any = SimpleNamespace(
        heard=[(0, m) for m in names if read or m.identifier == 2], names=["donor"],
        plan=SimpleNamespace(sends=[] if read else [send]), old=lambda _, word: frames[word],
        bench=SimpleNamespace(captures=[SimpleNamespace(time_ns=frames[2].time_ns)], begin_ns=[0]),
        maps={"donor": SignalMap(tuple(names), ())},
    )  # fmt: skip
    assert [c.status for c in _messages(case, 0) if c.subject == "donor.THERMAL"] == found
