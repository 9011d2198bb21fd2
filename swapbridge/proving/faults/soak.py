"""Proving room: a soak: the recordings over and over for an hour of simulated time, judged piece by piece."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from swapbridge.proving.bench.bench import simulate
from swapbridge.proving.bench.nodes import SECOND, NodeUnderTest, Polled, ReceivedFrame, Restart
from swapbridge.proving.bench.simulated_bus import Simulation
from swapbridge.proving.bench.traffic import Traffic, at_other_times
from swapbridge.proving.faults.campaign import CampaignInputs, planned_only, planned_rate
from swapbridge.proving.trace import TraceJudge
from swapbridge.proving.verdict import FaultRun

HOUR_S = 3600
PIECE_S = 30
PAUSE_NS = 500_000_000


def soak(inputs: CampaignInputs, seconds: int = HOUR_S) -> FaultRun:
    """Let the translator run that long; its clock wraps halfway through. Memory does not grow with time.

    Parameters
    ----------
    inputs : CampaignInputs
        Bench, translator and expectations of the campaign.
    seconds : int
        Simulated time in s.

    Returns
    -------
    FaultRun
        The outcome, with its checks.
    """
    plan = inputs.bench.plan
    length = max((int(t.start_ns[-1]) for t in inputs.bench.traffic if len(t)), default=SECOND) + PAUSE_NS
    traffic = tuple(_repeated(t, length, seconds * SECOND) for t in inputs.bench.traffic)
    bench = replace(inputs.bench, traffic=traffic, until_ns=seconds * SECOND)
    judge = TraceJudge(plan, inputs.reference())
    problems: dict[str, None] = {}

    def prepare(simulation: Simulation, device: NodeUnderTest) -> None:
        def look(t_ns: int) -> None:
            trace: list[ReceivedFrame | Polled | Restart] = device.trace or []
            judge.take(trace)
            trace.clear()
            problems.update(dict.fromkeys(planned_only(plan, device.sent)))
            problems.update(dict.fromkeys(planned_rate(plan, device.sent, False)))
            del device.sent[:-20]  # a few are kept, so that the rate is watched across pieces

        for at in range(PIECE_S * SECOND, seconds * SECOND, PIECE_S * SECOND):
            simulation.at(at, look)
        simulation.at(seconds * SECOND - 1, look)

    run = simulate(bench, inputs.make, clock_us=(1 << 32) - seconds * 500_000, prepare=prepare)
    if judge.contents.wrong:
        problems[f"content: {judge.contents.wrong} frames differ; {judge.contents.first_problem()}"] = None
    return FaultRun(
        faults=(f"soak of {seconds:,} s",),
        seconds=float(seconds),
        seed=0,
        status="fail" if problems else "pass",
        frames_sent=run.device.sent_count,
        problems=tuple(problems),
    )


def _repeated(traffic: Traffic, length_ns: int, until_ns: int) -> Traffic:
    """A recording one time after the other."""
    if not len(traffic):
        return traffic
    times = until_ns // length_ns + 1
    rows = np.tile(np.arange(len(traffic), dtype=np.int64), times)
    release = traffic.start_ns[rows] + np.repeat(np.arange(times, dtype=np.int64) * length_ns, len(traffic))
    keep = release < until_ns
    return at_other_times(traffic, release[keep], rows[keep])
