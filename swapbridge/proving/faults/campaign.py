"""Proving room: the fault campaign: every fault alone and every pair of faults, seeded, each run judged by rules.

In every run: each frame sent equals the exact reference (which knows what must be said when sources are stale, wrong or
back), only planned identifiers are sent, none above its planned rate, no torque, throttle or pedal value older than its
age limit and hold is sent, and after the fault every message comes back.
"""

from __future__ import annotations

import gc
import zlib
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from itertools import combinations
from multiprocessing import get_context
from threading import Lock

import numpy as np

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.progress import Progress
from swapbridge.core.roles import BY_NAME
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.plan.j1939_node import OWN_MASK, nobodys_words, own_words
from swapbridge.plan.plan import Field, Plan, Send
from swapbridge.plan.program import Program
from swapbridge.plan.proof import WHOLE
from swapbridge.proving.bench.bench import Bench, Run, simulate
from swapbridge.proving.bench.excerpt import excerpt
from swapbridge.proving.bench.frame_rows import carries, fields_of
from swapbridge.proving.bench.nodes import MS, SECOND, Polled, ReceivedFrame, Restart, Sent
from swapbridge.proving.faults.faults import FAULTS, RunSetup
from swapbridge.proving.reference.open_choices import loose_fields, steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.reference.worked_out import WorkedOut
from swapbridge.proving.trace import LATE_US, judge_trace
from swapbridge.proving.verdict import FaultRun
from swapbridge.signalmap.signal_map import SignalMap

QUICK, FULL = WHOLE
SINGLE_S = {QUICK: 8, FULL: 60}
PAIR_S = {QUICK: 8, FULL: 20}
QUICK_PAIRS = 12
FAULT_S = 3
"""How long a fault lasts, unless it says itself."""
DELICATE = frozenset({"torque request", "actual torque", "driver demand"})
DELICATE_ROLES = ("pedal_position", "throttle_request")
CLOCK_ALLOWANCE_NS = 200 * MS
Trace = Sequence[ReceivedFrame | Polled | Restart]
Runs = Callable[[Progress | None], list[FaultRun]]
"""Gives the runs of a campaign in the order of its tasks, and says meanwhile how many are done."""


@dataclass(frozen=True, slots=True)
class FaultTask:
    """One run to do."""

    faults: tuple[str, ...]
    seconds: int
    seed: int


@dataclass(frozen=True, slots=True)
class CampaignInputs:
    """What every run needs."""

    bench: Bench
    bridge: BridgeFile
    maps: Mapping[str, SignalMap]
    make: Callable[[], Program]
    known: WorkedOut = field(default_factory=WorkedOut)

    def reference(self) -> Reference:
        """A fresh twin of the bridge."""
        plan = self.bench.plan
        return Reference(self.bridge, self.maps, steps_of(plan), self.known, loose_fields(plan))


def tasks_for(thoroughness: str, seed: int, names: Sequence[str] = tuple(FAULTS)) -> list[FaultTask]:
    """Runs of a campaign: every fault alone; quick: some pairs, full: every pair."""
    singles = [(name,) for name in names]
    pairs = list(combinations(names, 2))
    if thoroughness == QUICK:
        rng = np.random.default_rng(seed)
        chosen = rng.choice(len(pairs), min(QUICK_PAIRS, len(pairs)), replace=False)
        pairs = [pairs[i] for i in sorted(chosen.tolist())]
    out = [FaultTask(f, SINGLE_S[thoroughness], _seed(seed, f)) for f in singles]
    return out + [FaultTask(f, PAIR_S[thoroughness], _seed(seed, f)) for f in pairs]


def chosen_tasks(thoroughness: str, seed: int, chosen: Sequence[str]) -> list[FaultTask]:
    """Certain runs of a campaign again, each named as the report names it: "power cut", or "power cut + bus errors".

    Raises
    ------
    InputError
        A name that is no fault.
    """
    order = list(FAULTS)
    out = []
    for text in chosen:
        names = [name.strip() for name in text.split(" + ")]
        for name in names:
            if name not in FAULTS:
                raise InputError(f"{name!r} is not a fault: use one of {', '.join(order)}")
        faults = tuple(sorted(names, key=order.index))
        length = (SINGLE_S if len(faults) == 1 else PAIR_S).get(thoroughness, SINGLE_S[QUICK])
        out.append(FaultTask(faults, length, _seed(seed, faults)))
    return out


