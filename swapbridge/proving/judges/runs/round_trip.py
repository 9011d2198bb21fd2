"""Proving room: drives a model of the swapped vehicle through the translator, host and donor in a closed loop.

The transmission's torque reduction goes to the donor's engine computer through the translator, its torque comes back.
Limits are common practice, no source: a request is heard within a few frames, acted on while it is still wanted,
acknowledged, and never answered by too little reported torque.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from swapbridge.core.errors import InputError
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import SentFrame
from swapbridge.proving.bench.bench import MakeTranslator, translator_device
from swapbridge.proving.bench.nodes import MS, SECOND, Controller, NodeUnderTest
from swapbridge.proving.bench.plant import Plant, PlantState
from swapbridge.proving.bench.simulated_bus import SimulatedBus, Simulation
from swapbridge.proving.bench.traffic import Rates, empty_traffic
from swapbridge.proving.case import Case
from swapbridge.proving.verdict import Check, check_of

HEARD_MS = 25.0
"""A request reaches the engine computer: two of its 10 ms frames and the translator's budget of 5 ms."""
ACTED_MS = 200.0
ACK_MS = 120.0
REPORT_WINDOW_MS = 100.0
TORQUE_MARGIN_NM = 2.0
MOST_STARTS = 3
"""Requests that may begin within two seconds: a shift asks once or twice, a limit cycle asks without end."""


