"""Prove room: the translator's states against key and engine, greetings, sleep, and ramps to safe answers."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.roles import find_role
from swapbridge.language.bridge_file import StateRules, Written
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.judges.behaviour.asleep import _greets, _KeyOff, _sleeps
from swapbridge.proving.judges.behaviour.safe_answers import _ramp
from swapbridge.proving.judges.frames.form import measure
from swapbridge.proving.judges.frames.sent_form import _as_often, _still_sent
from swapbridge.proving.judges.runs.states import judge_states
from tests.proving import small_swap
from tests.proving.conftest import make_capture

T = np.arange(0, 40, 0.1)
RPM = np.where((T > 12) & (T < 30), 800.0, 0.0)
ASLEEP, WAKE, KEY_ON, CRANK, RUN, AFTER_RUN = range(6)
RULES = StateRules(key_on=Written("host.BODY.Key"), run=Written("donor.FAST.Speed > 400 rpm"))
BRIDGE = replace(small_swap.bridge(), buses=tuple(reversed(small_swap.bridge().buses)))
"""The small swap's, its buses in the order of the case below."""
SOUND = [(1, WAKE), (5, KEY_ON), (12.1, RUN), (30.1, KEY_ON), (34.1, AFTER_RUN), (36, WAKE)]


def _states(taken: list[tuple[float, int]], rules: StateRules = RULES) -> dict[str, str]:
    key = Channel("key", np.array([0, 5, 10, 12, 34.0]), np.array([0, 1, 2, 1, 0.0]), "", ("off", "on", "start"))
    stimuli = {
        "host": StimulusTrack({"key": key}, "host"),
        "donor": StimulusTrack({"engine_speed": Channel("engine_speed", T, RPM, "rpm")}, "donor"),
    }
    rows = [_Rows(np.array([0, 38_000_000_000])) for _ in range(2)]
    case: Any = SimpleNamespace(
        names=["host", "donor"], stimuli=stimuli, role_track=lambda *_: None,
        reference=SimpleNamespace(states_taken=[(int(1e6 * s), state) for s, state in taken]),
        bridge=replace(BRIDGE, states=rules), bench=SimpleNamespace(traffic=rows),
    )  # fmt: skip
    return {f"{c.subject.split()[1]} {c.name}": c.status for c in judge_states(case)}


class _Rows:
    def __init__(self, received_ns: Any) -> None:
        self.received_ns = received_ns

    def __len__(self) -> int:
        return len(self.received_ns)


def test_states_follow_the_key_and_the_engine() -> None:
    found = _states(SOUND)
    assert set(found.values()) == {"pass"}
    assert {f"key_on with the key at {word}" for word in ("off", "on", "start")} <= set(found)


@pytest.mark.parametrize(
    ("taken", "wrong"),
    [
        ([(1, WAKE), (5, KEY_ON), (34, WAKE)], {"run while the engine runs"}),
        ([(1, WAKE), (5, RUN), (34, WAKE)], {"run while the engine is stopped"}),
        ([*SOUND[:2], (10, WAKE), (12, KEY_ON), *SOUND[2:]], {"key_on with the key at start"}),
        ([(1, KEY_ON), *SOUND[2:]], {"key_on with the key at off"}),
    ],
)
def test_a_state_rule_that_goes_with_something_else_fails(taken: list[tuple[float, int]], wrong: set[str]) -> None:
    assert {name for name, status in _states(taken).items() if status == "fail"} == wrong


def test_without_a_rule_for_run_all_hangs_on_the_key() -> None:
    taken = [(1.0, WAKE), (5.0, KEY_ON), (34.0, WAKE)]
    assert _states(taken, replace(RULES, run=None))["run while the engine runs"] == "unproved"


def test_nothing_is_asked_while_both_buses_sleep() -> None:
    """The engine of one drive goes on after the recording of the other has ended."""
    assert set(_states([*SOUND[:3], (20, ASLEEP), (29, RUN), *SOUND[3:]]).values()) == {"pass"}


def _frames(*seconds: float) -> Frames:
    times = (np.array(seconds) * 1e9).astype(np.int64)
    return Frames(times, np.full(len(times), 8, np.uint8), np.zeros((len(times), 8), np.uint8))