def _seed(seed: int, faults: tuple[str, ...]) -> int:
    """A seed of its own for each run, the same on every machine."""
    return zlib.crc32(f"{seed}: {' + '.join(faults)}".encode())


def run_campaign(
    inputs: CampaignInputs,
    tasks: Sequence[FaultTask],
    *,
    workers: int = 1,
    progress: Progress | None = None,
) -> list[FaultRun]:
    """Do all runs, in `workers` processes, results in the order of the tasks."""
    with under_way(inputs, tasks, workers) as runs:
        return runs(progress)


@contextmanager
def under_way(inputs: CampaignInputs, tasks: Sequence[FaultTask], workers: int) -> Iterator[Runs]:
    """A campaign that has begun in `workers` - 1 other processes while this one does other work.

    What is yielded does here whatever nobody has begun, and gives all runs in the order of the tasks: a worker more
    would have to read everything anew before its first run.

    Parameters
    ----------
    inputs
        What every run starts from: plan, captures, schedule.
    tasks
        The runs, in the order in which their results are given.
    workers
        Processes that share the runs, this one included.

    Returns
    -------
    Iterator[Runs]
        A context whose value does the rest of the runs and gives all results.
    """
    if workers <= 1 or len(tasks) < 2:
        yield partial(_here, inputs, tasks)
        return
    with ProcessPoolExecutor(
        workers - 1, mp_context=get_context("spawn"), initializer=_begin_worker, initargs=(inputs,)
    ) as pool:
        shared = _SharedOut(inputs, tasks, pool)
        for _ in range(2 * (workers - 1)):
            shared.hand_out()
        try:
            yield shared.runs
        finally:
            with shared.lock:
                shared.left.clear()


def _here(inputs: CampaignInputs, tasks: Sequence[FaultTask], progress: Progress | None) -> list[FaultRun]:
    out = []
    for number, task in enumerate(tasks):
        out.append(run_fault(inputs, task))
        if progress is not None:
            progress((number + 1) / len(tasks), " + ".join(task.faults))
    return out


class _SharedOut:
    """Runs in other processes from the first on, in this one from the last: whoever is free takes the next."""

    def __init__(self, inputs: CampaignInputs, tasks: Sequence[FaultTask], pool: ProcessPoolExecutor) -> None:
        self.inputs, self.tasks, self.pool = inputs, tasks, pool
        self.left = deque(range(len(tasks)))
        self.away: dict[int, Future[FaultRun]] = {}
        self.lock = Lock()

    def hand_out(self, _: Future[FaultRun] | None = None) -> None:
        """The next run goes to another process; when it is done, one more does."""
        with self.lock:
            if not self.left:
                return
            try:
                future = self.pool.submit(_run_in_worker, self.tasks[self.left[0]])
            except BrokenProcessPool:  # the run is left to this process
                return
            self.away[self.left.popleft()] = future
        future.add_done_callback(self.hand_out)

    def runs(self, progress: Progress | None) -> list[FaultRun]:
        """All runs, those that nobody has begun done here."""
        done: dict[int, FaultRun] = {}
        while (number := self._mine()) is not None:
            done[number] = run_fault(self.inputs, self.tasks[number])
            self._report(progress, done)
        for number, future in self.away.items():
            try:
                done[number] = future.result()
            except BrokenProcessPool:  # its process was ended, as a system short of memory does
                done[number] = run_fault(self.inputs, self.tasks[number])
            self._report(progress, done)
        return [done[number] for number in range(len(self.tasks))]

    def _mine(self) -> int | None:
        with self.lock:
            return self.left.pop() if self.left else None

    def _report(self, progress: Progress | None, here: Mapping[int, FaultRun]) -> None:
        if progress is not None:
            with self.lock:
                away = {number for number, future in self.away.items() if future.done()}
            done = len(here.keys() | away)
            progress(done / len(self.tasks), f"{done} of {len(self.tasks)} runs with faults")


