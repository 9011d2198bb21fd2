"""Which field follows which channel, on an invented vehicle whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.layout import Layout
from swapbridge.guessing.meaning.meaning import attach_meaning
from swapbridge.guessing.meaning.word_channels import _right
from swapbridge.signalmap.findings import FoundField, FoundMessage

Build = Callable[..., Any]


def by_name(messages: tuple[FoundMessage, ...]) -> dict[str, FoundField]:
    return {f.name: f for m in messages for f in m.fields}


def test_every_follower_is_found_with_its_numbers(plain_vehicle: Any) -> None:
    """Channel, scale, offset and lag of every follower are right; nothing else claims with certainty."""
    messages, _, channels = attach_meaning(plain_vehicle.fields, plain_vehicle.capture, plain_vehicle.stimulus)
    found = by_name(messages)
    sure = {name: f.stimulus for name, f in found.items() if f.stimulus and f.confidence >= 0.8}
    assert sure == plain_vehicle.follows
    exact = {name: (f.scale, f.offset) for name, f in found.items() if name in plain_vehicle.follows}
    assert exact == {
        "speed_of_engine": (0.25, 0.0),
        "coarse": (25.0, 0.0),
        "pedal_a": (0.4, 0.0),
        "road": (0.01, 0.0),
        "coolant": (1.0, -40.0),
        "brake": (1.0, 0.0),
        "lever": (1.0, 0.0),
    }
    assert found["speed_of_engine"].lag_s == pytest.approx(0.17, abs=0.02)
    assert found["speed_of_engine"].unit == "rpm"
    assert found["lever"].evidence["choices"] == {"1": "P", "2": "R", "3": "N", "4": "D"}
    assert found["coarse"].copy_of == "100.speed_of_engine"
    assert channels["engine_speed"]["followers"] == 2


def test_every_claim_carries_its_evidence(plain_vehicle: Any) -> None:
    """Samples, held-out fit, lag, chance, runner-up and one plain sentence."""
    messages, _, _ = attach_meaning(plain_vehicle.fields, plain_vehicle.capture, plain_vehicle.stimulus)
    for field in by_name(messages).values():
        if field.stimulus and field.stimulus != "lever":
            assert {"samples", "r2_held_out", "lag_s", "chance", "runner_up", "words"} <= set(field.evidence)
            assert field.stimulus in field.evidence["words"]


@pytest.mark.parametrize("absent", ["engine_speed", "pedal", "vehicle_speed", "coolant_temp", "brake_switch", "lever"])
def test_a_channel_that_nobody_carries_is_claimed_by_nobody(vehicle: Build, absent: str) -> None:
    """Fields that merely move with a channel (throttle with pedal) claim it with less than 0.5."""
    world = vehicle(seed=5, absent=(absent,))
    messages, advice, _ = attach_meaning(world.fields, world.capture, world.stimulus)
    claims = [f.confidence for f in by_name(messages).values() if f.stimulus == absent]
    assert max(claims, default=0.0) < 0.5
    assert any(absent in sentence for sentence in advice)


@settings(max_examples=6, deadline=None)
@given(shift=st.integers(-400, 4_000_000).map(float), order=st.permutations(range(6)))
def test_names_and_clocks_change_nothing(plain_vehicle: Any, shift: float, order: list[int]) -> None:
    """Renaming channels permutes the claims; moving all times by the same amount leaves them as they are."""
    world = plain_vehicle
    names = sorted(world.stimulus.channels)
    renamed = {name: f"q{order[k]}" for k, name in enumerate(names)}
    units = {"engine_speed": "rpm", "pedal": "%", "vehicle_speed": "km/h", "coolant_temp": "degC"}
    told = {k: replace(c, unit=units.get(k, "")) for k, c in world.stimulus.channels.items()}
    before, _, _ = attach_meaning(world.fields, world.capture, StimulusTrack(told))
    moved = replace(world.capture, time_ns=world.capture.time_ns + int(shift * 1e9))
    after_told = {renamed[k]: replace(c, name=renamed[k], time_s=c.time_s + shift) for k, c in told.items()}
    after, _, _ = attach_meaning(world.fields, moved, StimulusTrack(after_told))
    for name, field in by_name(before).items():
        other = by_name(after)[name]
        assert other.stimulus == (renamed[field.stimulus] if field.stimulus else None)
        assert other.confidence == pytest.approx(field.confidence, abs=0.02)
        if field.confidence > 0.8:
            assert (other.scale, other.offset) == (field.scale, field.offset)


def noise_world(seed: int) -> tuple[Capture, list[Any], StimulusTrack]:
    """Twelve wandering fields and flags, and channels that have nothing to do with them."""
    from swapbridge.capture.capture import FrameKey
    from swapbridge.guessing.layout.message_fields import MessageFields

    rng = np.random.default_rng(seed)
    n, seconds = 900, 45.0
    payload = np.zeros((n, 8), np.uint8)
    fields = []
    for byte in range(6):
        tau = float(rng.choice([3, 20, 100, 400]))
        walk = (
            np.cumsum(rng.normal(0, 1, n))
            if rng.random() < 0.5
            else np.convolve(rng.normal(0, 1, n + int(4 * tau)), np.exp(-np.arange(int(4 * tau)) / tau), "valid")[:n]
        )
        payload[:, byte] = np.round((walk - walk.min()) / np.ptp(walk) * 250)
        fields.append(FoundField(f"walk_{byte}", Layout(8 * byte, 8), "analogue", 1.0, 1.0))
    for bit in range(6):
        payload[:, 6] |= (np.repeat(rng.random(n // 40 + 1) < 0.5, 40)[:n].astype(np.uint8)) << bit
        fields.append(FoundField(f"flag_{bit}", Layout(48 + bit, 1), "flag", 1.0, 1.0))
    time = np.arange(n) * seconds / n
    capture = Capture(
        (time * 1e9).astype(np.int64), np.full(n, 0x123, np.uint32), np.zeros(n, np.uint8), np.zeros(n, np.uint8),
        np.full(n, 8, np.uint8), payload,
    )  # fmt: skip
    at = np.arange(0.5, seconds, 0.15)
    slow, quick = np.cumsum(rng.normal(0, 1, len(at))), rng.normal(0, 20, len(at)).cumsum() % 90
    switch = np.repeat(rng.random(len(at) // 25 + 1) < 0.5, 25)[: len(at)].astype(float)
    ramp = np.round(20 + at * rng.uniform(0.1, 1))
    told = {"slow": slow, "quick": quick, "switch": switch, "ramp": ramp}
    track = StimulusTrack({name: Channel(name, at, value) for name, value in told.items()})
    message = MessageFields(FrameKey(0, 0x123, False), "0", np.arange(n), 8, 50.0, tuple(fields))
    return capture, [message], track


@pytest.mark.long
def test_noise_alone_is_never_sure() -> None:
    """200 seeded worlds of wandering fields and unrelated channels: no claim at 0.95."""
    worst = 0.0
    for seed in range(200):
        capture, fields, track = noise_world(seed)
        messages, _, _ = attach_meaning(fields, capture, track)
        worst = max(worst, max((f.confidence for f in by_name(messages).values() if f.stimulus), default=0.0))
    assert worst < 0.95


def test_noise_alone_is_never_sure_in_a_few_tries() -> None:
    """The same on ten seeds, for every run."""
    for seed in range(200, 210):
        capture, fields, track = noise_world(seed)
        messages, _, _ = attach_meaning(fields, capture, track)
        assert all(f.confidence < 0.95 for f in by_name(messages).values() if f.stimulus)


def test_an_executor_gives_the_same_answer(plain_vehicle: Any) -> None:
    """Where the work is done makes no difference."""
    alone = attach_meaning(plain_vehicle.fields, plain_vehicle.capture, plain_vehicle.stimulus)
    with ThreadPoolExecutor(2) as pool:
        shared = attach_meaning(plain_vehicle.fields, plain_vehicle.capture, plain_vehicle.stimulus, executor=pool)
    assert shared == alone


def test_without_a_stimulus_fields_come_back_as_they_were(plain_vehicle: Any) -> None:
    """No channels, no claims, no advice."""
    messages, advice, channels = attach_meaning(plain_vehicle.fields, plain_vehicle.capture, None)
    assert [m.fields for m in messages] == [m.fields for m in plain_vehicle.fields]
    assert (advice, channels) == ((), {})


def one_field(values: Any, layout: Layout, channel: Any, period: float = 0.02) -> FoundField:
    """Meaning of a single field that carries `values`."""
    from swapbridge.capture.capture import FrameKey
    from swapbridge.guessing.layout.message_fields import MessageFields

    n = len(values)
    payload = np.zeros((n, 8), np.uint8)
    for weight, position in enumerate(layout.positions):
        payload[:, position >> 3] |= (((values >> weight) & 1) << (position & 7)).astype(np.uint8)
    capture = Capture(
        (np.arange(n) * period * 1e9).astype(np.int64), np.full(n, 0x321, np.uint32), np.zeros(n, np.uint8),
        np.zeros(n, np.uint8), np.full(n, 8, np.uint8), payload,
    )  # fmt: skip
    unsigned = replace(layout, signed=False)
    message = MessageFields(
        FrameKey(0, 0x321, False),
        "0",
        np.arange(n),
        8,
        period * 1e3,
        (FoundField("x", unsigned, "analogue", 1.0, 1.0),),
    )
    messages, _, _ = attach_meaning([message], capture, StimulusTrack({channel.name: channel}))
    return messages[0].fields[0]


def moving(n: int, seed: int = 3) -> Any:
    rng = np.random.default_rng(seed)
    held = np.repeat(rng.uniform(0, 1, n // 150 + 1), 150)[:n]
    return np.convolve(held, np.ones(40) / 40, "same")


def told(name: str, value: Any, step: float, unit: str, lag: float = 0.15, period: float = 0.02) -> Channel:
    at = np.arange(1.0, (len(value) - 1) * period, 0.13)
    x = value[((at - lag) / period).astype(int)]
    return Channel(name, at, np.round(x / step) * step, unit)


def test_a_sign_is_seen_where_the_top_bit_moves() -> None:
    """A torque below zero read as unsigned is given its sign back."""
    torque = moving(3000) * 300 - 100
    field = one_field(
        np.round(torque * 2).astype(np.int64), Layout(0, 12, signed=True), told("torque", torque, 1, "Nm")
    )
    assert field.layout.signed
    assert (field.stimulus, field.scale, field.offset) == ("torque", 0.5, 0.0)


def test_not_available_codes_do_not_disturb_the_fit() -> None:
    """SAE J1939-71's 0xFFxx at the start of a recording (from memory) is no engine speed."""
    rpm = 700 + moving(3000) * 2000
    raw = np.round(rpm * 8).astype(np.int64)
    raw[:400] = 0xFFFF
    field = one_field(raw, Layout(0, 16), told("engine_speed", rpm, 0.25, "rpm"))
    assert (field.stimulus, field.scale, field.offset) == ("engine_speed", 0.125, 0.0)
    assert field.confidence > 0.9


