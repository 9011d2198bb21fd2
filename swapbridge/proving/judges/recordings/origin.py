"""Proving room: whether a plan comes from the bridge file and maps it is judged by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields

from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.inputs import compared_inputs
from swapbridge.core.errors import SwapbridgeError
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.plan.plan import Plan
from swapbridge.proving.case import Case
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import SignalMap


def judge_origin(case: Case) -> list[Check]:
    """The plan is what the compiler makes of the bridge file and maps at hand, to the last byte."""
    plan, maps = case.given.plan, case.given.maps
    checks = source_checks(plan, case.bridge, maps)
    try:
        again = case.once(("compiled", -1), lambda: compile_bridge(case.bridge, maps).plan)
        different, result = _differing(plan, again), "the same plan"
    except SwapbridgeError as error:
        different, result = ["all of it"], f"the bridge file does not compile: {error}"
    measured = result if not different or different == ["all of it"] else f"differs in {', '.join(different)}"
    return [
        *checks,
        check_of(
            "content", "plan", "compiled again", not different, measured, "what the compiler makes of the bridge file",
            "compile the bridge file again, then prove: never edit a plan by hand",
        ),
    ]  # fmt: skip


def _differing(plan: Plan, again: Plan) -> list[str]:
    """Parts in which a plan is not what its sources make of it; digests of the sources are judged by themselves."""
    out = []
    for part in fields(plan):
        mine, new = getattr(plan, part.name), getattr(again, part.name)
        if mine == new or part.name in ("inputs", "notes"):
            continue
        named = (
            [str(getattr(a, "name", "")) for a, b in zip(mine, new, strict=False) if a != b] if _is_rows(mine) else []
        )
        out += [f"{part.name} {n}" for n in named if n] or [part.name]
    return out


def _is_rows(part: object) -> bool:
    return isinstance(part, tuple) and any(getattr(row, "name", "") for row in part)


def source_checks(plan: Plan, bridge: BridgeFile, maps: Mapping[str, SignalMap]) -> list[Check]:
    """The plan names the digests of what it was compiled from; they must be those of the files at hand."""
    return [
        check_of(
            "content", f"plan and {name}", "belong together", then == now,
            "same" if then == now else f"the plan was compiled from {then[:12]}, now there is {now[:12]}",
            "exactly the files that it was compiled from", "compile the bridge file again, then prove",
        )
        for name, (then, now) in compared_inputs(plan, bridge, maps).items()
    ]  # fmt: skip
