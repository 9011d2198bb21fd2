"""Cutting payloads: the shortest path is exact, planted layouts are found, irrelevant changes change nothing."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import Capture
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import make_columns, sample_pairs
from swapbridge.guessing.coding.candidates import find_candidates, random_grid
from swapbridge.guessing.coding.codelength import adaptive_bits, candidate_bits, last_turn, step_class
from swapbridge.guessing.coding.history_costs import LITTLE
from swapbridge.guessing.guess import find_layouts
from swapbridge.guessing.layout.cut import OrderPrices, best_cut, cut_bits
from swapbridge.guessing.layout.kinds import is_signed
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.guessing.layout.orders import cut_of
from swapbridge.guessing.layout.study import study


def load_planted() -> ModuleType:
    path = Path(__file__).with_name("planted.py")
    spec = importlib.util.spec_from_file_location("guess_planted_layouts", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


planted = load_planted()


def one_message(*fields: tuple[Layout, np.ndarray]) -> np.ndarray:
    bits = np.zeros((len(fields[0][1]), 64), np.uint8)
    for layout, raw in fields:
        planted.write_field(bits, layout, raw)
    return np.packbits(bits, axis=1, bitorder="little")


def columns_of(payload: np.ndarray, period_ns: int = 10_000_000):  # type: ignore[no-untyped-def]
    n = len(payload)
    return make_columns(0x123, False, np.arange(n) * period_ns, np.full(n, payload.shape[1], np.uint8), payload)


def shapes(capture: Capture) -> dict[int, set[tuple[tuple[int, ...], str]]]:
    return {m.key.identifier: {(f.layout.positions, f.kind) for f in m.fields} for m in find_layouts([capture])}


def test_the_period_is_a_time_even_where_frames_stand_in_any_order() -> None:
    time_ns = np.array([5, 4, 3, 2, 1, 3, 0, 2]) * 10_000_000
    columns = make_columns(0x123, False, time_ns, np.full(8, 1, np.uint8), np.zeros((8, 1), np.uint8))
    assert columns.period_ns == 20_000_000


def test_adaptive_code_is_the_product_of_its_predictions() -> None:
    # Krichevsky and Trofimov 1981: each symbol predicted with (count + 1/2) / (seen + K/2)
    sequence = [0, 0, 2, 1, 0, 2, 2]
    counts, bits = np.zeros(3), 0.0
    for symbol in sequence:
        bits -= np.log2((counts[symbol] + 0.5) / (counts.sum() + 1.5))
        counts[symbol] += 1
    assert adaptive_bits(counts) == pytest.approx(bits)


@given(st.lists(st.integers(-(2**62), 2**62), min_size=1, max_size=30), st.integers(1, 64))
def test_step_classes_agree_with_plain_arithmetic(steps: list[int], length: int) -> None:
    got = step_class(np.array(steps, np.int64).view(np.uint64), np.array([length]))[0]
    for step, size in zip(steps, got.tolist(), strict=True):
        small = step % 2**length
        if small >= 2 ** (length - 1):
            small -= 2**length
        assert (size > 0) - (size < 0) == (small > 0) - (small < 0)
        if abs(small) < 2**50:  # beyond, single steps round to their neighbour's class
            octave = abs(small).bit_length()
            assert (abs(size) + 1) // 2 + (abs(size) > 1) - 0 == octave or abs(size) == (
                octave if octave < 2 else 2 * octave - 2 + (abs(small) >> (octave - 2) & 1)
            )


def test_shortest_path_is_as_short_as_the_best_of_all_cuts() -> None:
    rng = np.random.default_rng(3)
    payload = rng.integers(0, 2, (60, 1)).astype(np.uint8) * 3 + (np.arange(60)[:, None] // 9 % 2 * 8).astype(np.uint8)
    columns = columns_of(payload.astype(np.uint8))
    live, fixed = columns.live, np.zeros(8, bool)
    candidates = find_candidates(sample_pairs(columns, 1000), live, fixed, thorough=True)
    best = cut_bits(candidates, live, fixed, OrderPrices())
    bits = np.flatnonzero(live).tolist()
    chosen = {tuple(f.positions) for f in best_cut(candidates, live, fixed, OrderPrices(), 0.3)}
    # every way to put borders between live bits, each priced by forcing exactly those fields
    prices = {}
    for pattern in range(2 ** (len(bits) - 1)):
        borders = [0, *[i + 1 for i in range(len(bits) - 1) if pattern >> i & 1], len(bits)]
        wanted = {tuple(range(bits[a], bits[b - 1] + 1)) for a, b in pairwise(borders)}
        keep = np.array([candidates.positions(i) in wanted for i in range(len(candidates.cost))])
        prices[frozenset(wanted)] = cut_bits(candidates.select(keep), live, fixed, OrderPrices())
    assert min(prices.values()) == pytest.approx(best)
    assert prices[frozenset(chosen)] == pytest.approx(best)


def test_a_smooth_field_costs_more_when_cut_or_read_in_the_other_order() -> None:
    rng = np.random.default_rng(5)
    raw = (20_000 + np.cumsum(rng.integers(-90, 91, 800))).astype(np.int64)
    columns = columns_of(one_message((Layout(7, 16, "big_endian"), raw))[:, :2])
    live, fixed = columns.live, np.zeros(16, bool)
    candidates = find_candidates(sample_pairs(columns, 1000), live, fixed, thorough=True)
    (field,) = best_cut(candidates, live, fixed, OrderPrices(), 0.3)
    assert field.positions == tuple(p for p in Layout(7, 16, "big_endian").positions if live[p])
    assert field.probability > 0.5
    little = candidates.select(candidates.order == LITTLE)
    assert cut_bits(little, live, fixed, OrderPrices()) > cut_bits(candidates, live, fixed, OrderPrices()) + 100


@pytest.mark.parametrize("seed", [1, 2])
def test_planted_layouts_are_found(seed: int) -> None:
    world = planted.plant(seed, messages=4, frames=900)
    right = wanted = found = 0
    for message in find_layouts([world.capture]):
        payload = world.capture.payload[message.rows]
        live = np.unpackbits(np.bitwise_or.reduce(payload ^ payload[:1], axis=0), bitorder="little").astype(bool)
        truth = {planted.seen_positions(layout, live): kind for kind, layout in world.truth[message.key.identifier]}
        truth.pop((), None)
        got = {planted.seen_positions(f.layout, live): f.kind for f in message.fields}
        right += len(set(truth) & set(got))
        wanted, found = wanted + len(truth), found + len(got)
        exact = {"counter", "checksum", "mux"}
        assert {p for p, k in got.items() if k in exact} == {p for p, k in truth.items() if k in exact}
    assert 2 * right / (wanted + found) > 0.92


def test_shuffled_identifiers_a_constant_bus_and_a_later_clock_change_nothing() -> None:
    capture = planted.plant(11, messages=3, frames=500).capture
    plain = shapes(capture)
    names = dict(zip(sorted(plain), [0x7A1, 0x011, 0x4B0], strict=True))
    moved = replace(
        capture,
        identifier=np.array([names[i] for i in capture.identifier.tolist()], np.uint32),
        bus=np.full(len(capture), 1, np.uint8),
        bus_names=("quiet", "busy"),
        time_ns=capture.time_ns + 86_400 * 10**9,
    )
    assert shapes(moved) == dict(zip((names[i] for i in plain), plain.values(), strict=True))


@given(st.integers(0, 56), st.integers(1, 8), st.booleans())
@settings(max_examples=60)
def test_raw_values_agree_with_one_frame_at_a_time(start: int, length: int, signed: bool) -> None:
    rng = np.random.default_rng(start * 100 + length)
    payload = rng.integers(0, 256, (20, 8), dtype=np.uint8)
    layout = Layout(start, length, "little_endian", signed)
    assert raw_values(payload, layout).tolist() == [layout.unpack(row.tobytes()) for row in payload]


def test_sign_shows_where_a_walk_crosses_zero_and_not_where_it_crosses_the_middle() -> None:
    walk = np.rint(40 * np.sin(np.arange(400) / 9)).astype(np.int64)
    follows = np.ones(400, bool)
    assert is_signed(walk % 256, follows, 8)
    assert not is_signed(walk + 128, follows, 8)


def test_flags_side_by_side_stay_apart_and_an_enumeration_stays_whole() -> None:
    rng = np.random.default_rng(8)
    n = 1200
    flags = [planted.switch(rng, n, 2) for _ in range(3)]
    lever = planted.switch(rng, n, 7)
    payload = one_message(*[(Layout(i, 1), raw) for i, raw in enumerate(flags)], (Layout(8, 3), lever))
    n_rows = len(payload)
    capture = Capture(
        np.arange(n_rows) * 10_000_000,
        np.full(n_rows, 0x200, np.uint32),
        np.zeros(n_rows, np.uint8),
        np.zeros(n_rows, np.uint8),
        np.full(n_rows, 8, np.uint8),
        payload,
    )
    assert {p for p, _ in shapes(capture)[0x200]} == {(0,), (1,), (2,), (8, 9, 10)}


def test_noise_about_a_level_next_to_a_power_of_two_stays_whole() -> None:
    rng = np.random.default_rng(12)
    level = np.rint(501 + rng.normal(0, 3.5, 1600)).astype(np.int64)  # 512 is crossed now and then
    upper = planted.switch(rng, 1600, 2)
    payload = one_message((Layout(1, 10, "big_endian"), level), (Layout(63, 1), upper))
    columns = columns_of(payload)
    assert {f.positions for f in cut_of(study(columns).parts[0], OrderPrices())} == {
        planted.seen_positions(Layout(1, 10, "big_endian"), columns.live),
        (63,),
    }


def test_two_fields_that_jump_at_the_same_moments_do_not_become_one_list_of_states() -> None:
    rng = np.random.default_rng(21)
    poses = rng.integers(0, 2**24, 8)
    word = poses[np.repeat(rng.integers(0, 8, 60), 25)].astype(np.uint64)
    weight = np.ones(len(word) - 2)
    low, both = candidate_bits(word[:-2], word[1:-1], word[2:], weight, np.array([16, 24])).tolist()
    high = word >> np.uint64(16)
    rest = candidate_bits(high[:-2], high[1:-1], high[2:], weight, np.array([8]))[0]
    assert both > low + rest


@pytest.mark.parametrize("rests", [(4, 4, 23), (4, 4, 36, 36, 23)])
def test_a_quantity_that_rests_between_two_codes_keeps_its_lowest_bit(rests: tuple[int, ...]) -> None:
    # a pedal at rest between 4 and 5: its lowest bit flips like a coin while the bits above stand still
    rng = np.random.default_rng(1)
    n = 1800
    rest = rng.choice(rests, n // 150)[np.arange(n) // 150]
    level = np.convolve(rest, np.ones(25) / 25, "same")
    raw = np.floor(np.where(abs(level - rest) < 1e-9, rest + (rng.random(n) > 0.5), level)).astype(np.int64)
    columns = columns_of(one_message((Layout(32, 7), raw)))
    assert [f.positions for f in cut_of(study(columns).parts[0], OrderPrices())] == [
        tuple(np.flatnonzero(columns.live))
    ]


def test_where_a_value_came_from_is_told_as_by_hand() -> None:
    rng = np.random.default_rng(4)
    values = rng.integers(0, 40, 60).astype(np.uint64)
    old, new = values[::2], values[1::2]
    lengths = np.array([4, 6])
    got = last_turn(old, new, lengths)
    for row, length in enumerate(lengths.tolist()):
        path: list[int] = []
        way = 0
        for a, b in zip(old.tolist(), new.tolist(), strict=True):
            for value in (a, b):
                step = (value - path[-1]) % 2**length if path else 0
                if step:
                    way = 1 if step < 2 ** (length - 1) else -1
                path.append(value)
                if len(path) % 2:
                    assert got[row, len(path) // 2] == way


def test_a_pair_of_bits_is_one_field_more_readily_where_a_byte_divides_into_pairs() -> None:
    rng = np.random.default_rng(6)
    pair = planted.switch(rng, 900, 4)

    def margin(low: int) -> float:
        cut = cut_of(study(columns_of(one_message((Layout(low, 2), pair)))).parts[0], OrderPrices())
        return next(f.margin for f in cut if f.positions == (low, low + 1))

    assert margin(2) > margin(3) + 0.5


def test_what_goes_on_by_fifteen_or_sixteen_codes_a_frame_is_one_field() -> None:
    # seen by size classes its nibbles are written shorter: one steps back by one or rests, the other goes on by one
    rng = np.random.default_rng(8)
    for layout in (Layout(24, 8), Layout(31, 12, "big_endian")):
        raw = (100 + np.cumsum(rng.choice([15, 16], 260, p=[0.6, 0.4]))) % (1 << layout.length)
        (part,) = study(columns_of(one_message((layout, raw)))).parts
        assert [f.positions for f in cut_of(part, OrderPrices())] == [layout.positions]


def test_a_bit_that_flips_by_lot_is_the_low_end_of_what_stands_above_it() -> None:
    # nine bits from bit 7 of a byte on: a flag and a whole byte are the commoner places
    rng = np.random.default_rng(9)
    layout = Layout(23, 9)
    away = np.zeros(316)
    for k in range(1, 316):
        away[k] = 0.8 * away[k - 1] + rng.normal(0, 24)
    raw = np.clip(np.rint(256 + away), 0, 511).astype(np.int64)
    (part,) = study(columns_of(one_message((layout, raw)))).parts
    assert [f.positions for f in cut_of(part, OrderPrices())] == [layout.positions]
    # one that rests between its flips is a flag as before
    flag = (Layout(23, 1), (np.searchsorted(np.sort(rng.integers(0, 316, 30)), np.arange(316)) & 1).astype(np.int64))
    (part,) = study(columns_of(one_message(flag, (Layout(24, 8), raw >> 1)))).parts
    assert (23,) in {f.positions for f in cut_of(part, OrderPrices())}


@pytest.mark.parametrize("seed", [13, 15, 18])
def test_bits_that_stay_where_those_above_them_jump_once_are_no_gap_in_a_quantity(seed: int) -> None:
    # a level that jumps once: each bit stays with a chance of one half, so dead ones in between say little
    rng = np.random.default_rng(seed)
    low = np.clip(9 + np.cumsum(rng.integers(-1, 2, 300)), 4, 15)
    columns = columns_of(one_message((Layout(8, 8), np.where(np.arange(300) < 200, low, 0b10000000 + (low ^ 9)))))
    (part,) = study(columns).parts
    (whole,) = cut_of(part, OrderPrices())
    assert whole.positions == tuple(range(8, 16))


@pytest.mark.parametrize("seed", [14, 15])
def test_low_bits_that_keep_to_a_coarse_grid_by_lot_are_the_end_of_what_stands_above_them(seed: int) -> None:
    # a sensor of 10/3 codes a step that steps far: its low nibble takes five values, in no order
    rng = np.random.default_rng(seed)
    level = np.cumsum(rng.normal(0, 120, 110))
    low = np.array([0, 4, 7, 10, 13])[rng.integers(0, 5, 110)]
    (part,) = study(
        columns_of(one_message((Layout(16, 16), 16 * np.rint(1000 + level - level.min()).astype(np.int64) + low)))
    ).parts
    assert len(cut_of(part, OrderPrices())) == 1
    # in few frames the other codes have merely not come yet
    words = (np.zeros(0, np.uint64), low[:60].astype(np.uint64), low[1:61].astype(np.uint64))
    assert random_grid(words, np.ones(60), 4) is False
    words = (np.zeros(0, np.uint64), low[:-1].astype(np.uint64), low[1:].astype(np.uint64))
    assert random_grid(words, np.ones(109), 4) is True