def test_other_units_are_named() -> None:
    """Miles an hour on the bus, km/h from the tool: 1.609344 exactly (international mile)."""
    speed = moving(4000) * 110
    raw = np.round(speed / 1.609344 / 0.01).astype(np.int64)
    field = one_field(raw, Layout(0, 14), told("vehicle_speed", speed, 1, "km/h"))
    assert field.scale == pytest.approx(0.01609344, rel=1e-9)
    assert "mph" in field.evidence["scale_from"]


def test_still_top_bits_are_given_back() -> None:
    """A coolant field whose upper bits stand at one is widened to its byte, and its offset is -40 again."""
    coolant = 66 + moving(6000) * 20
    raw = np.round(coolant + 40).astype(np.int64)
    assert (raw >> 5 == 3).all()
    low = raw & 31
    layout = Layout(0, 5)
    channel = told("coolant_temp", coolant, 1, "degC")
    from swapbridge.capture.capture import FrameKey
    from swapbridge.guessing.layout.message_fields import MessageFields

    payload = np.zeros((len(raw), 8), np.uint8)
    payload[:, 0] = raw
    capture = Capture(
        (np.arange(len(raw)) * 2e7).astype(np.int64), np.full(len(raw), 1, np.uint32), np.zeros(len(raw), np.uint8),
        np.zeros(len(raw), np.uint8), np.full(len(raw), 8, np.uint8), payload,
    )  # fmt: skip
    message = MessageFields(
        FrameKey(0, 1, False), "0", np.arange(len(raw)), 8, 20.0, (FoundField("c", layout, "analogue", 1.0, 1.0),)
    )
    messages, _, _ = attach_meaning([message], capture, StimulusTrack({"coolant_temp": channel}))
    field = messages[0].fields[0]
    assert low.max() > 24
    assert (field.layout.length, field.scale, field.offset) == (8, 1.0, -40.0)
    assert field.evidence["top_bits_never_moved"] == 3