@dataclass(slots=True)
class _PlantProgram:
    """The vehicle as a node of the simulation: it is asked a step ahead, so that its frames come at their own times."""

    plant: Plant
    names: list[str]
    step_us: int = 2_000
    ahead_us: int = 0
    queue: list[Any] | None = None

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        self.plant.receive(self.names[bus], word, data, now * 1000)

    def poll(self, now: int) -> SentFrame | None:
        queue = self.queue = self.queue or []
        while self.ahead_us <= now:
            self.ahead_us += self.step_us
            queue.extend(self.plant.advance(self.ahead_us * 1000))
        if queue and queue[0].time_ns <= now * 1000:
            frame = queue.pop(0)
            return SentFrame(self.names.index(frame.bus), frame.word, frame.data)
        return None

    def next_poll(self, now: int) -> int:
        due = self.ahead_us
        if self.queue:
            due = min(due, -(-self.queue[0].time_ns // 1000))
        return max(due, now)


def judge_closed_loop(case: Case) -> list[Check]:
    """The model of the swapped vehicle, where there is one."""
    plant = case.extras.plant
    return judge_round_trip(case.plan, case.make, plant) if plant is not None else []


def judge_round_trip(plan: Plan, make: MakeTranslator, plant: Plant) -> list[Check]:
    """Drive the model through its script with the translator between its buses, and judge what came of it.

    Raises
    ------
    InputError
        The model's buses are not the plan's.
    """
    names = [b.name for b in plan.buses]
    buses = [SimulatedBus(b.name, empty_traffic(Rates(b.bit_rate, b.data_rate)), fd=b.fd) for b in plan.buses]
    program = _PlantProgram(plant, names)
    vehicle = NodeUnderTest("vehicle", program, [None] * len(names), [Controller() for _ in names])
    vehicle.keep_sent = False
    translator = translator_device(plan, make(), record=False)
    try:
        Simulation(buses, [vehicle, translator]).run(int(plant.seconds * SECOND))
    except ValueError as error:
        raise InputError(f"the vehicle model and the plan do not have the same buses ({error})") from None
    return judge_samples(plant.trace)


def judge_samples(trace: Sequence[PlantState]) -> list[Check]:
    """Judge the truth of a closed loop."""
    if not trace:
        return [check_of("round trip", "vehicle", "ran", False, "no samples", "a run of the model", "")]
    return [
        *_requests(trace),
        _never_above(trace),
        _never_reported_too_low(trace),
        _acknowledged(trace),
        _no_cycle(trace),
        _engine_off(trace),
        _overrun(trace),
    ]


def _episodes(trace: Sequence[PlantState]) -> list[tuple[int, int]]:
    """First and last sample of each request."""
    out, begin = [], None
    for i, sample in enumerate(trace):
        if sample.requested_nm is not None and begin is None:
            begin = i
        elif sample.requested_nm is None and begin is not None:
            out.append((begin, i - 1))
            begin = None
    return out


def _requests(trace: Sequence[PlantState]) -> list[Check]:
    heard, acted, unheard, unacted = [], [], 0, 0
    episodes = [e for e in _episodes(trace) if trace[e[1]].time_ns - trace[e[0]].time_ns > HEARD_MS * MS]
    for first, last in episodes:
        begin = trace[first].time_ns
        part = trace[first : last + 1]
        when = next((s.time_ns for s in part if s.heard_nm is not None), None)
        if when is None:
            unheard += 1
            continue
        heard.append((when - begin) / MS)
        done = next(
            (s.time_ns for s in part if s.requested_nm is not None and s.actual_nm <= s.requested_nm + _near(s)), None
        )
        if done is None:
            unacted += trace[last].time_ns - begin > ACTED_MS * MS
        else:
            acted.append((done - begin) / MS)
    slowest, latest = max(heard, default=0.0), max(acted, default=0.0)
    return [
        check_of(
            "round trip",
            "torque reduction",
            "heard by the donor",
            unheard == 0 and slowest <= HEARD_MS,
            f"{len(heard)} of {len(episodes)} requests, slowest {slowest:.1f} ms",
            f"each within {HEARD_MS:g} ms",
            "send the request on_arrival of its source, with a short gap_ms",
        ),
        check_of(
            "round trip",
            "torque reduction",
            "acted on",
            unacted == 0 and latest <= ACTED_MS,
            f"{len(acted)} of {len(episodes)} requests, slowest {latest:.0f} ms",
            f"torque reduced within {ACTED_MS:g} ms while it is requested",
            "check scale, limits and reference of the request",
        ),
    ]


def _near(sample: PlantState) -> float:
    return max(10.0, 0.1 * abs(sample.requested_nm or 0.0))


def _never_above(trace: Sequence[PlantState]) -> Check:
    over = max(s.actual_nm - s.most_nm for s in trace)
    return check_of(
        "round trip",
        "actual torque",
        "never above maximum",
        over <= TORQUE_MARGIN_NM,
        f"at most {over:+.1f} Nm against the maximum",
        "not above what the engine can deliver",
        "check the scales of both torques",
    )


def _never_reported_too_low(trace: Sequence[PlantState]) -> Check:
    """What the transmission is told may be late, so it is compared with the smallest torque of the last moments."""
    time = np.array([s.time_ns for s in trace])
    actual = np.array([s.actual_nm for s in trace])
    worst = 0.0
    behind = 0
    for i, sample in enumerate(trace):
        while time[i] - time[behind] > REPORT_WINDOW_MS * MS:
            behind += 1
        if sample.reported_nm is not None:
            worst = max(worst, float(actual[behind : i + 1].min()) - sample.reported_nm)
    return check_of(
        "round trip",
        "actual torque",
        "never reported too low",
        worst <= TORQUE_MARGIN_NM,
        f"at most {worst:.1f} Nm too little",
        f"never less than it was within the last {REPORT_WINDOW_MS:g} ms (too little lowers the clutch pressure)",
        "widen its limits or its range in the host's layout, or give it a high fallback",
    )


def _acknowledged(trace: Sequence[PlantState]) -> Check:
    late, early, count = 0, 0, 0
    last_request = -SECOND
    for sample in trace:
        if sample.requested_nm is not None or sample.heard_nm is not None:
            last_request = sample.time_ns
        if sample.acknowledged and sample.time_ns - last_request > ACK_MS * MS:
            early += 1
    for first, last in _episodes(trace):
        begin = trace[first].time_ns
        if trace[last].time_ns - begin < ACK_MS * MS:
            continue
        count += 1
        answered = next((s.time_ns for s in trace[first : last + 1] if s.acknowledged), None)
        late += answered is None or answered - begin > ACK_MS * MS
    return check_of(
        "round trip",
        "acknowledgement",
        "after the request",
        late == 0 and early == 0,
        f"{count} requests, {late} acknowledged late or never, {early} samples acknowledged without a request",
        f"within {ACK_MS:g} ms of each request and never without one",
        "map the acknowledgement of the engine computer",
    )


def _no_cycle(trace: Sequence[PlantState]) -> Check:
    starts = [trace[first].time_ns for first, _ in _episodes(trace)]
    most = max((sum(t <= u < t + 2 * SECOND for u in starts) for t in starts), default=0)
    return check_of(
        "round trip",
        "torque reduction",
        "no limit cycle",
        most <= MOST_STARTS,
        f"{len(starts)} requests, at most {most} within 2 s",
        f"at most {MOST_STARTS} within 2 s",
        "the two computers answer each other endlessly: check the torque sent to the transmission",
    )


def _engine_off(trace: Sequence[PlantState]) -> Check:
    off = [s for s in trace if not s.running and s.engine_rpm < 1 and s.reported_nm is not None]
    worst = max((abs((s.reported_nm or 0.0) - s.actual_nm) for s in _settled(off)), default=0.0)
    return check_of(
        "round trip",
        "engine off",
        "torque reported",
        worst <= TORQUE_MARGIN_NM,
        f"{worst:.1f} Nm off, {len(off):,} samples",
        "the engine's value",
        "check offset and fallback of the actual torque",
    )


def _overrun(trace: Sequence[PlantState]) -> Check:
    over = [s for s in trace if s.running and s.actual_nm < -5 and s.reported_nm is not None]
    worst = max((abs((s.reported_nm or 0.0) - s.actual_nm) for s in _settled(over)), default=0.0)
    return check_of(
        "round trip",
        "overrun",
        "torque reported",
        bool(over) and worst <= 3 * TORQUE_MARGIN_NM,
        f"{worst:.1f} Nm off, {len(over):,} samples" if over else "the model never ran in overrun",
        "negative, the engine's value",
        "the host's layout must be able to carry a negative torque: check offset, minimum and limits",
    )


def _settled(samples: Sequence[PlantState]) -> list[PlantState]:
    """Samples of which those of the last moments were of the same kind and of nearly the same torque."""
    out = []
    begin = 0
    for i, sample in enumerate(samples):
        if i and (
            sample.time_ns - samples[i - 1].time_ns > 5 * MS or abs(sample.actual_nm - samples[i - 1].actual_nm) > 0.5
        ):
            begin = i
        if sample.time_ns - samples[begin].time_ns > 2 * REPORT_WINDOW_MS * MS:
            out.append(sample)
    return out
