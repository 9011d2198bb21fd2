"""A switch that moves together with its neighbours is parted from them by the channel that follows it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.guessing.guess import guess
from swapbridge.signalmap.findings import FoundField

Ints = npt.NDArray[np.int64]
PERIOD_S = 0.1
ROUNDS = 6


def climate() -> tuple[Capture, Ints]:
    """A compressor in the top bit of a byte whose fan goes up whenever it comes on; and the compressor over time."""
    rng = np.random.default_rng(4)
    on, fan = [], []
    for _ in range(ROUNDS):
        for state in (0, 1):
            frames = int(rng.integers(25, 60))
            on += [state] * frames
            fan += [int(rng.integers(5, 7)) if state else int(rng.integers(1, 4))] * (frames // 2)
            fan += [int(rng.integers(5, 7)) if state else int(rng.integers(1, 4))] * (frames - frames // 2)
    compressor = np.array(on)
    payload = np.zeros((len(on), 8), np.uint8)
    payload[:, 1] = compressor << 7 | np.array(fan)
    count = len(on)
    capture = Capture(
        time_ns=np.round(np.arange(count) * PERIOD_S * 1e9).astype(np.int64),
        identifier=np.full(count, 0x320, np.uint32),
        flags=np.zeros(count, np.uint8),
        bus=np.zeros(count, np.uint8),
        length=np.full(count, 8, np.uint8),
        payload=payload,
        bus_names=("host",),
        source="climate.log",
    )
    return capture, compressor


def told(value: Ints, late_s: float = 0.08) -> StimulusTrack:
    """Only changes, as a person marks them."""
    at = np.concatenate(([0], np.flatnonzero(np.diff(value)) + 1))
    channel = Channel("compressor", at * PERIOD_S + late_s, value[at].astype(np.float64), "", ())
    return StimulusTrack({"compressor": channel})


def claims(capture: Capture, track: StimulusTrack | None) -> dict[tuple[int, ...], FoundField]:
    fields = guess(capture, track).messages[0].fields
    return {f.layout.positions: f for f in fields}


def test_the_compressor_is_parted_from_the_fan() -> None:
    capture, compressor = climate()
    assert set(claims(capture, None)) == {tuple(range(8, 16))}
    found = claims(capture, told(compressor))
    assert {bits: f.stimulus for bits, f in found.items()} == {(8, 9, 10): None, (15,): "compressor"}
    assert found[15,].kind == "flag"
    assert found[15,].confidence > 0.8
    assert found[15,].scale == 1


def test_a_switch_that_reads_low_for_on_is_parted_too() -> None:
    capture, compressor = climate()
    found = claims(capture, told(1 - compressor))
    assert (found[15,].stimulus, found[15,].scale, found[15,].offset) == ("compressor", -1, 1)


def test_a_load_that_rises_with_the_compressor_stays_whole_beside_it() -> None:
    """The flag is set free by another channel's parting, and shows the compressor: the load is not cut for it too."""
    capture, compressor = climate()
    lamps = np.roll(compressor, 15)
    capture.payload[:, 1] = capture.payload[:, 1] >> 7 << 3 | lamps << 2 | capture.payload[:, 1] & 3
    fan = capture.payload[:, 1] & 3
    capture.payload[:, 4] = 4 * fan + 2 * compressor + (np.arange(len(fan)) > 300)
    before = {f.layout.positions for f in guess(capture, None).messages[0].fields}
    at = np.concatenate(([0], np.flatnonzero(np.diff(lamps)) + 1))
    channel = Channel("lamps", at * PERIOD_S + 0.05, lamps[at].astype(np.float64), "", ())
    track = StimulusTrack({"lamps": channel, **told(compressor).channels})
    after = {f.layout.positions for f in guess(capture, track).messages[0].fields}
    assert {b for b in before if b[0] >= 32} == {b for b in after if b[0] >= 32}
    assert {(10,), (11,)} <= after


@pytest.mark.parametrize("shift", [37, 90])
def test_a_channel_of_other_moments_parts_nothing(shift: int) -> None:
    capture, compressor = climate()
    assert set(claims(capture, told(np.roll(compressor, shift)))) == {tuple(range(8, 16))}


def test_two_presses_are_too_few_to_part_by() -> None:
    capture, compressor = climate()
    short = np.flatnonzero(np.diff(compressor))[2] + 1
    once = compressor.copy()
    once[short:] = 0
    assert set(claims(capture, told(once))) == {tuple(range(8, 16))}
