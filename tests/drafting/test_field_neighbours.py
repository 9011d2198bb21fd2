"""A field is no surer than the bits beside it: a code cut apart, a byte taken for a checksum, a carry."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import FrameKey
from swapbridge.core.integrity import Affine, Checksum
from swapbridge.core.layout import Layout
from swapbridge.drafting.building import _message
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.field_neighbours import capped_by_neighbours
from swapbridge.drafting.recorded_vehicle import VehicleMessage
from swapbridge.signalmap.findings import FoundField, FoundMessage

TIMES = np.arange(0, 100, 0.05)
KEY = FrameKey(0, 0x100, False)
Rows = np.ndarray[Any, np.dtype[np.uint8]]


def message(*columns: Any) -> VehicleMessage:
    payload = np.stack([np.asarray(c) for c in columns], axis=1).astype(np.uint8)
    moved = np.flatnonzero(np.ptp(np.unpackbits(payload, axis=1, bitorder="little"), axis=0))
    return VehicleMessage(
        KEY, "M_100", payload.shape[1], 0.05, TIMES, payload, (), None, None, frozenset(moved.tolist())
    )


def told(start: int, length: int, how: Any = "copy") -> Explained:
    return Explained(Layout(start, length), f"f_{start}_{length}", how, 0.0 if how == "open" else 0.98, "0", "0")


# --- codes


@pytest.mark.parametrize(
    ("late_s", "beside", "how", "most"),
    [(0.0, 1, "open", 0.5), (1.0, 1, "open", 0.98), (0.0, 2, "open", 0.98), (0.0, 1, "copy", 0.98)],
    ids=["never apart", "apart", "not side by side", "both told"],
)
def test_a_flag_that_never_changes_without_an_open_code_beside_it_may_be_a_part_of_it(
    late_s: float, beside: int, how: str, most: float
) -> None:
    """The lowest bit of an engine's state was claimed at 0.98; the state was right in 0.20 of an unseen drive."""
    flag = ((TIMES - late_s) // 20).astype(int) % 2
    code = (TIMES // 10).astype(int) % 4
    (one, _) = capped_by_neighbours(message(flag | code << beside), [told(0, 1), told(beside, 2, how)])
    assert one.confidence == most
    assert ("one code" in one.words) is (most == 0.5)


@pytest.mark.parametrize(("late_s", "most"), [(0.0, 0.5), (1.0, 0.98)], ids=["never apart", "apart"])
def test_a_flag_of_a_cut_code_may_be_a_part_of_it_though_the_open_bit_is_not_the_next(
    late_s: float, most: float
) -> None:
    """The lowest of a state's three flags was claimed at 0.98 and right in 0.40: the highest was open."""
    flag = ((TIMES - late_s) // 20).astype(int) % 2
    code = (TIMES // 10).astype(int) % 4
    (one, *_) = capped_by_neighbours(message(flag | code << 1), [told(0, 1), told(1, 1), told(2, 1, "open")])
    assert one.confidence == most


def test_two_flags_that_say_two_values_together_are_no_code() -> None:
    flag = (TIMES // 20).astype(int) % 2
    (one, _) = capped_by_neighbours(message(flag | flag << 1), [told(0, 1), told(1, 1, "open")])
    assert one.confidence == 0.98


def test_a_flag_beside_an_open_value_that_always_moves_is_left_alone() -> None:
    flag = (TIMES // 20).astype(int) % 2
    busy = np.arange(len(TIMES)) % 64
    (one, _) = capped_by_neighbours(message(flag | busy << 1), [told(0, 1), told(1, 6, "open")])
    assert one.confidence == 0.98


# --- checksums


@pytest.mark.parametrize(("still", "most"), [(False, 0.5), (True, 0.98)])
def test_an_xor_does_not_tell_which_byte_is_the_checksum(still: bool, most: float) -> None:
    """The low byte of a wheel speed was taken for the XOR of the others; the high byte alone was claimed at 0.95."""
    count = np.arange(len(TIMES)) % 16
    speed = np.maximum(0, 3000 * np.sin(TIMES / 10)).astype(int)
    other = (TIMES // 10).astype(int) if still else count ^ (speed >> 8) ^ (speed & 255)
    low = count ^ (speed >> 8) ^ other
    others = tuple(sum(1 << 8 * i + k for i in range(3)) for k in range(8))
    xor = Checksum(Layout(24, 8), Affine(8, others, 0, "XOR of the bytes"))
    sent = replace(message(other, count, speed >> 8, low), checksum=(xor, 0.99))
    made = capped_by_neighbours(sent, [told(0, 8, "open"), told(16, 8)])
    assert made[1].confidence == most
    assert ("f_0_8 may be the checksum" in made[1].words) is (most == 0.5)


# --- carries


@pytest.mark.parametrize("carried", [True, False])
def test_two_plain_carries_are_enough_to_join_a_top_bit(carried: bool) -> None:
    """A spark rose from 63 as the engine started: its top bit changed twice, was taken for a lamp and left lit."""
    value = 63 + np.clip(400 * np.sin(TIMES * np.pi / 100) - 100, 0, 40).astype(int)
    if not carried:
        value = np.where(value > 63, 64 | value - 60, 10)
    fields = (
        FoundField("value", Layout(0, 6), "analogue", 1.0, 1.0),
        FoundField("top", Layout(6, 1), "flag", 1.0, 1.0),
    )
    payload: Rows = value.astype(np.uint8)[:, None]
    found = _message(KEY, 1, TIMES, payload, FoundMessage(0x100, False, "host", 1, 50.0, len(TIMES), fields))
    assert found.fields[0].layout.positions[:7] == tuple(range(7 if carried else 6))
    assert len(found.fields) == (1 if carried else 2)
