"""How a recording is laid out for drafting: names and units of channels, codes and lamps taken apart, exact numbers."""

from __future__ import annotations

import numpy as np
import pytest

from swapbridge.capture.capture import FrameKey
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.integrity import Counter
from swapbridge.core.layout import ByteOrder, Layout
from swapbridge.core.vocabulary import CHANNELS, channel_role
from swapbridge.drafting.building import (
    COUNTS,
    _apart,
    _counts,
    _message,
    _without_bottom,
    _without_leap,
    _without_top,
    runs_apart,
)
from swapbridge.drafting.channel_words import with_words_apart
from swapbridge.drafting.explain.flags import Watched, explain_flag
from swapbridge.drafting.explain.numbers import Measured, best_formula, fit_table
from swapbridge.drafting.lines import DraftLine
from swapbridge.drafting.recorded_vehicle import Vehicle, VehicleField, VehicleMessage, VehicleSeries, plain_track
from swapbridge.signalmap.findings import FoundField, FoundMessage

TIMES = np.arange(0, 100, 0.05)


def test_channels_are_known_by_what_they_measure() -> None:
    assert channel_role("rpm") == channel_role("Engine Speed") == "engine_speed"
    assert channel_role("turbine") == "turbine"
    names = [n for role, words in CHANNELS.items() for n in {role, *words}]
    assert len(names) == len(set(names)), "a name stands for one role"


def test_a_track_is_reckoned_in_one_unit() -> None:
    """212 degF is 100 degC; 10 mph is 16.09344 km/h (NIST SP 811)."""
    track = StimulusTrack({
        "coolant_temp": Channel("coolant_temp", np.array([0.0]), np.array([212.0]), "degF"),
        "vehicle_speed": Channel("vehicle_speed", np.array([0.0]), np.array([10.0]), "mph"),
        "lever": Channel("lever", np.array([0.0]), np.array([0.0]), "", ("P",)),
    })  # fmt: skip
    plain = plain_track(track).channels
    assert (plain["coolant_temperature"].value[0], plain["coolant_temperature"].unit) == (pytest.approx(100.0), "degC")
    assert (plain["vehicle_speed"].value[0], plain["vehicle_speed"].unit) == (pytest.approx(16.09344), "km/h")
    assert plain["lever"].texts == ("P",)


def message(payload: np.ndarray[tuple[int, int], np.dtype[np.uint8]], *fields: VehicleField) -> VehicleMessage:
    bits = np.unpackbits(payload, axis=1, bitorder="little")
    moved = frozenset(np.flatnonzero((bits != bits[:1]).any(axis=0)).tolist())
    key = FrameKey(0, 0x100, False)
    return VehicleMessage(key, "M_100", payload.shape[1], 0.05, TIMES, payload, fields, None, None, moved)


def coded(layout: Layout, kind: str = "choice") -> VehicleField:
    return VehicleField("f", layout, kind, layout.length, 0.9)  # type: ignore[arg-type]


