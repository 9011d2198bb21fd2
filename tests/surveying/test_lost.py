"""Frames lost: what was taken out of a recording is counted again, and a dropout is never called sleep."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import Capture
from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.lost import count_sendings, frames_lost
from swapbridge.surveying.survey_report import lost_lines, lost_rows

PERIODS_MS = (10, 20, 20, 50, 100)


def bus(
    rng: np.random.Generator,
    seconds: float = 30.0,
    begin: float = 0.0,
    boot_s: float = 0.0,
    counters: bool = True,
) -> list[tuple[float, int, bytes]]:
    """Senders in step with a little jitter, a nibble counter each; each begins within `boot_s` of `begin`."""
    rows = []
    for n, period in enumerate(PERIODS_MS):
        first = begin + rng.uniform(0, period / 1000) + rng.uniform(0, boot_s)
        count = int((begin + seconds - rng.uniform(0, boot_s) - first) * 1000 / period)
        when = first + np.arange(count) * period / 1000 + rng.normal(0, 0.0002, count)
        for k, t in enumerate(when.tolist()):
            rows.append((t, 0x100 + n, bytes([k % 16 if counters else 7, n, int(90 + 5 * np.sin(t))])))
    return rows


def capture_of(rows: list[tuple[float, int, bytes]]) -> Capture:
    rows = sorted(rows)
    count = len(rows)
    payload = np.zeros((count, 8), np.uint8)
    payload[:, :3] = [list(data) for _, _, data in rows]
    return Capture(
        np.array([round(t * 1e9) for t, _, _ in rows], np.int64),
        np.array([i for _, i, _ in rows], np.uint32),
        np.zeros(count, np.uint8),
        np.zeros(count, np.uint8),
        np.full(count, 8, np.uint8),
        payload,
    )


def inner_missing(whole: list[tuple[float, int, bytes]], left: list[tuple[float, int, bytes]]) -> dict[int, int]:
    """What was taken out between each identifier's first and last frame that is left: a loop over both."""
    out = {}
    for identifier in {i for _, i, _ in left}:
        kept = [t for t, i, _ in left if i == identifier]
        first, last = min(kept), max(kept)
        out[identifier] = sum(first < t < last for t, i, _ in whole if i == identifier) - (len(kept) - 2)
    return out


@settings(deadline=None, max_examples=8)
@given(st.integers(0, 2**32), st.sampled_from([0.01, 0.2, 0.6]))
def test_counters_tell_exactly_what_is_missing(seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    whole = bus(rng)
    left = [row for row in whole if rng.random() > share]
    counter = {("0", 0x100 + n, False): [(Layout(0, 4), Counter(0, 15))] for n in range(len(PERIODS_MS))}
    found = frames_lost(capture_of(left), counter)
    truth = inner_missing(whole, left)
    told = {one.identifier: one.by_counter for one in found.identifiers if one.by_counter is not None}
    assert len(told) >= 3
    assert told == {i: truth[i] for i in told}
    got = found.share("0")
    assert got is not None
    assert abs(got - share) < 0.05


def test_without_a_counter_the_clock_counts() -> None:
    rng = np.random.default_rng(3)
    whole = bus(rng, counters=False)
    left = [row for row in whole if rng.random() > 0.05]
    found = frames_lost(capture_of(left))
    assert {one.identifier: one.by_clock for one in found.identifiers} == inner_missing(whole, left)
    assert all(one.by_counter is None for one in found.identifiers)


def test_a_sender_that_pauses_has_lost_nothing() -> None:
    """Its counter goes on by one: the frames were never sent."""
    rng = np.random.default_rng(4)
    rows = [(t + (0.2 if t > 15 and i == 0x101 else 0.0), i, data) for t, i, data in bus(rng)]
    found = {one.identifier: one for one in frames_lost(capture_of(rows)).identifiers}
    assert found[0x101].lost == 0
    assert found[0x101].by_clock == 10


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 2**32), st.floats(0.3, 12.0), st.booleans())
def test_a_dropout_is_never_called_sleep(seed: int, seconds: float, counters: bool) -> None:
    rng = np.random.default_rng(seed)
    whole = bus(rng, counters=counters)
    begin = rng.uniform(5, 15)
    left = [row for row in whole if not begin < row[0] < begin + seconds]
    capture = capture_of(left)
    silences = frames_lost(capture).silences
    assert all(one.kind != "asleep" for one in silences)
    assert not survey(capture).buses[0].asleep
    if counters:
        assert [one.kind for one in silences] == ["dropout"]


@pytest.mark.parametrize("seed", range(6))
def test_a_bus_that_woke_anew_slept(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = bus(rng, 20.0, 0.0, 1.0) + bus(rng, 20.0, 40.0, 1.0)
    found = frames_lost(capture_of(rows))
    assert [one.kind for one in found.silences] == ["asleep"]
    assert found.share("0") == 0.0  # what was not sent is not lost


def test_one_lone_sender_tells_too_little() -> None:
    rng = np.random.default_rng(5)
    rows = [row for row in bus(rng, counters=False) if row[1] == 0x102 and not 10 < row[0] < 14]
    (silence,) = frames_lost(capture_of(rows)).silences
    assert silence.kind == "unclear"


def test_numbered_trains_with_pauses_are_no_loss() -> None:
    begins = np.cumsum(np.random.default_rng(8).uniform(0.3, 2.0, 40)).tolist()
    rows = [(begin + k * 0.05, 0x200, bytes([k + 1, 0, 0])) for begin in begins for k in range(5)]
    found = frames_lost(capture_of(rows), {("0", 0x200, False): [(Layout(0, 3), Counter(1, 5))]})
    assert not found.counted_by("0")


def test_a_counter_that_steps_by_three_and_one_that_skips_zero() -> None:
    for counter in (Counter(0, 15, 3), Counter(1, 15), Counter(0, 14, -1)):
        value, values = counter.low, []
        for _ in range(200):
            values.append(value)
            value = counter.after(value)
        kept = np.flatnonzero(np.random.default_rng(1).random(200) > 0.3)
        told = count_sendings(np.array(values)[kept], np.diff(kept) * 10_000_000, counter)
        assert told is not None
        assert told.sendings.tolist() == np.diff(kept).tolist()


def test_the_survey_says_so() -> None:
    rng = np.random.default_rng(6)
    left = [row for row in bus(rng) if not 10 < row[0] < 13 and rng.random() > 0.1]
    capture = capture_of(left)
    found = survey(capture).with_lost(frames_lost(capture))
    said = " ".join(lost_lines(found))
    assert "dropped out once (3.0 s)" in said
    assert "by counters" in said
    assert len(lost_rows(found)) == len(PERIODS_MS)
    assert found.to_dict()["buses"][0]["dropouts_s"]


def test_nothing_is_said_of_a_whole_recording_or_an_empty_one() -> None:
    capture = capture_of(bus(np.random.default_rng(7)))
    assert not lost_lines(survey(capture).with_lost(frames_lost(capture)))
    assert frames_lost(capture_of([(0.0, 1, bytes(3))])).counted_by("0") == ()
