"""J1939 groups in prove: settled to the recording's identifiers; several senders of one group are said."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import EXACT_MASK
from swapbridge.proving.prove import prove
from swapbridge.proving.settled_groups import settle_groups
from swapbridge.proving.verdict import Verdict
from tests.compiler.group_maps import BRIDGE, MAPS
from tests.compiler.test_on_request import LONG as ASKED_LONG
from tests.compiler.test_on_request import MAPS as ASKED_MAPS
from tests.compiler.test_on_request import text_of as asked_text
from tests.surveying.heavy import Frame, capture_of, heavy_frames, speed_at


def host_capture(seconds: float) -> Capture:
    """The old engine computer's frames: the same drive in the host's own words."""
    frames: list[Frame] = []
    for k in range(int(seconds * 50)):
        at = k / 50
        raw = round(4 * speed_at(at))
        road = round(100 * (20 + 10 * np.sin(at / 3)))
        data = raw.to_bytes(2, "little") + bytes([100 + int(at / 4)]) + road.to_bytes(2, "little") + bytes(3)
        frames.append((at, 0x200, data))
        frames.append((at + 0.004, 0x300, bytes(8)))
    return capture_of(sorted(frames), extended=False)


def _speeds() -> dict[str, StimulusTrack]:
    """A scan tool read the engine's speed in both vehicles."""
    t = np.arange(0, 20, 0.1)
    track = StimulusTrack({"engine_speed": Channel("engine_speed", t, np.array([speed_at(x) for x in t]), "rpm")})
    return {"donor": track, "host": track}


def verdict(donor: list[Frame], bridge_text: str = BRIDGE) -> Verdict:
    bridge = parse_bridge(bridge_text)
    plan = compile_bridge(bridge, MAPS).plan
    captures = {"donor": capture_of(sorted(donor)), "host": host_capture(20)}
    return prove(plan, captures, bridge, MAPS, stimuli=_speeds(), thoroughness="none")


@pytest.mark.parametrize(("source", "priority"), [(0, 3), (17, 6)])
def test_content_is_judged_whatever_priority_and_sender(source: int, priority: int) -> None:
    found = verdict(heavy_frames(20, engine=source, priority=priority))
    content = [c for c in found.checks if c.area == "content"]
    assert content
    assert [c for c in content if c.status == "fail"] == []
    evidence = [c for c in found.checks if c.area == "evidence" and "donor" in c.subject]
    assert [c for c in evidence if c.status in ("fail", "unproved") and c.name != "length"] == []


def test_a_group_with_two_senders_fails_until_from_says_which() -> None:
    second = [
        (at + 0.0005, word & ~0xFF | 49, bytes(data[:1]) + b"\xff" * 7)
        for at, word, data in heavy_frames(20)
        if j1939.group_of(word)[0] == 0xFEF1  # type: ignore[index]
    ]
    both = [*heavy_frames(20), *second]
    checks = [c for c in verdict(both).checks if c.name == "one sender"]
    assert [(c.subject, c.status) for c in checks] == [("donor.CCVS", "fail")]
    assert "0, 49" in checks[0].measured
    chosen = verdict(both, BRIDGE + '[sources."donor.CCVS"]\nfrom = 0\n')
    assert not [c for c in chosen.checks if c.name == "one sender"]
    assert not [c for c in chosen.checks if c.area == "content" and c.status == "fail"]


ENGINE, OTHER = (j1939.J1939Name(identity=n, function=0, industry=2) for n in (7, 8))
BY_NAME = BRIDGE + '[sources."donor.EEC1"]\nfrom = { function = 0, industry_group = 2 }\n'


def claims(*told: tuple[float, int, j1939.J1939Name]) -> list[Frame]:
    return [(at, j1939.Identifier(6, j1939.ADDRESS_CLAIMED, address).word, name.data) for at, address, name in told]


def test_a_group_by_name_is_proved_from_the_address_that_claims_it() -> None:
    stranger = [f for f in heavy_frames(20, engine=33) if j1939.group_of(f[1])[0] == 0xF004]  # type: ignore[index]
    stranger = [(at + 0.0005, word, bytes([*data[:3], 0, 0, *data[5:]])) for at, word, data in stranger]
    found = verdict([*claims((0.0, 17, ENGINE)), *heavy_frames(20, engine=17), *stranger], BY_NAME)
    assert not [c for c in found.checks if c.name in ("NAME claimed", "one sender")]
    assert [c for c in found.checks if c.area == "content" and c.status == "fail"] == []
    assert [c.status for c in found.checks if c.name == "J1939 addresses and packets"] == ["pass"]
    fresh = [c for c in found.checks if c.area == "evidence" and c.subject == "donor.EEC1"]
    assert {c.status for c in fresh} <= {"pass", "warn"}, fresh


@pytest.mark.parametrize(
    ("told", "status", "words"),
    [((), "unproved", "no node claims"), (((0.0, 0, ENGINE), (0.1, 3, OTHER)), "fail", "2 nodes claim")],
)
def test_a_name_that_nobody_or_two_claim_is_not_proved(told: tuple[Any, ...], status: str, words: str) -> None:
    found = verdict([*claims(*told), *heavy_frames(20)], BY_NAME)
    said = [c for c in found.checks if c.name == "NAME claimed"]
    assert [(c.subject, c.status) for c in said] == [("donor.EEC1", status)]
    assert words in said[0].measured
    assert not found.passed


def test_a_group_that_is_asked_for_is_asked_for_by_the_bench() -> None:
    bridge = parse_bridge(asked_text(long=ASKED_LONG))
    plan = compile_bridge(bridge, ASKED_MAPS).plan
    captures = {"donor": capture_of(heavy_frames(20)), "host": host_capture(20)}
    found = prove(plan, captures, bridge, ASKED_MAPS, thoroughness="none")
    asked = [c for c in found.checks if c.area == "content" and c.subject.startswith(("donor.Hours", "donor.Distance"))]
    assert len(asked) == 4
    assert {c.status for c in asked} == {"pass"}


def test_a_plan_without_groups_is_left_alone() -> None:
    plan = compile_bridge(parse_bridge(BRIDGE), MAPS).plan
    settled = settle_groups(plan, MAPS, {"donor": capture_of(heavy_frames(3, engine=17))})
    assert [r.mask for r in settled.plan.receives] == [r.mask for r in plan.receives]
    assert {r.word & 0xFF for r in settled.plan.receives} == {17}
    assert all(r.word & EXTENDED_BIT for r in settled.plan.receives)
    again = settle_groups(settled.plan, settled.maps, {})
    assert again.plan == settled.plan
    assert all(r.mask != EXACT_MASK for r in plan.receives)
