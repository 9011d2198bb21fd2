"""Proving room: wakes each bus alone, the others asleep: what is sent then must be what the bridge file states."""

from __future__ import annotations

from collections.abc import Callable

from swapbridge.proving.bench.bench import Bench, MakeTranslator, simulate
from swapbridge.proving.bench.nodes import SECOND
from swapbridge.proving.bench.traffic import empty_traffic, pick
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.trace import judge_trace
from swapbridge.proving.verdict import Check, check_of

LOOKED_AT_S = 2


def judge_wake_ups(bench: Bench, reference: Callable[[], Reference], make: MakeTranslator) -> list[Check]:
    """One check a bus: its first two seconds without any frame on another bus.

    In recordings all buses tend to wake within a moment, which hides a bus that does not wake the translator.
    """
    out = []
    for number, bus in enumerate(bench.plan.buses):
        own = bench.traffic[number]
        if not len(own):
            continue
        until = int(own.start_ns[0]) + LOOKED_AT_S * SECOND
        alone = [empty_traffic(t.rates) for t in bench.traffic]
        alone[number] = pick(own, own.start_ns < until)
        run = simulate(bench, make, traffic=tuple(alone), until_ns=until)
        contents = judge_trace(bench.plan, reference(), run.device.trace or [])
        out.append(
            check_of(
                "faults",
                f"bus {bus.name}",
                "wakes alone",
                not contents.wrong,
                f"{contents.wrong:,} frames differ; {contents.first_problem()}"
                if contents.wrong
                else f"{run.device.sent_count:,} frames in {LOOKED_AT_S} s, all as they must be",
                "what the bridge file states while the other buses sleep",
                "compile the plan again from its bridge file; if it still differs, this is a defect of the plan",
            )
        )
    return out
