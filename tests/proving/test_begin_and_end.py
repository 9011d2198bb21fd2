"""Prove room: first and last frames, and network management, against the old sender's recording."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.bench.traffic import Rates, traffic_from
from swapbridge.proving.judges.runs.begin_and_end import (
    FallingAsleep,
    _begin_together,
    _ended_at,
    judge_begin_and_end,
    key_ons,
)
from swapbridge.proving.judges.runs.network_management import judge_network_management, ring_of, unasked
from swapbridge.proving.verdict import Check
from tests.proving import small_swap
from tests.proving.conftest import make_capture

OURS, OTHER = 0x410, 0x411
WAKES = ((0.0, 10.0), (20.0, 30.0))
"""When the other module speaks, every 0.1 s: its bus sleeps in between and at the end."""
KEY = ((-1.0, 0), (2.0, 1), (8.0, 0), (22.0, 1), (28.0, 0))
Spans = tuple[tuple[float, float], ...]


def every(period_s: float, *spans: tuple[float, float]) -> Any:
    return np.concatenate([np.arange(begin, end, period_s) for begin, end in spans])


def rows(times: Any, word: int, data: bytes) -> list[tuple[int, int, bytes]]:
    return [(int(1e9 * t) + 1_000_000, word, data) for t in times]


def frames(times: Any, data: Any = b"\x11\x01") -> Frames:
    blob = np.zeros((len(times), 8), np.uint8)
    for n in range(len(times)):
        said = data(float(times[n])) if callable(data) else data
        blob[n, : len(said)] = list(said)
    return Frames((1e9 * np.asarray(times)).astype(np.int64), np.full(len(times), 2, np.uint8), blob)


class _Case(SimpleNamespace):
    def old(self, bus: int, word: int) -> Frames | None:
        capture = self.bench.captures[bus]
        part = capture.select(np.flatnonzero(capture.identifier == word))
        return Frames(part.time_ns - 1_000_000, part.length, part.payload) if len(part) else None

    def role_track(self, *_: Any) -> None:
        return None


def case_of(
    old: list[tuple[int, int, bytes]], new: Frames, *, keyed: bool = True, ended: float = 30.0, **of_send: Any
) -> Any:
    other = [r for r in rows(every(0.1, *WAKES), OTHER, b"\0\0") if r[0] < 1e9 * ended]
    capture = make_capture(sorted([*old, *other]))
    key = Channel("key", np.array([t for t, _ in KEY]), np.array([float(v) for _, v in KEY]), "", ("off", "on"))
    send = SimpleNamespace(
        **{"name": "host.NM", "bus": 0, "word": OURS, "period_us": 100_000, "once": 0, "request": None} | of_send
    )
    return _Case(
        bench=SimpleNamespace(
            captures=[capture], begin_ns=[1_000_000], traffic=[traffic_from(capture, Rates(), 1_000_000)]
        ),
        names=["host"], plan=SimpleNamespace(sends=[send], buses=[]), sent={(0, OURS): new},
        stimuli={"host": StimulusTrack({"key": key}, "key")} if keyed else {},
        bridge=small_swap.bridge(), maps={"host": SimpleNamespace(by_word=lambda word: None)},
        checks=[Check("form", "host.NM", "after the key goes off", "pass", "", "", "")],
    )  # fmt: skip


def falling(last_s: float, data: bytes = b"\x11\x01") -> FallingAsleep:
    """Traffic ends at 9 s, the translator's frames so many seconds later."""
    return FallingAsleep(9.0, {(0, OURS): frames([8.0, 9.0 + last_s], data)})


WITH_KEY: Spans = ((2.1, 8.5), (22.1, 28.5))
WITH_BUS: Spans = ((0.2, 10.0), (20.2, 30.0))


def checks(case: Any, last_s: float = 0.0) -> dict[str, str]:
    return {c.name: c.status for c in judge_begin_and_end(case, falling(last_s))}


@pytest.mark.parametrize(
    ("begins", "status"),
    [(2.1, "pass"), (3.05, "pass"), (3.2, "fail"), (7.0, "fail"), (1.2, "pass"), (1.0, "unproved")],
)
def test_a_message_that_came_with_the_key_comes_with_the_key(begins: float, status: str) -> None:
    case = case_of(rows(every(0.1, *WITH_KEY), OURS, b"\x11\x01"), frames(every(0.1, (begins, 8.5))))
    assert checks(case)["first frame after the key comes on"] == status


@pytest.mark.parametrize(("begins", "status"), [(0.0, "pass"), (1.15, "pass"), (1.3, "fail")])
def test_a_message_that_came_with_its_bus_comes_with_its_bus(begins: float, status: str) -> None:
    case = case_of(rows(every(0.1, *WITH_BUS), OURS, b"\x11\x01"), frames(every(0.1, (begins, 10.0))))
    assert checks(case)["first frame after its bus wakes"] == status