_inputs: list[CampaignInputs] = []


def _begin_worker(inputs: CampaignInputs) -> None:
    _inputs[:] = [inputs]
    gc.freeze()
    gc.disable()


def _run_in_worker(task: FaultTask) -> FaultRun:
    return run_fault(_inputs[0], task)


def run_fault(inputs: CampaignInputs, task: FaultTask) -> FaultRun:
    """One run with its faults, judged."""
    rng = np.random.default_rng(task.seed)
    length_ns = task.seconds * SECOND
    traffic, lead_ns = excerpt(inputs.bench, length_ns, rng)
    start = lead_ns + int(rng.integers(500 * MS, max(501 * MS, length_ns - lead_ns - (FAULT_S + 2) * SECOND)))
    end = min(start + FAULT_S * SECOND, length_ns - 2 * SECOND)
    setup = RunSetup(inputs.bench.plan, inputs.maps, inputs.bench.reads, list(traffic), start, end, rng, inputs.make)
    over = 0
    for name in task.faults:
        setup.end_ns = end
        FAULTS[name](setup)
        over = max(over, setup.end_ns)
    setup.end_ns = over
    until = max(length_ns, over + 3 * SECOND)
    run = simulate(
        inputs.bench,
        inputs.make,
        traffic=tuple(setup.traffic),
        until_ns=until,
        error_rate=setup.error_rate,
        clock_us=setup.clock_us,
        seed=task.seed,
        prepare=setup.prepare,
    )
    problems = _judge(inputs, setup, run)
    return FaultRun(
        faults=task.faults,
        seconds=until / SECOND,
        seed=task.seed,
        status="fail" if problems else "pass",
        frames_sent=run.device.sent_count,
        problems=tuple(problems),
        reaction_ms=_reaction_ms(inputs.bench.plan, setup, run) if len(task.faults) == 1 else None,
        recovery_ms=_recovery_ms(inputs.bench.plan, setup, run),
    )


def _judge(inputs: CampaignInputs, setup: RunSetup, run: Run) -> list[str]:
    plan = inputs.bench.plan
    trace = run.device.trace or []
    problems = []
    # content is defined for a clock that goes forward (and wraps); the rules below judge one that steps back
    for part in _lives(trace) if not setup.steps_back else []:
        contents = judge_trace(plan, inputs.reference(), part, None if setup.steps_clock else LATE_US)
        if contents.wrong:
            problems.append(f"content: {contents.wrong} frames differ; {contents.first_problem()}")
            break
    problems += planned_only(plan, run.device.sent)
    problems += planned_rate(plan, run.device.sent, setup.steps_clock or setup.cuts_power)
    if not setup.cuts_power:
        allowance_us = CLOCK_ALLOWANCE_NS // 1000 if setup.steps_clock else 0
        problems += stale_values(plan, inputs.bridge, inputs.maps, trace, allowance_us)
    problems += came_back(plan, setup, run)
    return problems


def _lives(trace: Trace) -> list[list[ReceivedFrame | Polled | Restart]]:
    """A trace cut where the translator was started anew; a restarted one knows nothing of before."""
    lives: list[list[ReceivedFrame | Polled | Restart]] = [[]]
    for event in trace:
        if isinstance(event, Restart):
            lives.append([])
        else:
            lives[-1].append(event)
    return lives


def planned_only(plan: Plan, sent: Sequence[Sent]) -> list[str]:
    """Only identifiers of the plan are sent."""
    own = {(s.bus, s.word) for s in plan.sends if not s.is_long} | nobodys_words(plan)
    layer = own_words(plan)
    ranges = [(p.to_bus, p.first, p.last, p.new_word) for p in plan.passes if not p.block]
    odd: dict[tuple[int, int], int] = {}
    for frame in sent:
        key = frame.bus, frame.word
        if (
            key in own
            or (frame.bus, frame.word & OWN_MASK) in layer
            or any(
                bus == frame.bus and (new == frame.word if new >= 0 else first <= frame.word <= last)
                for bus, first, last, new in ranges
            )
        ):
            continue
        odd[key] = odd.get(key, 0) + 1
    return [
        f"{n} frames of {format_identifier(*split_word(word))} on {plan.buses[bus].name} are not in the plan"
        for (bus, word), n in odd.items()
    ]


