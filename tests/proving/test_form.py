"""Prove room: the form of frames: each difference from the old engine's frames is found and named with both values."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.proving.bench.bench import set_up
from swapbridge.proving.bench.frame_rows import Frames, frames_from, unpack_column
from swapbridge.proving.judges.frames.form import (
    compare_forms,
    compare_shapes,
    compare_start_up,
    counter_steps_bad,
    habits,
    measure,
)
from tests.proving import small_swap

MS = 1_000_000


@pytest.fixture(scope="module")
def old() -> Frames:
    from swapbridge.compiler.compile import compile_bridge

    plan = compile_bridge(small_swap.bridge(), small_swap.maps()).plan
    frames = set_up(plan, small_swap.captures(4.0)).recorded(1, 0x0C8)
    assert frames is not None
    return frames


def _failed(pattern: Frames, ours: Frames, *, periodic: bool = True, at_once: bool = False) -> dict[str, Any]:
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    forms = measure(pattern, message), measure(ours, message)
    checks = compare_shapes("m", *forms, message, periodic=periodic, at_once=at_once)
    checks += compare_forms("m", *forms, message, periodic=periodic)
    return {c.name: c for c in checks if c.status == "fail"}


def test_the_same_frames_have_the_same_form(old: Frames) -> None:
    assert _failed(old, old) == {}


def test_bits_that_nobody_knows_are_open_where_the_bridge_file_says_so(old: Frames) -> None:
    """What an absent braking module always said may be neither repeated nor made up."""
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    assert message is not None
    free = sorted(set(range(64)) - {p for s in message.signals for p in s.layout.positions})[0]
    payload = old.payload.copy()
    payload[:, free >> 3] ^= 1 << (free & 7)
    forms = measure(replace(old, payload=payload), message), measure(old, message)
    for unknown, status in ((False, "fail"), (True, "open")):
        checks = compare_shapes("m", *forms, message, periodic=True, rest_is_open=unknown)
        assert next(c.status for c in checks if c.name == "constant bits") == status
        assert 'open = ["rest"]' in next(c.remedy for c in checks if c.status == "fail") if not unknown else True


def test_what_goes_further_and_faster_is_said_with_what_it_was(old: Frames) -> None:
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    assert message is not None
    then = measure(old, message)
    assert habits(then, then, message) == ([], [])
    name, form = next((n, f) for n, f in then.signals.items() if f.high - f.low > 100)
    wide = replace(form, high=2 * form.high - form.low, step=3 * form.step)
    now = replace(then, signals={**then.signals, name: wide})
    further, faster = habits(then, now, message)
    assert [len(further), len(faster)] == [1, 1]
    assert name in further[0]
    assert "(was " in further[0]
    assert habits(then, now, message, left_out=(name,)) == ([], [])
    coarse = replace(then, signals={**then.signals, name: replace(form, step=3 * form.step, least=3 * form.step)})
    assert habits(then, coarse, message) == ([], []), "a source of coarser steps"
    still = replace(then, signals={**then.signals, name: replace(form, low=9 * form.high, high=9 * form.high, step=0)})
    assert habits(then, still, message) == ([], []), "a constant is judged as one"


def test_a_period_three_percent_off(old: Frames) -> None:
    off = replace(old, time_ns=(old.time_ns * 1.03).astype(np.int64))
    check = _failed(old, off)["period"]
    assert "10.30 ms" in check.measured
    assert "10.00 ms" in check.required
    assert "period_ms = 10" in check.remedy
    on = replace(old, time_ns=(old.time_ns * 1.015).astype(np.int64))
    assert "period" not in _failed(old, on), "within 2 %"


def test_frames_that_wait_by_turns_keep_their_period(old: Frames) -> None:
    """Every other frame waits 0.5 ms behind one of 20 ms: the middle gap is 9.5 or 10.5 ms, their mean is 10."""
    waited = np.where(np.arange(len(old)) % 2, 500_000, 0)
    assert "period" not in _failed(old, replace(old, time_ns=old.time_ns + waited))
    slow = replace(old, time_ns=(old.time_ns * 1.03).astype(np.int64) + waited)
    assert "10.30 ms on average" in _failed(old, slow)["period"].measured


@pytest.mark.parametrize(("waits_ms", "uneven"), [(0, False), (1, False), (3, True)])
def test_what_had_its_own_clock_does_not_follow_another(old: Frames, waits_ms: int, uneven: bool) -> None:
    """Sent on arrival of another message as well: now 3 ms after the last, now 10."""
    times = old.time_ns + np.where(np.arange(len(old)) % 2, waits_ms * MS, 0)
    assert set(_failed(old, replace(old, time_ns=times), periodic=False)) == ({"rhythm"} if uneven else set())
    assert set(_failed(replace(old, time_ns=times), old, periodic=False)) == set(), "an old sender without a clock"
    at_once = _failed(old, replace(old, time_ns=times), periodic=False, at_once=True)
    assert set(at_once) == set(), "a request is passed on at once, as its time budget asks"


@pytest.mark.parametrize(("by_us", "failed"), [(1_600, set()), (4_000, {"worst gap"})])
def test_a_late_frame(old: Frames, by_us: int, failed: set[str]) -> None:
    """One that waits for seven others is no slow sender's."""
    late = old.time_ns.copy()
    late[200] += by_us * MS // 1000
    assert set(_failed(old, replace(old, time_ns=late))) == failed