def test_a_late_beginning_of_which_nobody_knows_the_key_is_not_proved() -> None:
    old, late = rows(every(0.1, *WITH_KEY), OURS, b"\x11\x01"), frames(every(0.1, (5.0, 8.5)))
    assert checks(case_of(old, late, keyed=False))["first frame after its bus wakes"] == "unproved"


def test_an_old_sender_that_woke_a_sleeping_bus_is_not_timed_from_the_wake_before() -> None:
    """It spoke 0.6 s before the others at their second wake: that is no wait of 19 s after the first."""
    old = rows(every(0.1, (19.4, 30.0)), OURS, b"\x11\x01")
    assert checks(case_of(old, frames(every(0.1, (0.1, 10)))))["first frame after its bus wakes"] == "pass"
    assert checks(case_of(old, frames(every(0.1, (3.0, 10)))))["first frame after its bus wakes"] == "fail"
    alone = rows(every(0.1, (13.0, 30.0)), OURS, b"\x11\x01")
    assert checks(case_of(alone, frames(every(0.1, (0.1, 10)))))["first frame after its bus wakes"] == "pass"


@pytest.mark.parametrize(("last_s", "status"), [(0.0, "pass"), (2.2, "pass"), (2.4, "fail"), (30.0, "fail")])
def test_a_message_ends_with_its_bus(last_s: float, status: str) -> None:
    case = case_of(rows(every(0.1, *WITH_BUS), OURS, b"\x11\x01"), frames(every(0.1, (0.2, 10.0))))
    (found,) = [c for c in judge_begin_and_end(case, falling(last_s)) if c.name == "after every module falls silent"]
    assert found.status == status
    assert f"goes on for {last_s:.1f} s; the old sender" in found.measured


def test_what_goes_on_for_too_long_says_what_to_write() -> None:
    """It ends 5 s after the others with a bus that counts as asleep after 5 s; the old sender ended with them."""
    case = case_of(rows(every(0.1, *WITH_BUS), OURS, b"\x11\x01"), frames(every(0.1, (0.2, 10.0))))
    case.plan.buses = [SimpleNamespace(silent_us=5_000_000)]
    (found,) = [c for c in judge_begin_and_end(case, falling(5.0)) if c.name == "after every module falls silent"]
    assert "write sleep_after_ms = 2300 under [states]" in found.remedy


@pytest.mark.parametrize(("behind_s", "status"), [(0.0, "pass"), (0.15, "open"), (0.25, "unproved"), (0.9, "unproved")])
def test_messages_of_one_sender_begin_side_by_side(behind_s: float, status: str) -> None:
    """The old sender's two began together, 20 s apart; up to a period of 100 ms and 50 ms more it is only said."""
    old = rows(every(0.1, *WITH_KEY), OURS, b"\x11\x01")
    case = case_of(old, frames(every(0.1, *WITH_KEY)), states=6)
    case.bench.captures = [make_capture(sorted([*old, *rows(every(0.1, *WITH_KEY), OTHER, b"\0\0")]))]
    case.plan.sends.append(SimpleNamespace(**vars(case.plan.sends[0]) | {"name": "host.LATE", "word": OTHER}))
    case.sent[0, OTHER] = frames(every(0.1, *((begin + behind_s, end) for begin, end in WITH_KEY)))
    case.maps["host"].by_word = lambda word: SimpleNamespace(senders=("ENGINE",))
    found = {c.subject: c.status for c in _begin_together(case)}
    assert found == {"host.NM": "pass", "host.LATE": status}


def test_an_old_sender_that_spoke_on_alone_is_the_measure() -> None:
    alone = rows(every(0.1, (0.2, 14.0), (20.2, 30.0)), OURS, b"\x11\x01")
    case = case_of(alone, frames(every(0.1, (0.2, 10.0))))
    found = {last: checks(case, last)["after every module falls silent"] for last in (6.1, 6.4)}
    assert found == {6.1: "pass", 6.4: "fail"}


def test_an_end_that_no_recording_shows_is_not_proved() -> None:
    old = [r for r in rows(every(0.1, *WITH_BUS), OURS, b"\x11\x01") if r[0] < 9e9]
    case = case_of(old, frames(every(0.1, (0.2, 10.0))), ended=9.0)
    assert checks(case, 1.0)["after every module falls silent"] == "pass"
    assert checks(case, 5.0)["after every module falls silent"] == "unproved"


def test_all_traffic_ends_at_one_moment_after_a_recorded_sleep() -> None:
    traffic = traffic_from(make_capture(rows(every(0.1, *WAKES), OTHER, b"\0\0")), Rates(), 0)
    ended = _ended_at(traffic, 9_000_000_000)
    last = traffic.start_ns[np.flatnonzero(np.diff(traffic.start_ns) > 1e9)[-1]]
    assert abs(int(ended.start_ns[-1]) - 9_000_000_000) < 1_000_000
    assert int(last) < 10_000_000_000
    assert len(ended) == 30 + 60


