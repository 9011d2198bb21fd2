"""Long J1939 messages and claims on the bench: packets are played, whole messages judged, plans that err fail."""

from __future__ import annotations

from dataclasses import replace

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.proving.prove import prove
from swapbridge.proving.verdict import Verdict
from tests.compiler.long_maps import COMPONENT, DM1, EC1, HEARS, LONG_MAPS, SAYS, configuration
from tests.proving.test_settled_groups import host_capture
from tests.surveying.heavy import Frame, capture_of, heavy_frames, long_message

SECONDS = 12
TO_ONE = SAYS.replace("from = 49", "from = 49\nto = 0")


def donor() -> list[Frame]:
    frames = heavy_frames(SECONDS)
    for second in range(SECONDS - 1):
        frames += long_message(second + 0.2, 49, COMPONENT, b"\xff" * 18 + bytes(2))
        frames.append((second + 0.9, j1939.Identifier(6, DM1, 0).word, bytes.fromhex("00ff00000000ffff")))
    for second in range(0, SECONDS - 1, 5):
        frames += long_message(second + 0.4, 0, EC1, configuration(400 + 20 * second))
    return sorted(frames)


def judged(text: str, change: Plan | None = None, thoroughness: str = "none") -> Verdict:
    bridge = parse_bridge(text)
    plan = change or compile_bridge(bridge, LONG_MAPS).plan
    captures = {"donor": capture_of(donor()), "host": host_capture(SECONDS)}
    return prove(plan, captures, bridge, LONG_MAPS, thoroughness=thoroughness)


def failed(found: Verdict) -> set[str]:
    return {f"{c.area}: {c.subject} {c.name}" for c in found.checks if c.status == "fail"}


@pytest.mark.parametrize("says", [SAYS, TO_ONE])
def test_long_messages_are_heard_sent_and_judged(says: str) -> None:
    found = judged(HEARS + says)
    assert failed(found) == set()
    by_name = {(c.subject, c.name): c for c in found.checks}
    assert by_name["donor", "J1939 addresses and packets"].status == "pass"
    assert by_name["donor.CabReport", "period"].status == "pass"
    assert by_name["donor.EC1", "fresh"].measured == "100 % of the time"
    assert by_name["donor.CabReport.Late", "equal to the exact reference"].status == "pass"


@pytest.mark.parametrize("mistake", ["deaf", "another name", "another receiver"])
def test_a_plan_that_errs_in_them_fails(mistake: str) -> None:
    plan = compile_bridge(parse_bridge(HEARS + SAYS), LONG_MAPS).plan
    if mistake == "deaf":
        plan = replace(plan, receives=tuple(replace(r, long=False) for r in plan.receives))
    elif mistake == "another name":
        plan = replace(plan, claims=tuple(replace(c, name=1) for c in plan.claims))
    else:
        plan = replace(plan, sends=tuple(replace(s, to=7) if s.is_long else s for s in plan.sends))
    found = failed(judged(HEARS + SAYS, plan))
    assert any(line.startswith("content: ") for line in found), found


@pytest.mark.long
@pytest.mark.parametrize("says", [SAYS, TO_ONE])
def test_they_stay_right_under_faults(says: str) -> None:
    found = judged(HEARS + says, thoroughness="quick")
    assert [(run.faults, run.problems) for run in found.faults if run.status != "pass"] == []
    assert failed(found) == set()