def test_low_bits_come_back_to_the_field_that_they_belong_to() -> None:
    """An engine speed cut in two by its noisy low bits is joined again; an unrelated neighbour below is not."""
    from swapbridge.capture.capture import FrameKey
    from swapbridge.guessing.layout.message_fields import MessageFields

    rng = np.random.default_rng(11)
    n = 3000
    rpm = 700 + moving(n) * 3000
    raw = np.round((rpm + rng.normal(0, 3, n)) * 4).astype(np.int64)
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 0], payload[:, 1] = raw & 255, raw >> 8
    payload[:, 2] = rng.integers(0, 256, n)
    payload[:, 3] = raw >> 8
    capture = Capture(
        (np.arange(n) * 2e7).astype(np.int64), np.full(n, 9, np.uint32), np.zeros(n, np.uint8), np.zeros(n, np.uint8),
        np.full(n, 8, np.uint8), payload,
    )  # fmt: skip
    cut = tuple(
        FoundField(name, Layout(start, length), "analogue", 0.9, 0.9)
        for name, start, length in (("low", 0, 6), ("high", 6, 10), ("chaff", 16, 8), ("coarse", 24, 8))
    )
    message = MessageFields(FrameKey(0, 9, False), "0", np.arange(n), 8, 20.0, cut)
    channel = told("engine_speed", rpm, 0.25, "rpm")
    messages, _, _ = attach_meaning([message], capture, StimulusTrack({"engine_speed": channel}))
    found = {f.layout.start: f for f in messages[0].fields}
    assert (found[0].layout.length, found[0].scale, found[0].offset) == (16, 0.25, 0.0)
    assert found[0].evidence["joined_with_low_bits"] == 6
    assert found[16].stimulus is None
    assert found[24].layout.length == 8
    assert found[24].scale == pytest.approx(64, rel=0.02)


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 3)), min_size=1, max_size=60))
def test_the_best_table_is_counted_as_sample_by_sample(pairs: list[tuple[int, int]]) -> None:
    """Each value stands for the word that it came with most often, and is charged one sample if it came at all."""
    right = 0
    for value in {v for v, _ in pairs}:
        said = [word for v, word in pairs if v == value]
        right += max(said.count(word) for word in said) - 1
    level, word = (np.array(column) for column in zip(*pairs, strict=True))
    assert _right(level, word, (6, 4)) == right / len(pairs)