SEND: Any = SimpleNamespace(name="host.HELLO", once=True, period_us=0)
KEY = _KeyOff([(2.0, 5.0)], [], [], np.array([]))


@pytest.mark.parametrize(
    ("old", "new", "status"), [(5.4, 5.4, "pass"), (5.4, 1.995, "unproved"), (3.0, 3.0, "pass"), (3.0, 5.4, "pass")]
)
def test_a_greeting_comes_with_the_key_where_it_did(old: float, new: float, status: str) -> None:
    assert [c.status for c in _greets(SEND, _frames(old), _frames(new), KEY, KEY)] == [status]


@pytest.mark.parametrize(("once", "found"), [(True, ["fail"]), (False, [])])
def test_what_the_old_sender_went_on_with_is_no_greeting(once: bool, found: list[str]) -> None:
    send: Any = SimpleNamespace(name="host.PEDAL", once=once)
    old = measure(_frames(*np.arange(0, 20, 0.02)), None)
    assert [c.status for c in _still_sent(send, old)] == found
    greeting = measure(_frames(0.0, 0.06, 0.12), None)
    assert _still_sent(send, greeting) == []


@pytest.mark.parametrize(
    ("seconds", "count", "found"),
    [
        ([1, 1.06, 1.12, 140, 140.06, 140.12], 3, ["pass"]),
        ([1, 1.06, 1.12, 140, 140.06, 140.12], 1, ["fail"]),
        ([1, 140, 160], 1, ["pass"]),
        ([1, 2, 3, 140, 142], 2, ["pass"]),
        ([0.1 * n for n in range(40)], 1, []),
        ([1, 1.06, 1.12], 0, []),
    ],
)
def test_a_greeting_comes_as_often_as_it_did(seconds: list[float], count: int, found: list[str]) -> None:
    send: Any = SimpleNamespace(name="host.HELLO", once=count > 0, count=count)
    assert [c.status for c in _as_often(send, _frames(*seconds))] == found


@pytest.mark.parametrize(("silent_us", "status"), [(3_000_000, "pass"), (60_000_000, "fail")])
def test_a_bus_falls_asleep_before_the_battery_runs_down(silent_us: int, status: str) -> None:
    plan = SimpleNamespace(buses=[SimpleNamespace(name="host", silent_us=silent_us)], sends=[])
    case: Any = SimpleNamespace(plan=plan, bench=SimpleNamespace(captures=[None]))
    assert [c.status for c in _sleeps(case)] == [status]


@pytest.mark.parametrize(("silent_us", "status"), [(3_000_000, "pass"), (900_000, "pass"), (500_000, "unproved")])
def test_a_bus_that_pauses_is_not_asleep(silent_us: int, status: str) -> None:
    """Others pause for 0.4 s; the plan's own frames in between are not there to keep it awake."""
    ours = SimpleNamespace(bus=0, word=0x100)
    plan = SimpleNamespace(buses=[SimpleNamespace(name="host", silent_us=silent_us)], sends=[ours])
    rows = [(int(1e9 * s), word, b"") for s, word in ((0, 0x200), (0.1, 0x200), (0.3, 0x100), (0.5, 0x200), (9, 0x200))]
    case: Any = SimpleNamespace(plan=plan, bench=SimpleNamespace(captures=[make_capture(rows)]))
    assert [c.status for c in _sleeps(case) if c.name == "stays awake"] == [status]


@pytest.mark.parametrize(("a_step", "found"), [(40, ["pass"]), (Fraction(1, 10), ["fail"]), (0, [])])
def test_a_ramp_reaches_its_safe_answer_in_time(a_step: Fraction | int, found: list[str]) -> None:
    """A request over 2,000 raw steps, 10 ms a step of the translator."""
    target = SimpleNamespace(safe=SimpleNamespace(raw=2000, ramp=Fraction(a_step)), allowed=lambda: (0, 2000))
    made: Any = SimpleNamespace(
        bus=0, message=SimpleNamespace(word=1), signal=SimpleNamespace(name="S"), label="donor.M.S",
        role=find_role("torque_reduction_request"),
    )  # fmt: skip
    case: Any = SimpleNamespace(
        reference=SimpleNamespace(targets={(0, 1): SimpleNamespace(signals={"S": target})}),
        bridge=SimpleNamespace(step_us=10_000),
    )
    assert [c.status for c in _ramp(case, made)] == found
