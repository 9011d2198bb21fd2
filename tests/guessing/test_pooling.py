"""Several captures laid end to end, and widening through still bits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.guessing.meaning.meaning import attach_meaning
from swapbridge.guessing.meaning.pooling import pool
from swapbridge.guessing.meaning.top_bits import add_top_bits
from swapbridge.signalmap.findings import FoundField


def test_evidence_adds_up(vehicle: Callable[..., Any]) -> None:
    """Two short drives say together what neither says alone: the pooled claim is at least as sure as the surer one."""
    a, b = vehicle(seed=21, seconds=24.0), vehicle(seed=22, seconds=24.0)
    later = replace(b.capture, time_ns=b.capture.time_ns + 9_000_000_000_000)
    told = {k: replace(c, time_s=c.time_s + 9000) for k, c in b.stimulus.channels.items()}
    joined, track = pool([a.capture, later], [a.stimulus, StimulusTrack(told)])
    assert len(joined) == len(a.capture) + len(b.capture)
    assert (np.diff(joined.time_ns) >= 0).all()
    assert joined.duration_s == pytest.approx(a.capture.duration_s + b.capture.duration_s + 5, abs=0.1)
    rows = dict(joined.groups())
    pooled_fields = [replace(m, rows=rows[m.key]) for m in a.fields]

    def sureness(fields: Any, capture: Capture, stimulus: Any) -> float:
        messages, _, _ = attach_meaning(fields, capture, stimulus)
        return next(f.confidence for m in messages for f in m.fields if f.name == "coolant")

    alone = max(sureness(a.fields, a.capture, a.stimulus), sureness(b.fields, b.capture, b.stimulus))
    assert sureness(pooled_fields, joined, track) >= alone - 0.02


def test_a_field_must_fit_in_all(vehicle: Callable[..., Any]) -> None:
    """A field that follows in one drive and carries something else in the other is not believed."""
    a = vehicle(seed=23, seconds=30.0)
    b = vehicle(seed=24, seconds=30.0)
    other = replace(b.capture, payload=b.capture.payload.copy())
    engine = other.identifier == 0x100
    other.payload[engine, :2] = np.roll(other.payload[engine, :2], int(engine.sum()) // 3, axis=0)
    joined, track = pool([a.capture, other], [a.stimulus, b.stimulus])
    rows = dict(joined.groups())
    messages, _, _ = attach_meaning([replace(m, rows=rows[m.key]) for m in a.fields], joined, track)
    spoiled = next(f for m in messages for f in m.fields if f.name == "speed_of_engine")
    assert spoiled.stimulus is None or spoiled.confidence < 0.5


def test_words_units_and_buses_are_joined() -> None:
    """Words keep their meaning though their order of appearance differs; buses are told apart by name."""
    empty = np.zeros(0)
    a = replace(Capture(*one_frame(0)), bus_names=("engine",))
    b = replace(Capture(*one_frame(10**12)), bus_names=("body",))
    lever = [
        StimulusTrack({"lever": Channel("lever", np.array([0.0]), np.array([0.0]), "", ("P",))}),
        StimulusTrack({"lever": Channel("lever", np.array([1000.0, 1000.0]), np.array([0.0, 1.0]), "", ("R", "P"))}),
    ]
    joined, track = pool([a, b], lever)
    assert joined.bus_names == ("engine", "body")
    assert joined.bus.tolist() == [0, 1]
    assert track is not None
    channel = track.channels["lever"]
    assert [channel.texts[int(v)] for v in channel.value] == ["P", "R", "P"]
    assert pool([a], [None]) == (a, None)
    assert len(empty) == 0


def one_frame(time_ns: int) -> tuple[Any, ...]:
    zero = np.zeros(1, np.uint8)
    return np.array([time_ns], np.int64), np.array([5], np.uint32), zero, zero, zero + 8, np.zeros((1, 8), np.uint8)


def test_what_does_not_belong_together_is_refused() -> None:
    """Another number of stimulus tracks, two units, words against numbers."""
    a, b = Capture(*one_frame(0)), Capture(*one_frame(10**12))
    with pytest.raises(InputError, match="give one for every capture"):
        pool([a, b], [None])

    def track(at: float, unit: str, texts: tuple[str, ...] = ()) -> StimulusTrack:
        return StimulusTrack({"x": Channel("x", np.array([at]), np.array([0.0]), unit, texts)})

    with pytest.raises(InputError, match="give it one unit"):
        pool([a, b], [track(0.0, "kPa"), track(1000.0, "bar")])
    with pytest.raises(InputError, match="words in one"):
        pool([a, b], [track(0.0, "", ("on",)), track(1000.0, "")])


def test_widening_stops_at_bytes_neighbours_and_moving_bits() -> None:
    """Still, unclaimed bits up to the end of the byte are taken, and what stands at one is told."""
    payload = np.zeros((50, 8), np.uint8)
    payload[:, 0] = 0b1010_0000 | (np.arange(50) % 16).astype(np.uint8)
    payload[:, 1] = (np.arange(50) % 2).astype(np.uint8) << 6
    field = FoundField("a", Layout(0, 4), "analogue", 1.0, 1.0)
    wide = add_top_bits(field, [field], payload, 8)
    assert wide is not None
    assert (wide.layout, wide.added, wide.raw_added) == (Layout(0, 8), 4, 0b1010_0000)
    neighbour = FoundField("b", Layout(6, 1), "flag", 1.0, 1.0)
    shorter = add_top_bits(field, [field, neighbour], payload, 8)
    assert shorter is not None
    assert shorter.layout == Layout(0, 6)
    in_motion = FoundField("c", Layout(8, 4), "analogue", 1.0, 1.0)
    stopped = add_top_bits(in_motion, [in_motion], payload, 8)
    assert stopped is not None
    assert stopped.layout == Layout(8, 6)
    big = FoundField("d", Layout(17, 10, "big_endian"), "analogue", 1.0, 1.0)
    wider = add_top_bits(big, [big], np.zeros((9, 8), np.uint8), 8)
    assert wider is not None
    assert wider.layout == Layout(23, 16, "big_endian")
    signed = FoundField("e", Layout(0, 4, signed=True), "analogue", 1.0, 1.0)
    assert add_top_bits(signed, [signed], payload, 8) is None