@given(st.lists(st.tuples(st.integers(0, 1000), st.booleans()), max_size=20, unique_by=lambda row: row[0]))
def test_the_key_comes_on_where_it_was_off(told: list[tuple[int, bool]]) -> None:
    told = sorted(told)
    expected = [float(t) for (_, before), (t, now) in pairwise(told) if now and not before]
    assert key_ons(np.array([float(t) for t, _ in told]), np.array([float(v) for _, v in told])).tolist() == expected


# --- network management


def says(old: list[tuple[int, int, bytes]], new: Frames, last: bytes = b"\x11\x01", **more: Any) -> dict[str, str]:
    case = case_of(old, new, **more)
    case.maps["host"].by_word = lambda word: SimpleNamespace(
        name="NM", signals=(), evidence={"network_management": True}
    )
    return {c.name: c.status for c in judge_network_management(case, falling(0.0, last))}


def slept(t: float) -> bytes:
    """Says that it is ready to sleep once the key is off."""
    return b"\x11\x11" if 8.0 <= t < 20 or t >= 28.0 else b"\x11\x01"


def told(times: Any, data: Any) -> list[tuple[int, int, bytes]]:
    return [r for t in times for r in rows([t], OURS, data(float(t)) if callable(data) else data)]


OLD_NM = every(0.1, (2.1, 9.0), (22.1, 29.0))


def test_a_sound_one_is_proved() -> None:
    found = says(told(OLD_NM, slept), frames(OLD_NM, slept), b"\x11\x11")
    assert found == {"network management says": "pass", "network management ends": "pass"}


@pytest.mark.parametrize(
    ("new", "last"),
    [
        (b"\x11\x01", b"\x11\x01"),
        (b"\x11\x11", b"\x11\x11"),
        (b"\x12\x01", b"\x12\x11"),
        (lambda t: slept(t)[:1] + bytes([slept(t)[1] | 4]), b"\x11\x15"),
    ],
    ids=["never ready to sleep", "ready to sleep with the key on", "another node", "limp home"],
)
def test_a_bit_that_the_old_sender_never_set_in_that_phase_fails(new: Any, last: bytes) -> None:
    assert says(told(OLD_NM, slept), frames(OLD_NM, new), last)["network management says"] == "fail"


def test_without_frames_of_the_old_sender_nothing_is_proved() -> None:
    assert says([], frames(OLD_NM, slept)) == {"network management": "unproved"}


def test_a_recording_that_never_shows_it_stop_does_not_prove_it() -> None:
    old = [r for r in told(OLD_NM, b"\x11\x01") if r[0] < 7e9]
    found = says(old, frames(OLD_NM, b"\x11\x01"), ended=7.0)
    assert set(found.values()) == {"unproved"}


def ring(nodes: tuple[int, ...], until_s: float, *, blind: bool = False) -> list[tuple[int, int, bytes]]:
    """Nodes that hand a token round every 0.1 s; each names the next, or (blind) itself."""
    out = []
    for n, t in enumerate(np.arange(0.5, until_s, 0.1)):
        node, after = nodes[n % len(nodes)], nodes[(n + 1) % len(nodes)]
        out += rows([t], 0x400 + node, bytes([node if blind else after, 1]))
    return out


def test_a_ring_is_seen_and_its_tokens_are_not_replayed() -> None:
    old = ring((0x10, 0x12, 0x13), 9.0)
    mine = [t / 1e9 for t, word, _ in old if word == OURS]
    answering = case_of(old, frames(np.array(mine) - 0.001, b"\x12\x01"))
    assert ring_of(answering, answering.plan.sends[0]) is not None
    found = {c.name: c.status for c in judge_network_management(answering, falling(0.0, b"\x12\x01"))}
    assert found["ring token"] == "pass"
    replayed = case_of(old, frames(every(0.1, (0.5, 9.0)), b"\x12\x01"))
    found = {c.name: c.status for c in judge_network_management(replayed, falling(0.0, b"\x12\x01"))}
    assert found["ring token"] == "fail"


def test_no_ring_is_seen_where_bytes_name_nobody() -> None:
    case = case_of(ring((0x10, 0x12, 0x13), 9.0, blind=True), frames(OLD_NM))
    assert ring_of(case, case.plan.sends[0]) is None
    assert judge_network_management(case, falling(0.0)) == []


@given(st.lists(st.integers(0, 400), max_size=30, unique=True), st.lists(st.integers(0, 400), min_size=1, max_size=30))
def test_a_frame_is_asked_for_by_one_token_of_its_own(handed: list[int], sent: list[int]) -> None:
    """The slow way: each frame takes the newest token before it, which must be unused and at most 5 old."""
    handed, sent, used, asked = sorted(handed), sorted(sent), set[int](), 0
    for at in sent:
        token = max((t for t in handed if t <= at), default=None)
        asked += token is not None and at - token <= 5 and token not in used
        if token is not None:
            used.add(token)
    share, _ = unasked(np.array(handed, float), np.array(sent, float), 5.0)
    assert share == pytest.approx(1 - asked / len(sent))