def test_a_lever_beside_its_gear_is_cut_out_of_the_code() -> None:
    lever = (TIMES // 10).astype(int) % 4
    gear = np.where(lever == 3, 1 + (TIMES * 2).astype(int) % 5, 0)
    one = message((gear | lever << 3).astype(np.uint8)[:, None], coded(Layout(0, 5)))
    said = Channel("lever", TIMES, lever.astype(float), "", ("P", "R", "N", "D"))
    vehicle = Vehicle("host", {(0x100, False): one}, ((0.0, 100.0),), StimulusTrack({"lever": said}), 0.0)
    parts = with_words_apart(vehicle).messages[0x100, False].fields
    assert sorted(p.layout.positions for p in parts) == [(0, 1, 2), (3, 4)]


def test_codes_with_still_bits_between_are_two() -> None:
    runs = runs_apart(coded(Layout(0, 8)), frozenset({0, 1, 5, 6, 7}))
    assert [r.layout.positions for r in runs] == [(0, 1), (5, 6, 7)]
    assert len(runs_apart(coded(Layout(0, 4)), frozenset({0, 2, 3}))) == 1, "a code may leave one bit alone"


def test_a_flag_on_top_of_a_value_is_told_from_a_carry() -> None:
    value = (60 + 50 * np.sin(TIMES / 6)).astype(int)
    flag = ((TIMES % 25) < 4).astype(int)
    stacked = _without_top(coded(Layout(0, 8), "number"), (value | flag << 7).astype(np.uint8)[:, None])
    assert [p.layout.positions for p in stacked] == [tuple(range(7)), (7,)]
    carried = (128 + 100 * np.sin(TIMES / 3)).astype(np.uint8)[:, None]
    assert len(_without_top(coded(Layout(0, 8), "number"), carried)) == 1


def test_a_flag_below_a_value_that_seldom_moves_is_told_from_its_lowest_bit() -> None:
    """A warm needle moves a few dozen times in a recording. Of 32 changes a lowest bit sits out half."""
    value = np.minimum(TIMES * 0.8, 40).astype(int)
    lamp = ((TIMES > 30.3) & (TIMES < 33.4) | (TIMES > 70.2)).astype(int)
    found = _without_bottom(coded(Layout(0, 7), "number"), (value << 1 | lamp).astype(np.uint8)[:, None])
    assert [p.layout.positions for p in found] == [tuple(range(1, 7)), (0,)]
    plain = value.astype(np.uint8)[:, None]
    assert len(_without_bottom(coded(Layout(0, 6), "number"), plain)) == 1


def test_a_bit_that_stood_still_below_a_value_is_none_of_its_and_ends_no_search_for_flags() -> None:
    """A charge lamp two bits below a coolant was sent as its lowest bit: a still bit between hid it. Dark for 0.99."""
    value = np.minimum(20 + TIMES * 0.8, 95).astype(int)
    lamp = (TIMES < 12).astype(int)  # it changed once
    found = _without_bottom(
        coded(Layout(0, 9), "number"), (value << 2 | lamp).astype("<u2").view(np.uint8).reshape(-1, 2)
    )
    assert [p.layout.positions for p in found] == [tuple(range(2, 9)), (0,)]
    assert (found[0].scale, found[0].offset) == (4.0, 0.0)
    value = value // 2
    for ones, offset in ((0, 0.0), (1, 0.0), (3, 4.0)):  # no more than half a step is how a fit was rounded
        (still,) = _without_bottom(coded(Layout(0, 8), "number"), (value << 2 | ones).astype(np.uint8)[:, None])
        assert (still.layout.positions, still.scale, still.offset) == (tuple(range(2, 8)), 4.0, offset)


def test_what_lies_above_a_still_bit_is_no_part_of_the_value_below() -> None:
    """A request's switch above a torque, one still bit between, was taken for the top of the torque."""
    asks = (TIMES % 30) < 3
    value = np.where(asks, (TIMES * 7).astype(int) % 30, 63)
    payload = (value | asks.astype(int) << 7).astype(np.uint8)[:, None]
    moved = frozenset({0, 1, 2, 3, 4, 5, 7})
    parts = _without_leap(coded(Layout(0, 8), "number"), moved)
    assert [(p.kind, p.layout.positions) for p in parts] == [("number", tuple(range(6))), ("flag", (7,))]
    assert len(_without_leap(coded(Layout(0, 6), "number"), moved)) == 1
    assert payload.max() > 128


def test_what_stands_still_in_every_other_frame_is_no_counter() -> None:
    """Bits of an XOR byte were called a counter; whoever hears one that stands still throws the frame away."""
    slow, quick = ((np.arange(len(TIMES)) // n) % 8 for n in (2, 1))
    assert _counts(TIMES, slow, Counter(0, 7)) < COUNTS <= _counts(TIMES, quick, Counter(0, 7))


def test_every_flag_below_a_value_is_cut_from_it() -> None:
    """Of three lamps below a coolant only the lowest was cut off: another was dark for 0.97 of the time it was due."""
    value = (60 + 50 * np.sin(TIMES / 6)).astype(int)
    lamps = [((TIMES + late) % 40 < 3).astype(int) for late in (0.0, 11.3, 23.7)]
    payload = value << 3
    for weight, lamp in enumerate(lamps):
        payload |= lamp << weight
    rows = np.stack([payload & 255, payload >> 8], axis=1).astype(np.uint8)
    found = _without_bottom(coded(Layout(0, 10), "number"), rows)
    assert sorted(p.layout.positions for p in found) == [(0,), (1,), (2,), tuple(range(3, 10))]


@pytest.mark.parametrize(("order", "above"), [("big_endian", 0), ("little_endian", 16)])
def test_a_value_within_a_byte_goes_on_as_its_neighbours_do(order: ByteOrder, above: int) -> None:
    """A needle of 8 bits, 7 of which moved within one byte, ended there: a boiling engine left it in the middle."""
    needle = np.minimum(TIMES.astype(int), 100)
    speed = (3000 + 2900 * np.sin(TIMES / 5)).astype(int)
    first, last = (speed & 255, speed >> 8) if order == "little_endian" else (speed >> 8, speed & 255)
    payload = np.stack([0 * needle, needle << 1, 0 * needle, first, last], axis=1).astype(np.uint8)
    beside = Layout(24, 13) if order == "little_endian" else Layout(28, 13, "big_endian")
    fields = (
        FoundField("needle", Layout(9, 7), "analogue", 1.0, 1.0),
        FoundField("speed", beside, "analogue", 1.0, 1.0),
    )
    told = FoundMessage(0x100, False, "host", 5, 50.0, len(TIMES), fields)
    found = _message(FrameKey(0, 0x100, False), 5, TIMES, payload, told)
    assert found.fields[0].layout.positions[:8] == (*range(9, 16), above)


def line(values: np.ndarray[tuple[int], np.dtype[np.float64]], name: str = "x") -> DraftLine:
    return DraftLine(f"d.M.{name}", f"d.M.{name}", "", VehicleSeries(TIMES, values), 0.5, name, name)


def test_a_needle_that_rests_in_the_middle_is_a_table() -> None:
    """A steep needle passes its bends quickly: they are found though most of the drive is spent on the flat."""
    coolant = np.round(20 + 72 * (1 - np.exp(-TIMES / 12)) * 2) / 2
    needle = np.round(np.interp(coolant, [20, 50, 78, 104], [0, 20, 50, 50]) * 2)
    table = fit_table(Measured(TIMES, needle), line(coolant))
    assert table.share > 0.99


def test_coefficients_are_no_longer_than_they_matter() -> None:
    """Long decimals would leave 64 bits in exact arithmetic: none has more digits than a fiftieth of a step needs."""
    rng = np.random.default_rng(1)
    x, y = (np.cumsum(rng.normal(0, 40, len(TIMES))) + 3000 for _ in range(2))
    found = best_formula(Measured(TIMES, np.round(0.0123456 * x + 0.0000341 * x * y)), [line(x, "x"), line(y, "y")])
    numbers = [w.strip("()") for w in found.text.replace("*", " ").split() if w.strip("()").replace(".", "").isdigit()]
    assert found.held_out > 0.97
    assert all(len(n.partition(".")[2]) <= 9 for n in numbers)


def test_a_switch_seen_to_cross_once_does_not_flicker() -> None:
    """A slow value lingers where a flag once turned on: nothing says that it turns off a quarter step below."""
    warm = np.minimum(20 + TIMES, 90)
    best = explain_flag(Watched(TIMES, warm >= 70, 0.1), [], [line(warm)])[0]
    on, off = (float(v) for v in (best.atom.text or "")[:-1].split(", ")[1:])
    assert on == pytest.approx(70, abs=0.1)
    assert on - off > 1


def test_fields_of_pages_that_share_bits_are_one() -> None:
    pages = [
        coded(Layout(8, 7, "little_endian")),
        coded(Layout(8, 7, "little_endian")),
        coded(Layout(8, 4, "little_endian")),
    ]
    beside = coded(Layout(16, 9, "little_endian"))
    assert [one.layout.length for one in _apart([*pages, beside])] == [7, 9]


def test_an_expression_that_nothing_can_judge_is_never_cheap() -> None:
    measured = Measured(TIMES, np.sin(TIMES))
    assert measured.price(np.zeros(0), 1.0) == np.inf
    assert np.isfinite(measured.price(np.zeros(5), 1.0))
