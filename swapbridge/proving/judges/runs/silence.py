"""Proving room: silences a source bus: every signal made from it must give its safe answer in time, or stop."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from swapbridge.plan.plan import Plan
from swapbridge.proving.bench.bench import Bench, MakeTranslator, simulate
from swapbridge.proving.bench.frame_rows import carries
from swapbridge.proving.bench.nodes import MS, SECOND, Sent
from swapbridge.proving.bench.traffic import pick
from swapbridge.proving.case import reads
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.reference.sent_signal import ReferenceSignal
from swapbridge.proving.verdict import Check, check_of

RUN_S = 4
"""Longest time that is waited for the safe answer, beyond age limit and hold."""
MARGIN_MS = 5.0


def judge_silence(bench: Bench, reference: Reference, make: MakeTranslator) -> list[Check]:
    """For each source bus in turn: all its frames are missing from a moment on at which everything is being sent.

    Parameters
    ----------
    bench : Bench
    reference : Reference
        Says age limits, holds and safe answers from the bridge file.
    make : callable
        Makes the translator.
    """
    out = []
    for bus, words in enumerate(bench.reads):
        if words and len(bench.traffic[bus]):
            out += _one_bus(bench, reference, make, bus)
    return out


def busy_moment(bench: Bench, bus: int) -> int:
    """A moment late in the recording at which every identifier that is read on that bus is still coming."""
    traffic = bench.traffic[bus]
    last = []
    for word in bench.reads[bus]:
        times = traffic.start_ns[traffic.word == word]
        if len(times) > 5:
            last.append(int(times[-1]))
    if not last:
        return int(traffic.start_ns[-1]) // 2
    # two thirds of the way to where the first of them ends: the engine runs there in any sensible recording
    return min(last) * 2 // 3


def _one_bus(bench: Bench, reference: Reference, make: MakeTranslator, bus: int) -> list[Check]:
    plan = bench.plan
    silent_ns = busy_moment(bench, bus)
    longest = max((_limit_ms(plan, reference, t, key) for key, t in _targets(reference)), default=0.0)
    until = silent_ns + int(longest * MS) + RUN_S * SECOND
    begin = max(0, silent_ns - 6 * SECOND)
    traffic = []
    for number, one in enumerate(bench.traffic):
        rows = (one.start_ns < 3 * SECOND) | (one.start_ns >= begin)
        if number == bus:
            rows &= one.start_ns < silent_ns
        traffic.append(pick(one, rows))
    run = simulate(bench, make, traffic=tuple(traffic), until_ns=until, record=False)
    last = _last_heard(bench, bus, silent_ns)
    sent = run.by_word()
    out = []
    for key, target in reference.targets.items():
        fields = [
            t
            for t in target.signals.values()
            if t.safe is not None
            and (sources := _sources(plan, target.message.word, key[0], t.signal.name))
            and sources & set(last)
        ]
        if fields:
            out.append(_judge_message(plan, reference, bus, key, fields, sent.get(key, []), last, until))
    return out


def _targets(reference: Reference) -> list[tuple[tuple[int, int], ReferenceSignal]]:
    return [(key, t) for key, target in reference.targets.items() for t in target.signals.values()]


def _sources(plan: Plan, word: int, bus: int, name: str) -> set[tuple[int, int]]:
    """Bus and word of the messages that a sent signal depends on, as the plan says."""
    words = {n: (r.bus, r.word) for r in plan.receives for n in r.feeds}
    return {
        words[n]
        for send in plan.sends
        if (send.bus, send.word) == (bus, word)
        for variant in send.variants
        for field in variant.fields
        if field.name == name
        for n in field.feeds
    }


def _last_heard(bench: Bench, bus: int, silent_ns: int) -> dict[tuple[int, int], int]:
    traffic = bench.traffic[bus]
    out = {}
    for word in bench.reads[bus]:
        times = traffic.received_ns[(traffic.word == word) & (traffic.start_ns < silent_ns)]
        if len(times):
            out[bus, word] = int(times.max())
    return out


def _limit_ms(plan: Plan, reference: Reference, target: ReferenceSignal, key: tuple[int, int]) -> float:
    """Time from the last good frame to the safe answer: age limit, hold or ramp, one step, one period."""
    safe = target.safe
    if safe is None or safe.hold_us < 0:
        return 0.0
    sources = _sources(plan, key[1], key[0], target.signal.name)
    age = max((reference.max_age_us(*source) for source in sources), default=0)
    step, limit = reference.bridge.step_us, Fraction(age + safe.hold_us)
    if safe.ramp:
        low, high = target.allowed()
        limit += Fraction(max(abs(high - safe.raw), abs(low - safe.raw)), safe.ramp) * step
    return float(limit + 2 * step) / 1000


def _adds_up(reference: Reference, target: ReferenceSignal) -> bool:
    """Whether a signal is a running total: without its source it stands still, where any other value would be a step.

    Nothing that moves a vehicle is one.
    """
    hazard = target.role.hazard if target.role is not None else ""
    return not hazard and "accumulate" in reads(reference.bridge, target.rule.value)[1]


def _has_more(plan: Plan, bus: int, target: ReferenceSignal, key: tuple[int, int]) -> bool:
    """Whether a signal also reads a bus that still speaks, so that its value may be known all the same."""
    hazard = target.role.hazard if target.role is not None else ""
    return not hazard and any(b != bus for b, _ in _sources(plan, key[1], key[0], target.signal.name))


def _judge_message(
    plan: Plan,
    reference: Reference,
    bus: int,
    key: tuple[int, int],
    fields: list[ReferenceSignal],
    sent: list[Sent],
    last: dict[tuple[int, int], int],
    until: int,
) -> Check:
    """One check a message: the latest of its fields counts."""
    send = next(s for s in plan.sends if (s.bus, s.word) == key)
    # its pages take turns, so that each of them comes once in so many periods
    period_ms = max(send.period_us, send.gap_us) * len(send.turns) / 1000
    late, mixed, slowest, allowed = [], True, 0.0, 0.0
    silent = plan.buses[bus].name
    for target in fields:
        safe = target.safe
        assert safe is not None
        if safe.hold_us < 0:
            continue
        sources = _sources(plan, key[1], key[0], target.signal.name) & set(last)
        from_ns = min(last[s] for s in sources)
        limit = _limit_ms(plan, reference, target, key) + period_ms + MARGIN_MS
        frames = [s for s in sent if s.received_ns > from_ns and carries(target.message, target.signal.name, s.data)]
        raws = np.array([target.signal.layout.unpack(s.data) for s in frames])
        right = int(raws[-1]) if len(frames) and _adds_up(reference, target) else safe.raw
        wrong = np.flatnonzero(raws != right)
        answered = (frames[int(wrong[-1])].received_ns - from_ns) / MS if len(wrong) else 0.0
        allowed = max(allowed, limit)
        slowest = max(slowest, answered)
        if answered > limit:
            mixed &= _has_more(plan, bus, target, key)
            still = " and still then" if len(wrong) and wrong[-1] == len(frames) - 1 else ""
            late.append(f"{target.signal.name} other than its safe answer {answered:,.0f} ms after{still}")
    how = "stopped" if not [s for s in sent if s.received_ns > until - SECOND] else "safe answer"
    return check_of(
        "faults",
        send.name,
        f"when {silent} falls silent",
        not late,
        "; ".join(late) if late else f"{how} after {slowest:,.0f} ms",
        f"safe answer within {allowed:,.0f} ms (age limit, hold or ramp, one period)",
        "it also reads modules that are still sending: prove with faults, which compare its value exactly"
        if late and mixed
        else "give it a fallback in the bridge file, or a shorter max_age_ms or hold_ms",
        otherwise="open" if mixed else "fail",
    )