def test_a_lost_frame_shows_in_gap_and_counter(old: Frames) -> None:
    rows = np.delete(np.arange(len(old)), 100)
    gone = Frames(old.time_ns[rows], old.length[rows], old.payload[rows])
    assert set(_failed(old, gone)) == {"worst gap", "counter"}


def test_a_wrong_checksum_and_a_constant_bit(old: Frames) -> None:
    payload = old.payload.copy()
    payload[:, 7] ^= 1
    assert set(_failed(old, replace(old, payload=payload))) == {"checksum"}
    payload = old.payload.copy()
    payload[:, 3] |= 1  # bit 24 belongs to no signal
    failed = _failed(old, replace(old, payload=payload))
    assert failed["constant bits"].measured == "1 of 7 differ: byte 3 bit 0 was always 0"


def test_another_length(old: Frames) -> None:
    assert "length" in _failed(old, replace(old, length=np.full(len(old), 7, np.uint8)))


@given(
    st.integers(0, 56), st.integers(1, 64), st.sampled_from(["little_endian", "big_endian"]), st.booleans(), st.data()
)
def test_columns_unpack_as_the_layout_does(start: int, length: int, order: Any, signed: bool, data: Any) -> None:
    layout = Layout(start, length, order, signed)
    if layout.fits(8) and (length < 64 or signed):
        rows = data.draw(st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=5))
        payload = np.frombuffer(b"".join(rows), np.uint8).reshape(-1, 8)
        assert unpack_column(layout, payload).tolist() == [layout.unpack(r) for r in rows]


@given(st.integers(0, 3), st.integers(1, 4), st.lists(st.integers(0, 15), min_size=2, max_size=30))
def test_counter_steps_against_the_rule_itself(low: int, step: int, values: list[int]) -> None:
    counter = Counter(low, 13, step)
    bad = counter_steps_bad(np.array(values), counter)
    for i, (a, b) in enumerate(pairwise(values)):
        inside = low <= a <= 13 and low <= b <= 13
        assert bad[i] == (not inside or counter.after(a) != b)


def test_start_up_order(old: Frames) -> None:
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    early = measure(old, message)
    late = measure(replace(old, time_ns=old.time_ns + 500 * MS), message)
    (check, *_) = compare_start_up("bus host", {"a": early, "b": late}, {"a": late, "b": early}, (0, 0))
    assert check.status == "fail"
    assert check.measured == "b before a"
    (check, *_) = compare_start_up("bus host", {"a": early, "b": late}, {"a": early, "b": late}, (0, 0))
    assert check.status == "pass"


@pytest.mark.parametrize("slow", ["a", "b"])
@pytest.mark.parametrize(("apart_ms", "clear"), [(39, False), (41, True)])
def test_an_order_within_either_period_is_none(old: Frames, slow: str, apart_ms: int, clear: bool) -> None:
    """One message every 10 ms, one every 40: whichever comes first within 40 ms is chance."""
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    stretched = replace(old, time_ns=old.time_ns[0] + 4 * (old.time_ns - old.time_ns[0]))
    then = {name: measure(stretched if name == slow else old, message) for name in "ab"}
    assert then[slow].period_ms == pytest.approx(40, abs=0.05)
    now = dict(then)
    then["b"] = replace(then["b"], first_ns=(then["a"].first_ns[0] + apart_ms * MS,))
    now["a"] = replace(now["a"], first_ns=(now["b"].first_ns[0] + 500 * MS,))
    (check, *_) = compare_start_up("bus host", then, now, (0, 0))
    assert (check.status == "fail") is clear


