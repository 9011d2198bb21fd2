"""Proving room: the judge of content: compares every sent frame and scan tool answer with the exact reference."""

from __future__ import annotations

from swapbridge.proving.case import Case
from swapbridge.proving.judges.frames.content import content_checks
from swapbridge.proving.judges.frames.scan_tool import ask_answers
from swapbridge.proving.trace import judge_trace
from swapbridge.proving.verdict import Check


def judge_content(case: Case) -> list[Check]:
    """What the recordings make the translator send, and its answers to a scan tool; the case's reference hears it."""
    contents = judge_trace(case.plan, case.reference, case.run.device.trace or [])
    if (asked := ask_answers(case.bench, case.bridge, case.make, case.seed)) is not None:
        contents.add_answers(judge_trace(case.plan, case.campaign_inputs.reference(), asked.device.trace or []))
    return content_checks(case.plan, contents, case.reference)