def shortest_ns(send: Send) -> int:
    """Shortest time between two frames of a message that its plan allows, on average."""
    if send.gap_us and send.period_us:
        return min(send.gap_us, send.period_us) * 1000
    return (send.gap_us or send.period_us) * 1000


def planned_rate(plan: Plan, sent: Sequence[Sent], restarts: bool) -> list[str]:
    """No message is asked to be sent more often than planned: over any ten frames, not just two."""
    out = []
    asked: dict[tuple[int, int], list[int]] = {}
    for frame in sent:
        asked.setdefault((frame.bus, frame.word), []).append(frame.asked_ns)
    for send in plan.sends:
        shortest, times = shortest_ns(send), asked.get((send.bus, send.word), [])
        if not shortest or send.request is not None or send.count:
            continue
        span = 10
        # a state that flickers begins a message anew, which is one frame more
        allowance = shortest + (CLOCK_ALLOWANCE_NS if restarts else 0)
        column = np.array(times, np.int64)
        if len(column) > span:
            quickest = int((column[span:] - column[:-span]).min())
            if quickest < span * shortest - allowance - 2 * MS:
                out.append(
                    f"{send.name}: {span} frames in {quickest / MS:.1f} ms, planned are {span * shortest / MS:.1f} ms"
                )
    return out


def is_delicate(field: Field) -> bool:
    """Torque, throttle and pedal values."""
    role = BY_NAME.get(field.role)
    return role is not None and (role.hazard in DELICATE or role.alias in DELICATE_ROLES)


def stale_values(
    plan: Plan, bridge: BridgeFile, maps: Mapping[str, SignalMap], trace: Trace, allowance_us: int = 0
) -> list[str]:
    """No torque, throttle or pedal value goes out once its source has been silent longer than its age limit and hold.

    Judged without the reference: by the last time a frame of the source was heard at all.
    """
    words = {n: (r.bus, r.word) for r in plan.receives for n in r.feeds}
    watched: dict[tuple[int, int], list[tuple[str, Field, int, set[tuple[int, int]]]]] = {}
    rules = {(r.message.text, s.name): (s, r) for r in bridge.messages for s in r.signals}
    for send in plan.sends:
        for sent in fields_of(send):
            if not is_delicate(sent) or sent.fallback is None or not sent.feeds:
                continue
            rule = rules.get((send.name, sent.name))
            if rule is None or rule[0].ramp is not None:
                continue
            role = BY_NAME[sent.role]
            if role.fallback == "ramp to none":
                continue
            hold = rule[0].hold_us or rule[1].hold_us or 0
            limit = max(plan.feeds[n].max_age_us for n in sent.feeds) + hold + 2 * bridge.step_us
            sources = {words[n] for n in sent.feeds}
            name = f"{send.name}.{sent.name}"
            watched.setdefault((send.bus, send.word), []).append((name, sent, limit, sources))
    if not watched:
        return []
    messages = {key: maps[plan.buses[key[0]].name].by_word(key[1]) for key in watched}
    last: dict[tuple[int, int], int] = {}
    wrong: dict[str, int] = {}
    for event in trace:
        if isinstance(event, ReceivedFrame):
            last[event.bus, event.word] = event.now_us
        elif isinstance(event, Polled) and event.frame is not None:
            key, data = (event.frame.bus, event.frame.word), event.frame.data
            for name, sent, limit, sources in watched.get(key, ()):
                ages = [_age(event.now_us, last[s]) if s in last else 1 << 32 for s in sources]
                if (
                    max(ages) > limit + allowance_us
                    and carries(messages[key], sent.name, data)
                    and sent.layout.unpack(data) != sent.fallback
                ):
                    wrong[name] = wrong.get(name, 0) + 1
    return [f"{name}: {n} frames carried a stale value" for name, n in wrong.items()]