def test_what_keeps_a_bus_awake_is_timed_from_the_key(old: Frames) -> None:
    """Network management waits for the key, since it would empty the battery: its first frame counts from there."""
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    then = {"a": measure(old, message)}
    now = {"a": measure(replace(old, time_ns=old.time_ns + 900 * MS), message)}
    (late,) = compare_start_up("bus host", then, now, (0, 0))
    assert (late.name, late.status) == ("first after wake-up", "warn")
    assert compare_start_up("bus host", then, now, (0, 0), {"a": 890 * MS}) == []
    (late,) = compare_start_up("bus host", then, now, (0, 0), {"a": 700 * MS})
    assert (late.name, late.status) == ("first after key-on", "warn")
    assert late.measured == f"{old.time_ns[0] / MS + 200:.0f} ms"


@pytest.mark.parametrize(("later_ms", "warned"), [(50, False), (51, True)])
def test_start_up_may_be_fifty_milliseconds_later(old: Frames, later_ms: int, warned: bool) -> None:
    """Common practice, no source: two periods, and 50 ms at least; this message comes every 10 ms."""
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    then = {"a": measure(old, message)}
    now = {"a": measure(replace(old, time_ns=old.time_ns + later_ms * MS), message)}
    assert then["a"].period_ms <= 25
    assert bool(compare_start_up("bus host", then, now, (0, 0))) is warned


@pytest.mark.parametrize(("later_ms", "warned"), [(80, False), (81, True)])
def test_start_up_may_be_two_periods_later(old: Frames, later_ms: int, warned: bool) -> None:
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    slow = replace(old, time_ns=old.time_ns[0] + 4 * (old.time_ns - old.time_ns[0]))
    then = {"a": measure(slow, message)}
    assert then["a"].period_ms == pytest.approx(40, abs=0.05)
    late_ns = round(2 * then["a"].period_ms * 1e6) + (later_ms - 80) * MS
    now = {"a": measure(replace(slow, time_ns=slow.time_ns + late_ns), message)}
    assert bool(compare_start_up("bus host", then, now, (0, 0))) is warned


@pytest.mark.parametrize(
    ("apart_ns", "swapped_ns", "status"),
    [
        (20 * MS, 200 * MS, "pass"),
        (20 * MS + 1, 200 * MS, "fail"),
        (200 * MS, 10 * MS, "pass"),
        (200 * MS, 10 * MS + 1, "fail"),
    ],
)
def test_only_a_clear_order_is_judged(old: Frames, apart_ns: int, swapped_ns: int, status: str) -> None:
    """The pattern's messages further apart than 20 ms, and ours the other way round by more than 10 ms."""
    message = small_swap.maps()["host"].message("ENGINE_DATA")

    def first(after_ns: int) -> Any:
        return measure(replace(old, time_ns=old.time_ns + after_ns), message)

    pattern = {"a": first(0), "b": first(apart_ns)}
    assert pattern["a"].period_ms <= 20
    (check, *_) = compare_start_up("bus host", pattern, {"a": first(swapped_ns), "b": first(0)}, (0, 0))
    assert (check.name, check.status) == ("start-up order", status)


def test_a_gap_in_which_the_vehicle_was_switched_off_is_a_pause(old: Frames) -> None:
    message = small_swap.maps()["host"].message("ENGINE_DATA")
    half = len(old.time_ns) // 2
    later = replace(old, time_ns=old.time_ns + np.where(np.arange(len(old.time_ns)) >= half, 80 * MS, 0))
    off = int(later.time_ns[half - 1]) + MS
    assert measure(later, message).worst_ms > 80
    assert measure(later, message, off_ns=[off]).worst_ms == measure(old, message).worst_ms
    assert measure(later, message, off_ns=[0, int(later.time_ns[-1]) + MS]).worst_ms > 80


@given(st.lists(st.binary(max_size=70), max_size=9))
@example([b"\1" * 8] * 3)
@example([b"\1\2"] * 2)
@example([b"", b""])
def test_frames_become_columns_with_zeros_behind_the_shorter_ones(payloads: list[bytes]) -> None:
    frames = frames_from(range(len(payloads)), payloads)
    width = frames.payload.shape[1]
    assert frames.time_ns.tolist() == list(range(len(payloads)))
    assert [bytes(row[:n]) for row, n in zip(frames.payload, frames.length.tolist(), strict=True)] == payloads
    assert all(not row[n:].any() for row, n in zip(frames.payload, frames.length.tolist(), strict=True))
    assert width == 8 if max(map(len, payloads), default=0) <= 8 else width >= 64
