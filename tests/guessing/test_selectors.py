"""Guessing room: what is no multiplexer, and what is one's contents, though it picks pages as well."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.counters import find_counters
from swapbridge.guessing.integrity.integrity_fields import MAY_PICK, counter_fields
from swapbridge.guessing.integrity.trust import BY_HABIT, MOST
from swapbridge.guessing.layout.multiplex import FoundMux
from swapbridge.guessing.layout.orders import vehicle_order
from swapbridge.guessing.layout.selector_order import is_quantity, takes_turns
from swapbridge.guessing.layout.study import fields_of_study, study, surest
from swapbridge.signalmap.findings import FoundField

Bytes = npt.NDArray[np.uint8]


def columns(payload: Bytes, period_ms: int = 10) -> BitColumns:
    """Frames of one identifier, in step."""
    n = len(payload)
    times = np.arange(n) * period_ms * 10**6
    return make_columns(0x321, False, times, np.full(n, payload.shape[1], np.uint8), payload)


def jitter_and_its_copy(late: int) -> Bytes:
    """A wheel's speed that jitters over fifteen codes, and another wheel's, finer, that is all ones for a while."""
    rng = np.random.default_rng(4)
    speed = np.clip(rng.normal(0, 3, 1500), -7, 7)
    payload = np.zeros((1500, 8), np.uint8)
    payload[:, 2] = np.rint(104 + speed)
    payload[:, 3] = np.rint(128 + 9 * speed + rng.normal(0, 1, 1500))
    payload[:late, 3] = 255
    return payload


@pytest.mark.parametrize("late", [0, 60])
def test_the_low_end_of_what_jitters_picks_no_pages_of_its_copy(late: int) -> None:
    found = study(columns(jitter_and_its_copy(late)))
    assert found.mux is None


def test_a_copy_is_told_by_ranks_and_a_few_levels_in_order_are_none() -> None:
    payload = jitter_and_its_copy(60)
    low = FoundMux(tuple(range(16, 20)), tuple(range(15)), tuple(range(24, 32)), 1000.0)
    assert is_quantity(columns(payload), [tuple(range(24, 32))], low)
    # as a cut may have it: the selector's lowest bit laid to the copy
    assert is_quantity(columns(payload), [(*range(24, 32), 16), tuple(range(17, 20))], low)
    shuffled = payload.copy()
    shuffled[:, 3] = np.random.default_rng(1).permutation(payload[:, 3])
    assert not is_quantity(columns(shuffled), [tuple(range(24, 32))], low)
    pages = np.zeros((600, 8), np.uint8)
    pages[:, 0] = np.random.default_rng(2).integers(0, 4, 600)
    pages[:, 1] = 20 + 50 * pages[:, 0]  # four levels in the order of their pages
    assert not is_quantity(columns(pages), [tuple(range(8, 16))], FoundMux((0, 1), (0, 1, 2, 3), (8,), 1000.0))


def test_of_two_values_one_always_follows_the_other_and_that_is_no_order() -> None:
    two = FoundMux((0,), (0, 1), tuple(range(8, 24)), 1000.0)
    payload = np.zeros((600, 3), np.uint8)
    payload[:, 0] = np.random.default_rng(3).integers(0, 2, 600)
    assert not takes_turns(columns(payload), two)
    payload[:, 0] = np.arange(600) % 2
    assert takes_turns(columns(payload), two)
    payload[:, 0] = np.arange(600) // 2 % 2  # each page twice
    assert takes_turns(columns(payload), two)


@pytest.mark.parametrize("lost", [0.0, 0.01])
def test_two_pages_that_take_turns_and_never_change_are_pages(lost: float) -> None:
    page = np.arange(400)[np.random.default_rng(5).random(400) >= lost] % 2
    contents = np.array([[0, 0, 0x67, 0x8A, 0x0F, 0x82, 0, 0], [1, 0x81, 0x6D, 0x1F, 0x13, 0, 0, 0]], np.uint8)
    payload = contents[page]
    payload[:, 6] = 7 + np.arange(len(page)) // 40  # what stands beside the pages
    found = study(columns(payload)).mux
    assert found is not None
    assert found.positions == (0,)
    assert {p >> 3 for p in found.decides} == {1, 2, 3, 4, 5}


def test_a_heartbeat_and_a_flag_that_turns_with_it_are_no_pages() -> None:
    payload = np.zeros((400, 8), np.uint8)
    payload[:, 0] = np.arange(400) % 2
    payload[:, 3] = np.where(np.arange(400) % 2, 0x55, 0xAA)
    payload[:, 5] = np.arange(400) % 2
    assert study(columns(payload)).mux is None


def pages_that_stand_still(rng: np.random.Generator, moves: bool) -> Bytes:
    """Six pages by a byte in an order of its own; bits 35 and 36 happen to be another number on nearly every page."""
    order = np.array([5, 3, 0, 2, 1, 4])
    contents = rng.integers(0, 256, (6, 8), dtype=np.uint8)
    contents[:, 4] = (np.array([0, 1, 2, 3, 0, 1]) << 3) | (rng.integers(0, 8, 6) << 5) | rng.integers(0, 8, 6)
    page = order[np.arange(900) % 6]
    payload: Bytes = contents[page]
    payload[:, 0] = page
    if moves:
        payload[:, 6] += (np.cumsum(rng.integers(-1, 2, 900)) & 15).astype(np.uint8)
    return payload


@pytest.mark.parametrize("moves", [False, True])
def test_contents_with_company_in_their_byte_do_not_pick_the_pages(moves: bool) -> None:
    for seed in range(4):
        found = study(columns(pages_that_stand_still(np.random.default_rng(seed), moves)))
        assert found.mux is not None
        assert found.mux.positions == (0, 1, 2)


def test_contents_that_go_round_with_the_selector_are_no_counter_and_no_check() -> None:
    rng = np.random.default_rng(5)
    page = np.array([2, 1, 3, 0])[np.arange(1200) % 4]
    contents = rng.integers(0, 256, (4, 8), dtype=np.uint8)
    contents[[2, 1, 3, 0], 2] = np.array([0, 1, 2, 3]) << 3  # in the order in which pages come: this counts
    payload: Bytes = contents[page]
    payload[:, 0] = page
    payload[:12, 2] = 255  # until there is a value
    payload[:, 5] = (rng.integers(0, 2, 1200).cumsum() & 127).astype(np.uint8)
    found = study(columns(payload))
    assert found.mux is not None
    assert found.mux.positions == (0, 1)
    assert {19, 20} <= set(found.mux.decides)
    assert not any(c.positions == (19, 20) for part in found.parts for c in part.counters)


def test_a_counter_that_keeps_its_own_step_is_none_of_the_contents() -> None:
    """The pages fall out of step once; the counter beside them never does."""
    rng = np.random.default_rng(5)
    at = np.arange(1200) + (np.arange(1200) >= 1190)
    page = np.array([2, 1, 3, 0])[at % 4]
    payload = rng.integers(0, 256, (4, 8), dtype=np.uint8)[page]
    payload[:, 0] = page
    payload[:, 6] = np.arange(1200) % 4
    payload[:, 5] = (rng.integers(0, 2, 1200).cumsum() & 127).astype(np.uint8)
    found = study(columns(payload))
    assert found.mux is not None
    assert found.mux.positions == (0, 1)
    assert any(c.positions == (48, 49) for part in found.parts for c in part.counters)


@pytest.mark.parametrize("company", [34, 48])
def test_of_two_that_count_in_step_the_one_near_the_check_stays_a_counter(company: int) -> None:
    """Whichever of the two stands alone in its byte."""
    rng = np.random.default_rng(7)
    page = np.arange(1200) % 4
    payload = np.zeros((1200, 8), np.uint8)
    for byte in (1, 2):  # a quantity on each page
        walks = rng.integers(20, 230, 4) + np.cumsum(rng.integers(-1, 2, (1200, 4)), axis=0)
        payload[:, byte] = walks[np.arange(1200), page]
    payload[:, 4], payload[:, 6] = page << 2, page
    payload[:, company >> 3] |= (rng.integers(0, 16, 4)[page] << 4).astype(np.uint8)
    payload[:, 7] = payload[:, :7].sum(axis=1) & 255
    found = study(columns(payload))
    assert found.mux is not None
    assert (found.mux.positions, found.mux.beside) == ((34, 35), (48, 49))
    assert [c.positions for part in found.parts for c in part.counters] == [(48, 49)]


def test_what_a_counter_may_pick_is_no_surer_than_that_it_counts() -> None:
    page = np.arange(800) % 4
    payload = np.random.default_rng(6).integers(0, 256, (4, 8), dtype=np.uint8)[page]
    payload[:, 0] = page
    payload[:, 7] = np.arange(800) // 3 % 251
    frames = columns(payload)
    counters = [c for c in find_counters(frames) if c.positions == (0, 1)]
    (counter,) = counter_fields(counters, [], frames)
    assert counter.evidence["note"] == MAY_PICK
    assert {p >> 3 for p in counter.evidence["picks"]} == set(range(1, 7))

    def plain(start: int, mux: tuple[str, int] | None = None) -> FoundField:
        return FoundField(f"field_{start}_8", Layout(start, 8), "analogue", 0.99, 0.99, mux=mux)

    selector = FoundField("mux_56", Layout(56, 8), "mux", 0.9, 0.9)
    fields = [counter, selector, plain(16), plain(56), plain(8, ("mux_56", 3))]
    assert [surest(f, fields) for f in fields[2:]] == [counter.layout_confidence, MOST, 0.9]
    assert counter.layout_confidence <= 0.7
    found = fields_of_study(study(frames), vehicle_order([]))
    assert all(f.layout_confidence <= surest(f, found) for f in found)


def test_a_selector_across_two_copies_is_the_ends_of_both() -> None:
    """A quantity and a finer copy beside it, most significant bits first: bits of both at once decide both."""
    rng = np.random.default_rng(8)
    coarse = 200 + 4 * rng.integers(-15, 16, 600)
    word = coarse << 14 | (15 * coarse + 4000)
    payload = np.zeros((600, 8), np.uint8)
    for byte, shift in ((3, 20), (4, 12), (5, 4)):
        payload[:, byte] = word >> shift & 255
    payload[:, 6] = (word & 15) << 4
    across = FoundMux((33, 34, 35, 36, 37), tuple(range(32)), tuple(range(44, 48)), 1000.0)
    cut = [(*range(34, 40), *range(24, 32)), (*range(52, 56), *range(40, 48), 32, 33)]
    assert is_quantity(columns(payload), cut, across)
    assert not is_quantity(columns(np.random.default_rng(9).permuted(payload, axis=0)), cut, across)


def two_that_pick(rng: np.random.Generator, aside: bool) -> Bytes:
    """Three pages by turns; on every one of them two further bits stand still, and go round with the selector."""
    page = np.arange(900) % 3
    payload = np.zeros((900, 8), np.uint8)
    walks = np.array([40, 120, 200]) + np.cumsum(rng.integers(-1, 2, (900, 3)), axis=0)
    for byte in (2, 3, 5):
        payload[:, byte] = walks[np.arange(900), page] ^ byte
    payload[:, 0] = page
    payload[:, 4] = page + 1 << 1 if not aside else page << 6
    if not aside:
        payload[:, 4] |= ((rng.integers(0, 2, 900).cumsum() & 7) << 5 | rng.integers(0, 2, 900)).astype(np.uint8)
    return payload


@pytest.mark.parametrize("aside", [False, True])
def test_what_follows_contents_that_count_may_be_what_picks_the_pages(aside: bool) -> None:
    """Where the others stand alone too, it is by habit that what begins a nibble is the selector: never sure."""
    frames = columns(two_that_pick(np.random.default_rng(10), aside))
    found = study(frames)
    assert found.mux is not None
    assert found.mux.positions == (0, 1)
    assert found.mux.by_habit == aside
    (selector,) = [f for f in fields_of_study(found, vehicle_order([])) if f.kind == "mux"]
    assert (selector.confidence <= BY_HABIT) == aside


def test_contents_that_divide_the_pages_further_are_no_selector() -> None:
    """One page holds either of two sets of values, in turn as if at random; which, three of its own bits tell."""
    rng = np.random.default_rng(11)
    page = np.arange(1200) % 4
    payload = np.zeros((1200, 8), np.uint8)
    payload[:, 0] = page
    which = page + (rng.random(1200) < 0.4) * (page == 3)
    for byte in (2, 3, 4, 5):
        jitter = np.cumsum(rng.integers(-1, 2, (1200, 5)), axis=0) & 15
        levels = np.array([16, 64, 128, 192, 224]) if byte == 2 else rng.integers(0, 15, 5) * 16
        payload[:, byte] = (levels + jitter)[np.arange(1200), which]
    found = study(columns(payload))
    assert found.mux is not None
    assert found.mux.positions == (0, 1)
