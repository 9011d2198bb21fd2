"""Proving room: the fault campaign as checks: one for each fault, one for all pairs, one for each failed pair."""

from __future__ import annotations

from collections.abc import Sequence

from swapbridge.proving.case import Case
from swapbridge.proving.faults.campaign import FULL
from swapbridge.proving.faults.soak import soak
from swapbridge.proving.judges.runs.silence import judge_silence
from swapbridge.proving.judges.runs.wake_up import judge_wake_ups
from swapbridge.proving.verdict import Check, FaultRun, check_of


def judge_quiet_buses(case: Case) -> list[Check]:
    """Each bus silent for good, and each waking alone."""
    campaign_inputs = case.campaign_inputs
    quiet = judge_silence(case.bench, campaign_inputs.reference(), case.make)
    return [*quiet, *judge_wake_ups(case.bench, campaign_inputs.reference, case.make)]


def judge_faults(case: Case) -> list[Check]:
    """The campaign that was asked for."""
    wanted = case.campaign
    if wanted.runs is None:
        return []
    runs = wanted.runs(case.progress)
    if wanted.thoroughness == FULL and not wanted.only:
        case.progress(1.0, "an hour-long soak")
        runs.append(soak(case.campaign_inputs))
    case.tables.faults += runs
    return fault_checks(runs)


def fault_checks(faults: Sequence[FaultRun]) -> list[Check]:
    """One check a fault alone, one for all pairs, one for each pair that failed."""
    out = []
    for run in faults:
        label = " + ".join(run.faults)
        if len(run.faults) > 1 and run.status == "pass":
            continue
        out.append(
            Check(
                "faults",
                label,
                "reaction",
                run.status,
                "; ".join(run.problems[:2]) or f"{run.frames_sent:,} frames, all correct",
                "safe answers, planned identifiers and rates, recovery",
                ""
                if run.status == "pass"
                else f"to see when and where it differs: --only '{label}' with the same seed",
            )
        )
    pairs = [f for f in faults if len(f.faults) > 1]
    if pairs:
        bad = sum(f.status == "fail" for f in pairs)
        out.append(
            check_of(
                "faults",
                "two faults at once",
                "reaction",
                bad == 0,
                f"{len(pairs) - bad} of {len(pairs)} pairs passed",
                "all",
                "the report lists the failed pairs under Faults",
            )
        )
    return out
