"""Proving room: age of every signal, bus load before and after, response times compared with the analysis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.plan.plan import Plan
from swapbridge.proving.bench.bench import LATENCY_NS, Bench, Run
from swapbridge.proving.bench.frame_rows import asks_torque, carries, fields_of
from swapbridge.proving.bench.nodes import MS, SECOND, ReceivedFrame, Sent
from swapbridge.proving.bench.traffic import traffic_from
from swapbridge.proving.case import Case
from swapbridge.proving.faults.campaign import is_delicate
from swapbridge.proving.verdict import BusTime, Check, SignalTime, check_of
from swapbridge.signalmap.signal_map import SignalMap

Ints = npt.NDArray[np.int64]
TORQUE_BUDGET_MS = 5.0
"""A torque request's own delay, 99.9 of 100: 5 ms in Python, 2 ms on a board (common practice, no source)."""
HIGH_LOAD = 0.8
LONGEST_AGE_US = 500_000
"""A torque, throttle or pedal value older than this is no measurement any more (common practice, no source)."""


def judge_timing(case: Case) -> list[Check]:
    """Ages, age limits, bus load, and what it would be with a babbling source."""
    tables = case.tables
    tables.signal_times, times = signal_times(case.plan, case.run, case.maps)
    tables.bus_times, loads = bus_times(case.bench, case.run)
    return [*times, *age_limits(case.plan), *loads, *babble(case.bench, case.run)]


def signal_times(plan: Plan, run: Run, maps: Mapping[str, SignalMap]) -> tuple[list[SignalTime], list[Check]]:
    """Age of each sent signal when it is received, from the moment its source's frame was complete.

    Only frames whose source is fresh count: how long a stale value may live is judged under faults.
    """
    heard = _heard_times(run)
    sources = {n: (r.bus, r.word) for r in plan.receives for n in r.feeds}
    sent = run.by_word()
    times, checks = [], []
    for send in plan.sends:
        message = maps[plan.buses[send.bus].name].by_word(send.word)
        frames = sent.get((send.bus, send.word), [])
        if send.request is not None:  # answers share an identifier
            frames = [s for s in frames if s.data[1:3] == send.variants[0].base[1:3]]
        asked, received = _asked_and_received(frames)
        for field in fields_of(send):
            feeds = [n for n in field.feeds if len(heard.get(sources[n], ()))]
            if len(send.variants) > 1:
                asked, received = _asked_and_received([s for s in frames if carries(message, field.name, s.data)])
            if not feeds or not len(asked):
                continue
            ages = np.concatenate(
                [_ages(heard[sources[n]], asked, received, plan.feeds[n].max_age_us * 1000) for n in feeds]
            )
            if not len(ages):
                continue
            subject = f"{send.name}.{field.name}"
            budget = TORQUE_BUDGET_MS if asks_torque(field) else None
            median, p99 = np.percentile(ages, [50, 99])
            times.append(
                SignalTime(
                    subject,
                    round(float(median) / MS, 3),
                    round(float(p99) / MS, 3),
                    round(float(ages.max()) / MS, 3),
                    budget,
                )
            )
            if budget is not None:
                own = np.concatenate([own_delays(heard[sources[n]], asked) for n in feeds])
                checks.append(_budget(subject, own, budget))
    return times, checks


def _asked_and_received(frames: Sequence[Sent]) -> tuple[Ints, Ints]:
    """When frames were decided and when they were through, as columns."""
    asked = np.array([s.asked_ns - LATENCY_NS for s in frames], np.int64)
    return asked, np.array([s.received_ns for s in frames], np.int64)


def _budget(subject: str, own: Ints, budget: float) -> Check:
    worst = float(np.percentile(own, 99.9)) / MS if len(own) else 0.0
    return check_of(
        "time",
        subject,
        "passed on in time",
        worst <= budget,
        f"{worst:.2f} ms from the request's frame to its own (99.9 of 100)",
        f"at most {budget:g} ms",
        "send it on_arrival of its source as well as at its period, with a shorter gap_ms",
    )


def age_limits(plan: Plan) -> list[Check]:
    """Torque, throttle and pedal values that the plan lets grow old before it falls back: one check each."""
    out = []
    for send in plan.sends:
        for field in (f for f in fields_of(send) if f.feeds and is_delicate(f)):
            slowest = max((plan.feeds[n] for n in field.feeds), key=lambda f: f.max_age_us)
            if slowest.max_age_us > LONGEST_AGE_US:
                out.append(
                    check_of(
                        "time",
                        f"{send.name}.{field.name}",
                        "age limit",
                        False,
                        f"{slowest.name} may be {slowest.max_age_us / 1000:g} ms old",
                        f"at most {LONGEST_AGE_US / 1000:g} ms for torque, throttle and pedal",
                        f"give {slowest.name} a shorter max_age_ms of a few periods",
                        warn=True,
                    )
                )
    return out


