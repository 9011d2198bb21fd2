"""Proving room: checks frames from a virtual bus in real time: every message there, counters and checksums right.

The bus itself is handed in as the frames it carried: (bus, seconds, word, data). Real time on a busy computer
jitters, so periods are judged loosely here and exactly on the simulated bus.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.plan.plan import Plan
from swapbridge.proving.bench.bench import one_bus
from swapbridge.proving.bench.traffic import words_of
from swapbridge.proving.case import Case
from swapbridge.proving.verdict import Check, check_of

LOOSE = 0.25
"""A period's median may be off by so much on a computer that does other things."""
FEW = 5


def judge_extras(case: Case) -> list[Check]:
    """Checks from rooms above, such as real time on a virtual bus."""
    return list(case.extras.more_checks()) if case.extras.more_checks is not None else []


def lively_part(plan: Plan, captures: Mapping[str, Capture], seconds: float) -> Capture:
    """A stretch from the middle of the recordings of all buses at once, where the engine usually runs.

    Parameters
    ----------
    captures : mapping of str to Capture
        By bus name.
    seconds : float
        How long a stretch.
    """
    names = [b.name for b in plan.buses if b.name in captures]
    parts = []
    for number, name in enumerate(names):
        capture = one_bus(captures[name], name)
        words = words_of(capture)
        wanted = [r.word for r in plan.receives if plan.buses[r.bus].name == name]
        firsts = [int(capture.time_ns[words == w].min()) for w in wanted if (words == w).any()]
        begin = int(capture.time_ns[0])
        begin = max(max(firsts, default=begin), begin + int(capture.duration_s * 1e9) // 2)
        part = capture.select((capture.time_ns >= begin) & (capture.time_ns < begin + round(seconds * 1e9)))
        parts.append((part, begin, number))
    width = max(p.payload.shape[1] for p, _, _ in parts)
    time_ns = np.concatenate([p.time_ns - begin for p, begin, _ in parts])
    order = np.argsort(time_ns, kind="stable")
    return Capture(
        time_ns=time_ns[order],
        identifier=np.concatenate([p.identifier for p, _, _ in parts])[order],
        flags=np.concatenate([p.flags for p, _, _ in parts])[order],
        bus=np.concatenate([np.full(len(p), number, np.uint8) for p, _, number in parts])[order],
        length=np.concatenate([p.length for p, _, _ in parts])[order],
        payload=np.concatenate([np.pad(p.payload, ((0, 0), (0, width - p.payload.shape[1]))) for p, _, _ in parts])[
            order
        ],
        bus_names=tuple(names),
        source="the middle of the recordings",
    )


def judge_real_time(
    plan: Plan,
    sent: Sequence[tuple[int, float, int, bytes]],
    seconds: float,
    lost: Mapping[tuple[int, int], int] | None = None,
) -> list[Check]:
    """Judge frames that a live translator put on virtual buses during so many seconds.

    Parameters
    ----------
    sent : sequence of (bus, time_s, word, data)
    lost : mapping of (bus, word) to int, optional
        Frames that this computer is known to have lost: each excuses one counter step, since the counter went on.
    """
    lost = lost or {}
    out = []
    by_key: dict[tuple[int, int], list[tuple[float, bytes]]] = {}
    for bus, at, word, data in sent:
        by_key.setdefault((bus, word), []).append((at, data))
    out.append(
        check_of(
            "real time",
            "virtual bus",
            "frames came",
            bool(sent),
            f"{len(sent):,} frames of {len(by_key)} identifiers in {seconds:g} s",
            "the translator speaks",
            "the capture may begin with the bus asleep for longer than --real-time: give more seconds",
            warn=True,
        )
    )
    for send in plan.sends:
        rows = by_key.get((send.bus, send.word), [])
        if len(rows) < FEW or send.request is not None:
            continue
        wrong_sums = sum(send.checksum is not None and not send.checksum.holds(d) for _, d in rows)
        wrong_counts = 0
        if send.counter is not None:
            layout, span = send.counter.layout, send.counter.high - send.counter.low + 1
            values = [layout.unpack(d) for _, d in rows]
            wrong_counts = sum((b - a - send.counter.step) % span != 0 for a, b in pairwise(values))
        period = float(np.median(np.diff([at for at, _ in rows]))) * 1000
        planned = send.period_us / 1000
        on_time = not planned or send.gap_us > 0 or abs(period - planned) <= LOOSE * planned
        # a computer too busy to send in time loses frames, which is known or rare; a wrong rule is wrong nearly always
        often = wrong_counts - lost.get((send.bus, send.word), 0) > max(2, len(rows) // 10)
        problems = []
        if wrong_sums:
            problems.append(f"{wrong_sums} wrong checksums")
        if wrong_counts:
            problems.append(f"{wrong_counts} {'wrong counter steps' if often else 'lost'}")
        if not on_time:
            problems.append(f"period {period:.1f} ms")
        defect = bool(wrong_sums) or often
        out.append(
            check_of(
                "real time",
                send.name,
                "counter, checksum, period",
                not problems,
                "; ".join(problems) or f"{len(rows):,} frames, every {period:.1f} ms",
                f"counter and checksum right{f', about every {planned:g} ms' if planned else ''}",
                "this is a defect of the plan"
                if defect
                else "this computer was too busy for a judgement: close other programs and prove again",
                warn=not defect,
            )
        )
    return out