def _age(now_us: int, then_us: int) -> int:
    """Age on a clock that wraps; 0 when the clock stepped back since."""
    age = (now_us - then_us) & 0xFFFF_FFFF
    return age if age < 1 << 31 else 0


def came_back(plan: Plan, setup: RunSetup, run: Run) -> list[str]:
    """Every message that is sent at a period is sent again some time after the fault, if its sources are there."""
    out: list[str] = []
    quiet_from = max(s.received_ns for s in run.device.sent) if run.device.sent else 0
    settled = setup.end_ns + 2 * SECOND
    if settled >= run.until_ns:
        return out
    heard_late = any(len(t) and int(t.start_ns[-1]) > settled for t in setup.traffic)
    if run.device.sent and heard_late and quiet_from < settled:
        out.append(
            f"nothing was sent from {quiet_from / SECOND:.2f} s on, though the fault was over at "
            f"{setup.end_ns / SECOND:.2f} s"
        )
    return out


def _falling_back(plan: Plan, setup: RunSetup, run: Run) -> dict[tuple[int, int, str], list[tuple[int, bool]]]:
    """When each signal made from a worthless source was sent, and whether it gave its safe answer."""
    words = {n: (r.bus, r.word) for r in plan.receives for n in r.feeds}
    fields = {
        (s.bus, s.word): [
            f
            for f in fields_of(s)
            if f.fallback is not None
            and f.layout.length > 1  # a flag is its safe answer half of the time
            and setup.worthless.intersection(words[n] for n in f.feeds)
        ]
        for s in plan.sends
    }
    messages = {key: setup.maps[plan.buses[key[0]].name].by_word(key[1]) for key in fields}
    out: dict[tuple[int, int, str], list[tuple[int, bool]]] = {}
    for frame in run.device.sent:
        for one in fields.get((frame.bus, frame.word), ()):
            if carries(messages[frame.bus, frame.word], one.name, frame.data):
                answer = frame.received_ns, one.layout.unpack(frame.data) == one.fallback
                out.setdefault((frame.bus, frame.word, one.name), []).append(answer)
    return out


def _reaction_ms(plan: Plan, setup: RunSetup, run: Run) -> float | None:
    """Time from the fault's begin until the last signal whose source is worthless gives its safe answer."""
    waits = []
    for answers in _falling_back(plan, setup, run).values():
        before = [safe for at, safe in answers if at < setup.start_ns]
        first = next((at for at, safe in answers if setup.start_ns <= at <= setup.end_ns and safe), None)
        if before and not before[-1] and first is not None:
            waits.append(first - setup.start_ns)
    return round(max(waits) / MS, 3) if waits else None


def _recovery_ms(plan: Plan, setup: RunSetup, run: Run) -> float | None:
    """Time from the fault's end until all is as before.

    That is until each message that could not get through is sent again, and until each signal that measured something
    before, and does again for good, stops giving its safe answer. None where neither happened.
    """
    waits = []
    if setup.stops_sending:
        before = {(s.bus, s.word) for s in run.device.sent if s.received_ns < setup.start_ns}
        again: dict[tuple[int, int], int] = {}
        for s in run.device.sent:
            if s.received_ns >= setup.end_ns:
                again.setdefault((s.bus, s.word), s.received_ns)
        periodic = {(s.bus, s.word) for s in plan.sends if s.period_us}
        waits += [again[k] - setup.end_ns for k in before & periodic if k in again]
    for answers in _falling_back(plan, setup, run).values():
        before_it = [safe for at, safe in answers if at < setup.start_ns]
        after = [(at, safe) for at, safe in answers if at >= setup.end_ns]
        # a value may also be its safe answer by itself: what is so a second later says nothing
        settled = [safe for at, safe in after if SECOND <= at - setup.end_ns < 2 * SECOND]
        if before_it and not before_it[-1] and after and after[0][1] and settled and not any(settled):
            waits.append(next(at for at, safe in after if not safe) - setup.end_ns)
    return round(max(waits) / MS, 3) if waits else None
