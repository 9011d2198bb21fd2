"""Public groups of SAE J1939 in guess: known without a stimulus, on a bus that speaks it and on no other."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.guessing.guess import guess
from swapbridge.signalmap.accept import accept_findings
from swapbridge.signalmap.findings import FoundField
from tests.surveying.heavy import capture_of, heavy_frames, speed_at


def spn(fields: tuple[FoundField, ...], number: int) -> FoundField:
    return next(f for f in fields if f.evidence.get("spn") == number)


def test_public_parameters_need_no_stimulus() -> None:
    found = guess(capture_of(heavy_frames()))
    by_group = {m.group.name: m for m in found.messages if m.group is not None}
    speed = spn(by_group["EEC1"].fields, 190)
    assert (speed.layout.start, speed.layout.length, speed.layout.signed) == (24, 16, False)
    assert (speed.scale, speed.offset, speed.unit) == (0.125, 0.0, "rpm")
    assert speed.stimulus is None  # nothing was there to follow
    assert spn(by_group["ET1"].fields, 110).offset == -40
    for message in found.messages:
        bits = [p for f in message.fields for p in f.layout.positions]
        assert len(bits) == len(set(bits))


def test_a_channel_that_is_followed_stays_the_claim() -> None:
    capture = capture_of(heavy_frames(40))
    times = np.arange(0, 40, 0.2)
    track = StimulusTrack({"tacho": Channel("tacho", times + 1e9, np.array([speed_at(t) for t in times]), "rpm")})
    speed = spn(next(m for m in guess(capture, track).messages if m.group and m.group.name == "EEC1").fields, 190)
    assert speed.stimulus == "tacho"
    assert speed.confidence > 0.99


def test_the_same_payloads_under_private_identifiers_are_not_named() -> None:
    frames = [(at, word ^ 0x0300_0000, data) for at, word, data in heavy_frames()]
    found = guess(capture_of(frames))
    assert all(m.group is None for m in found.messages)
    assert not any(f.evidence.get("public") for m in found.messages for f in m.fields)


def test_accepted_into_a_map_with_names_roles_and_exact_scales() -> None:
    second = [(at, word + 49, b"\xf1" + data[1:]) for at, word, data in heavy_frames() if word >> 8 & 0xFFFF == 0xF003]
    findings = guess(capture_of(sorted([*heavy_frames(), *second])))
    accepted = accept_findings(findings).signal_map
    assert {m.name for m in accepted.messages} == {"EEC1", "EEC2", "EEC2_from_49", "ET1", "CCVS"}
    assert all(m.is_group for m in accepted.messages)
    assert [m.name for m in accepted.messages if m.own_sender] == ["EEC2", "EEC2_from_49"]
    engine = accepted.message("EEC1")
    assert engine is not None
    speed = engine.signal("EngineSpeed")
    assert speed is not None
    assert (speed.scale, speed.unit) == (Fraction(1, 8), "rpm")
    assert speed.role == "Vehicle.Powertrain.CombustionEngine.Speed"
    assert "SPN 190" in speed.comment
