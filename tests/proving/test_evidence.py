"""Prove room: evidence: recordings that can't carry a verdict never give a PASSED, and what is missing is named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import ERROR, Capture, ReadNotes
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.language.bridge_file import MessageOptions, Written
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.case import Case
from swapbridge.proving.judges.frames.sent_form import judge_rules
from swapbridge.proving.judges.recordings.evidence import _believed, judge_evidence, unclaimed
from swapbridge.proving.prove import prove, take_up
from swapbridge.proving.verdict import Check, Verdict
from swapbridge.signalmap.signal_map import MapMessage, MapSignal
from tests.proving import small_swap

SECONDS = 32.0
Captures = dict[str, Capture]


@pytest.fixture(scope="module")
def swap() -> tuple[Any, Any, Any, Captures]:
    bridge, maps = small_swap.bridge(), small_swap.maps()
    return compile_bridge(bridge, maps).plan, bridge, maps, small_swap.captures(SECONDS)


def _verdict(swap: Any, captures: Captures) -> Verdict:
    plan, bridge, maps, _ = swap
    return prove(plan, captures, bridge, maps, stimuli=small_swap.tracks(SECONDS), thoroughness="none")


def _case(swap: Any, captures: Captures) -> Case:
    plan, bridge, maps, _ = swap
    return take_up(plan, captures, bridge, maps, stimuli=small_swap.tracks(SECONDS))


def _judged(swap: Any, captures: Captures) -> list[Check]:
    return judge_evidence(_case(swap, captures))


def _evidence(verdict: Verdict) -> list[tuple[str, str, str]]:
    return [(c.subject, c.name, c.status) for c in verdict.checks if c.area == "evidence" and c.status != "pass"]


def test_sound_recordings_carry_a_verdict(swap: Any) -> None:
    """Of the same recordings `test_reports` asks a whole verdict, which passes."""
    checks = _judged(swap, swap[3])
    assert not [c for c in checks if c.status in ("fail", "unproved")]
    names = {c.name for c in checks if c.area == "evidence" and c.status == "pass"}
    assert names >= {"identity", "length", "frames lost", "engine runs", "fresh", "checksum", "counter", "period"}


def _only_errors(captures: Captures) -> Captures:
    donor = captures["donor"]
    return {**captures, "donor": replace(donor, flags=np.full(len(donor), ERROR, np.uint8))}


def _shifted(captures: Captures) -> Captures:
    donor = captures["donor"]
    return {**captures, "donor": replace(donor, identifier=donor.identifier + np.uint32(1))}


def _without_old_engine(captures: Captures) -> Captures:
    host = captures["host"]
    return {**captures, "host": host.select(~np.isin(host.identifier, [0x0C8, 0x280]))}


def _cut(captures: Captures) -> Captures:
    return {bus: c.select(c.time_ns < c.time_ns[0] + 9_000_000_000) for bus, c in captures.items()}


def _torn(captures: Captures) -> Captures:
    notes = ReadNotes(stopped="the file ends in the middle")
    return {**captures, "host": replace(captures["host"], notes=notes)}


SPOILED: dict[str, tuple[Callable[[Captures], Captures], str, str]] = {
    "no host recording": (lambda c: {"donor": c["donor"]}, "bus host", "recording"),
    "error frames only": (_only_errors, "bus donor", "data frames"),
    "another vehicle": (_shifted, "bus donor", "identity"),
    "the old engine computer unplugged": (_without_old_engine, "bus host", "host.ENGINE_DATA as it was"),
    "nine seconds": (_cut, "bus donor", "length"),
    "a file that ends early": (_torn, "bus host", "file"),
}


@pytest.mark.parametrize("name", SPOILED)
def test_recordings_that_cannot_carry_it_are_named(swap: Any, name: str) -> None:
    spoil, subject, what = SPOILED[name]
    checks = _judged(swap, spoil(swap[3]))
    assert (subject, what, "unproved") in [(c.subject, c.name, c.status) for c in checks]
    assert all(c.remedy for c in checks if c.status == "unproved")


def test_a_recording_that_cannot_carry_it_proves_nothing(swap: Any) -> None:
    verdict = _verdict(swap, _torn(swap[3]))
    assert verdict.outcome == "NOT PROVED", verdict.worst
    assert _evidence(verdict) == [("bus host", "file", "unproved")]


def test_lost_frames_are_allowed_for_and_a_wrong_counter_still_found(swap: Any) -> None:
    """A logger that lost 4 % must not keep counters from being judged."""
    rng = np.random.default_rng(3)
    lossy = {bus: c.select(rng.random(len(c)) > 0.04) for bus, c in swap[3].items()}
    verdict = _verdict(swap, lossy)
    judged = [c for c in verdict.worst if c.area in ("evidence", "form", "content") and c.status != "warn"]
    assert judged == []
    assert {c.status for c in verdict.checks if c.name == "frames lost"} == {"open"}
    host = lossy["host"]
    rows = np.flatnonzero(host.identifier == 0x0C8)
    payload = host.payload.copy()
    payload[rows[::2], 6] ^= 0x05  # every other counter is another
    wrong = judge_rules(_case(swap, {**lossy, "host": replace(host, payload=payload)}))
    found = [c.status for c in wrong if c.subject == "host.ENGINE_DATA" and c.name == "counter"]
    assert "fail" in found


@pytest.mark.parametrize("gone", [("Count",), ("Check",), ("Count", "Check"), ()])
def test_a_counter_or_checksum_that_nobody_checks_is_named(gone: tuple[str, ...]) -> None:
    """FAST has both: forgotten in the map, they are bits that run on with every frame."""
    fast = next(m for m in small_swap.maps()["donor"].messages if m.name == "FAST")
    donor = small_swap.captures(8.0)["donor"]
    rows = donor.identifier == fast.identifier
    frames = Frames(donor.time_ns[rows], donor.length[rows], donor.payload[rows])
    said = unclaimed(frames, replace(fast, signals=tuple(s for s in fast.signals if s.name not in gone)))
    bytes_said = ", ".join({"Count": "6", "Check": "7"}[name] for name in gone)
    assert said == (
        f"byte {bytes_said} differs in nearly every frame and belongs to no signal of the map" if gone else ""
    )


def test_what_is_read_without_being_verified_is_named(swap: Any) -> None:
    text = small_swap.BRIDGE.replace(
        '[sources."donor.FAST".signals]', '[sources."donor.FAST"]\nverify = false\n\n[sources."donor.FAST".signals]'
    )
    bridge = small_swap.bridge(text)
    checks = _judged((compile_bridge(bridge, swap[2]).plan, bridge, swap[2], None), swap[3])
    found = [c for c in checks if c.status == "open" and c.name == "checked as it comes"]
    assert [(c.subject, c.measured) for c in found] == [("donor.FAST", "verify = false in the bridge file")]


def test_a_checksum_that_most_frames_contradict_is_a_failure(swap: Any) -> None:
    donor = swap[3]["donor"]
    payload = donor.payload.copy()
    payload[donor.identifier == 0x101, 7] ^= 0x5A
    checks = _judged(swap, {**swap[3], "donor": replace(donor, payload=payload)})
    found = [c for c in checks if c.subject == "donor.FAST" and c.name == "checksum"]
    assert [c.status for c in found] == ["fail"]
    assert "0 of 3,200 right" in found[0].measured


@pytest.mark.parametrize(
    ("options", "name", "status"),
    [({}, "", ""), ({"first": 3, "recover": 20}, "", ""), ({"recover": 100}, "believed again in time", "fail"),
     ({"first": 100}, "believed again in time", "fail"), ({"lost_ok": 7}, "", ""),
     ({"lost_ok": 8}, "its counter is checked", "unproved"), ({"lost_ok": 100}, "its counter is checked", "unproved")],
)  # fmt: skip
def test_a_source_is_believed_in_time_and_its_counter_says_something(
    options: dict[str, int], name: str, status: str
) -> None:
    """A message of 100 ms with a counter of 16 values: 20 of its frames, and half of its steps."""
    count = MapSignal("Count", Layout(0, 4), counter=Counter(0, 15))
    message = MapMessage("M", 0x100, False, 8, (count,))
    mine = replace(MessageOptions(Written("donor.M")), **options)  # type: ignore[arg-type]
    found = list(_believed("donor.M", mine, message, 100.0))
    assert [(c.name, c.status) for c in found] == ([(name, status)] if name else [])
    assert not list(_believed("donor.M", None, message, 100.0))
