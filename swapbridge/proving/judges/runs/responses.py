"""Proving room: worst-case response time of every identifier on every bus, beside what the simulation saw.

The analysis is that of Davis, Burns, Bril and Lukkien (2007), in `core.response_time`. Recorded identifiers count with
their median period and the jitter that the recording shows; those of the plan with their planned period or gap.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from swapbridge.core import j1939
from swapbridge.core.can_bits import arbitration_key
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.response_time import Stream, frame_time_ns, response_times
from swapbridge.plan.j1939_node import TO_ALL_GAP_US, TO_ONE_GAP_US
from swapbridge.plan.plan import Plan
from swapbridge.proving.bench.bench import Bench, Run
from swapbridge.proving.bench.nodes import MS
from swapbridge.proving.case import Case
from swapbridge.proving.faults.campaign import shortest_ns
from swapbridge.proving.judges.runs.timing import seen_response_ms
from swapbridge.proving.verdict import Check, ResponseTime, check_of
from swapbridge.signalmap.signal_map import SignalMap

FEW = 5
ONCE_NS = 1_000_000_000
"""Period assumed for what is sent once after wake-up, or occasionally."""


def judge_waiting(case: Case) -> list[Check]:
    """Response times of every identifier, by analysis and as seen."""
    case.tables.responses, checks = judge_responses(case.bench, case.run, case.maps)
    return checks


def judge_responses(bench: Bench, run: Run, maps: Mapping[str, SignalMap]) -> tuple[list[ResponseTime], list[Check]]:
    """Response times of all buses and whether each identifier meets its deadline, which is its period."""
    rows, checks = [], []
    for number, bus in enumerate(bench.plan.buses):
        one = _one_bus(bench, run, number, maps.get(bus.name))
        rows += one
        checks += _judge(bench.plan, number, one)
    return rows, checks


def _one_bus(bench: Bench, run: Run, number: int, signal_map: SignalMap | None) -> list[ResponseTime]:
    plan, bus = bench.plan, bench.plan.buses[number]
    planned: list[bool] = []
    words: list[int] = []
    streams: list[Stream] = []
    deadlines: list[int] = []

    def add(mine: bool, word: int, size: int, period: int, jitter: int, fd: bool) -> None:
        identifier, extended = split_word(word)
        cost = frame_time_ns(size, extended, bus.bit_rate, fd, bus.data_rate)
        planned.append(mine)
        words.append(word)
        streams.append(Stream(arbitration_key(identifier, extended), cost, max(period, cost), jitter))
        deadlines.append(period)

    traffic = bench.traffic[number]
    order = np.argsort(traffic.word, kind="stable")
    ordered = traffic.word[order]
    edges = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1], [True])))
    for a, b in pairwise(edges.tolist() if len(ordered) else []):
        word = int(ordered[a])
        if word < 0:
            continue
        rows = np.sort(order[a:b])
        gaps = np.diff(traffic.start_ns[rows])
        period = int(np.median(gaps)) if len(gaps) >= FEW else ONCE_NS
        jitter = max(0, period - int(np.percentile(gaps, 1))) if len(gaps) >= FEW else 0
        size = int(traffic.length[rows].max())
        add(False, word, size, max(period, 1), min(jitter, period), size > 8)
    for send in plan.sends:
        if send.bus == number:
            if send.is_long:
                gap_ns = 1000 * (TO_ALL_GAP_US if send.to == j1939.EVERYBODY else TO_ONE_GAP_US)
                packet = j1939.word_of_group(j1939.TRANSPORT_DATA, send.word & 0xFF, send.to, 7)
                add(True, packet, 8, gap_ns, 0, False)
            else:
                add(True, send.word, send.length, shortest_ns(send) or ONCE_NS, 0, send.is_fd)
    known = {m.word: f"{bus.name}.{m.name}" for m in signal_map.messages} if signal_map is not None else {}
    bounds = response_times(streams, 1_000_000_000 // bus.bit_rate)
    seen = seen_response_ms(run, number)
    out = [
        ResponseTime(
            bus.name,
            format_identifier(*split_word(word)),
            known.get(word, ""),
            mine,
            None if bound is None else round(bound / MS, 3),
            round(seen.get(word, 0.0), 3),
            round(deadline / MS, 3),
        )
        for mine, word, bound, deadline in zip(planned, words, bounds, deadlines, strict=True)
    ]
    return [row for _, row in sorted(zip((s.priority for s in streams), out, strict=True), key=lambda p: p[0])]


def _late_words(row: ResponseTime) -> str:
    bound = "without bound" if row.bound_ms is None else f"{row.bound_ms:.2f} ms"
    return f"{row.identifier} ({bound}, and may be sent {row.deadline_ms:.2f} ms apart)"


def _judge(plan: Plan, number: int, rows: list[ResponseTime]) -> list[Check]:
    """One check a bus for the plan's identifiers, one for the others."""
    bus = plan.buses[number].name
    out = []
    for whose, mine in (("the plan's", True), ("the others'", False)):
        some = [r for r in rows if r.planned is mine]
        if not some:
            continue
        late = [r for r in some if r.bound_ms is None or r.bound_ms > r.deadline_ms]
        slowest = max(some, key=lambda r: r.bound_ms if r.bound_ms is not None else float("inf"))
        bound = "without bound" if slowest.bound_ms is None else f"{slowest.bound_ms:.2f} ms"
        out.append(
            check_of(
                "time",
                f"bus {bus}",
                f"{whose} identifiers in time",
                not late,
                f"{len(late)} of {len(some)} can miss their deadline: {', '.join(map(_late_words, late))}"
                if late
                else f"{len(some)} identifiers, slowest {slowest.identifier} at most {bound}",
                "each worst-case response time within the shortest time between two of its frames",
                "raise the period_ms or gap_ms of what can be late, or reduce the bus load",
                warn=not mine,
            )
        )
    return out