def _heard_times(run: Run) -> dict[tuple[int, int], Ints]:
    """When each identifier was heard, on the simulation's clock."""
    out: dict[tuple[int, int], list[int]] = {}
    base = run.device.clock_us
    for event in run.device.trace or []:
        if isinstance(event, ReceivedFrame):
            out.setdefault((event.bus, event.word), []).append(((event.now_us - base) & 0xFFFF_FFFF) * 1000)
    return {key: np.array(times, np.int64) for key, times in out.items()}


def _ages(heard: Ints, asked: Ints, received: Ints, limit_ns: int) -> Ints:
    at = np.searchsorted(heard, asked, side="right") - 1
    there = at >= 0
    source = heard[np.maximum(at, 0)]
    fresh = there & (asked - source <= limit_ns)
    ages: Ints = (received - source)[fresh]
    return ages


def own_delays(heard: Ints, asked: Ints) -> Ints:
    """From each source frame to the first frame decided after it; a source frame after the last one does not count.

    Nor does one before the first: until the message is due at all after wake-up nothing is passed on.
    """
    at = np.searchsorted(asked, heard, side="left")
    there = (at > 0) & (at < len(asked))
    delays: Ints = asked[at[there]] - heard[there]
    # while the translator is not sending at all (asleep, key off) there is no delay to speak of
    return delays[delays < SECOND // 4] + LATENCY_NS


def bus_times(bench: Bench, run: Run) -> tuple[list[BusTime], list[Check]]:
    """Load of each bus as recorded and with the translator."""
    out, checks = [], []
    span = max(1, bench.until_ns)
    for number, bus in enumerate(bench.plan.buses):
        capture, traffic = bench.captures[number], bench.traffic[number]
        before = 0.0
        if capture is not None:
            whole = traffic_from(capture, traffic.rates, bench.begin_ns[number])
            before = float(whole.duration_ns.sum()) / max(1, int(whole.start_ns[-1]))
        seconds = np.zeros(span // SECOND + 2)
        if len(traffic):
            np.add.at(seconds, traffic.start_ns // SECOND, traffic.duration_ns / SECOND)
        simulated = run.buses[number]
        mine = [s for s in run.device.sent if s.bus == number]
        for frame in mine:
            seconds[frame.received_ns // SECOND] += simulated.frame_ns(frame.word, frame.data) / SECOND
        busy = seconds[seconds > 0]
        after = float(busy.mean()) if len(busy) else 0.0
        worst = float(seconds.max())
        out.append(BusTime(bus.name, bus.bit_rate, round(before, 5), round(after, 5), round(worst, 5)))
        checks.append(
            check_of(
                "time",
                f"bus {bus.name}",
                "load with the translator",
                worst <= HIGH_LOAD,
                f"{100 * after:.0f} %, worst second {100 * worst:.0f} %",
                f"under {100 * HIGH_LOAD:.0f} % in every second",
                "send less often, or block what nobody on that bus needs",
                warn=True,
            )
        )
    return out, checks


def babble(bench: Bench, run: Run) -> list[Check]:
    """What the plan would send if its sources babbled, one check a bus on which something is sent on arrival.

    A source that never rests comes as fast as its bus carries its frames; only a gap keeps the translator from
    repeating each of them. No recording of sound vehicles holds it.
    """
    plan = bench.plan
    share: dict[int, float] = {}
    fastest: dict[int, list[str]] = {}
    for number, send in enumerate(plan.sends):
        triggers = [r for r in plan.receives if any(number in plan.feeds[feed].triggers for feed in r.feeds)]
        if not triggers or send.request is not None:
            continue
        base = send.variants[0].base
        own = run.buses[send.bus].frame_ns(send.word, base if send.is_fd else base[:8])
        sources = [run.buses[r.bus].frame_ns(r.word, bytes(min(r.minimum_length, 8))) for r in triggers]
        apart = max(send.gap_us * 1000, own, min(sources))
        share[send.bus] = share.get(send.bus, 0.0) + own / apart
        fastest.setdefault(send.bus, []).append(f"{send.name} every {apart / MS:.2g} ms")
    return [
        check_of(
            "time", f"bus {plan.buses[bus].name}", "load with a babbling source", taken <= HIGH_LOAD,
            f"{100 * taken:.0f} %: {', '.join(fastest[bus])}", f"under {100 * HIGH_LOAD:.0f} %: others must speak",
            "leave gap_ms out, which makes it half the period of what triggers it, or state a longer one",
            otherwise="unproved",
        )
        for bus, taken in share.items()
    ]  # fmt: skip


def seen_response_ms(run: Run, bus: int) -> dict[int, float]:
    """Longest time from asking to received, by word, of the translator's frames and of those it disturbed."""
    out = {word: ns / MS for word, ns in run.buses[bus].disturbed.items()}
    for s in run.device.sent:
        if s.bus == bus:
            out[s.word] = max(out.get(s.word, 0.0), (s.received_ns - s.asked_ns) / MS)
    return out


def send_label(word: int) -> str:
    """Identifier for people."""
    return format_identifier(*split_word(word))
