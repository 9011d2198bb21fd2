"""J1939 on a bus: recognised by what the standard fixes, never on 11 bits, never on private 29-bit traffic."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.capture.write import write_capture
from swapbridge.cli.main import cli
from swapbridge.core import j1939
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.surveying.groups_heard import faults_heard, groups_heard
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.survey_report import group_rows
from tests.surveying.heavy import Frame, capture_of, heavy_frames, long_message

PRIVATE = st.integers(0, 0x1FFF_FFFF)


def test_public_groups_are_named_whatever_priority_and_address() -> None:
    frames = heavy_frames(engine=17, priority=2)
    found = {g.public.name: g for g in groups_heard(capture_of(frames)) if g.public is not None}
    assert set(found) == {"EEC1", "EEC2", "ET1", "CCVS"}
    assert {g.identifier.source for g in found.values()} == {17}
    assert {p.name for p in found["EEC1"].there} >= {"EngineSpeed", "ActualEngineTorque"}
    assert [p.name for p in found["ET1"].there] == ["CoolantTemperature"]


def test_what_is_not_available_all_along_is_not_there() -> None:
    word = j1939.Identifier(6, 0xFEF2, 49).word
    frames = [*heavy_frames(), *((k / 10, word, b"\xff" * 8) for k in range(100))]
    (fuel,) = [g for g in groups_heard(capture_of(frames)) if g.identifier.number == 0xFEF2]
    assert fuel.public is not None
    assert fuel.there == ()


def test_the_same_frames_with_11_bits_are_nothing() -> None:
    frames = [(at, word & 0x7FF, data) for at, word, data in heavy_frames()]
    assert groups_heard(capture_of(frames, extended=False)) == ()


def test_one_group_alone_is_no_j1939_bus() -> None:
    frames = [f for f in heavy_frames() if j1939.group_of(f[1])[0] == 0xF004]  # type: ignore[index]
    assert groups_heard(capture_of(frames)) == ()


def test_a_few_known_numbers_that_never_fit_are_no_j1939_bus() -> None:
    rng = np.random.default_rng(5)
    words = [j1939.Identifier(3, number, 0).word for number in (0xF004, 0xF003, 0xFEF1, 0xFEEE, 0xFEF2)]
    frames = [(k / 100, words[k % 5], rng.bytes(8)) for k in range(5000)]
    assert groups_heard(capture_of(frames)) == ()


@given(st.lists(PRIVATE, min_size=1, max_size=60, unique=True), st.integers(0, 2**32 - 1))
def test_private_29_bit_traffic_is_not_named(identifiers: list[int], seed: int) -> None:
    """Random identifiers with random and constant content."""
    rng = np.random.default_rng(seed)
    frames: list[Frame] = []
    for identifier in identifiers:
        data = [rng.bytes(8) if rng.random() < 0.5 else bytes(8) for _ in range(20)]
        frames += [(k / 10, EXTENDED_BIT | identifier, d) for k, d in enumerate(data)]
    assert groups_heard(capture_of(frames)) == ()


def test_a_scan_tool_in_29_bits_is_no_j1939_bus() -> None:
    frames = [(k / 10, EXTENDED_BIT | w, bytes(8)) for k in range(50) for w in (0x18DAF110, 0x18DB33F1)]
    assert groups_heard(capture_of(frames)) == ()


def test_dm1_is_read_in_one_frame_and_in_a_long_message() -> None:
    single = j1939.Identifier(6, j1939.DM1, 3).word
    body = bytes([0x04, 0xFF, 110, 0, 0x03, 1, 100, 0, 0x01, 2])  # warning lamp; SPN 110 FMI 3, SPN 100 FMI 1
    frames = [
        *heavy_frames(),
        (1.0, single, bytes([0x00, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF])),
        *long_message(2.0, 0, j1939.DM1, body),
        *long_message(4.0, 0, j1939.DM1, body),
    ]
    capture = capture_of(sorted(frames))
    said = faults_heard(capture, groups_heard(capture))
    assert [(f.source, f.words) for f in said] == [
        (0, "SPN 100 FMI 1 (below normal, most severe)"),
        (0, "SPN 110 FMI 3 (voltage high)"),
        (0, "warning lamp on"),
    ]
    assert all(1.9 < f.first_s < 2.5 and f.last_s > 3.9 for f in said)


@pytest.mark.parametrize("lost", [1, 2])
def test_a_long_message_with_a_frame_lost_says_nothing(lost: int) -> None:
    body = bytes([0x04, 0xFF, 110, 0, 0x03, 1, 100, 0, 0x01, 2])
    long = [f for k, f in enumerate(long_message(2.0, 0, j1939.DM1, body)) if k != lost]
    capture = capture_of(sorted([*heavy_frames(), *long]))
    assert faults_heard(capture, groups_heard(capture)) == ()


def test_survey_tells_groups_and_faults(tmp_path: Path) -> None:
    body = bytes([0x04, 0xFF, 110, 0, 0x03, 1, 0xFF, 0xFF])
    dm1 = j1939.Identifier(6, j1939.DM1, 0).word
    capture = capture_of(sorted([*heavy_frames(), *((1.0 + k, dm1, body) for k in range(5))]))
    found = survey(capture)
    assert len(found.groups) == 5
    assert found.to_dict()["j1939"]["faults"][0]["source"] == 0
    write_capture(capture, tmp_path / "drive.log")
    run = CliRunner().invoke(cli, ["survey", str(tmp_path / "drive.log"), "--json", str(tmp_path / "s.json")])
    assert run.exit_code == 0, run.output
    assert "engine speed" in run.output
    assert "SPN 110 FMI 3" in run.output
    assert json.loads((tmp_path / "s.json").read_text())["j1939"]["groups"]


def test_a_plain_bus_says_nothing_of_j1939() -> None:
    capture = capture_of([(k / 10, 0x123, bytes(8)) for k in range(20)], extended=False)
    assert survey(capture).groups == ()
    assert isinstance(capture, Capture)
    assert not (capture.flags & EXTENDED).any()


def test_the_names_that_claim_addresses_are_shown() -> None:
    name = j1939.J1939Name(identity=7, manufacturer=5, function=0, industry=2)
    claim = (0.0, j1939.Identifier(6, j1939.ADDRESS_CLAIMED, 0).word, name.data)
    found = survey(capture_of([claim, *heavy_frames(5)]))
    rows = {row[1]: row[-1] for row in group_rows(found)}
    assert rows["60928"] == "NAME with identity number 7, manufacturer code 5, function 0, industry group 2"
    said = [g["names"] for g in found.to_dict()["j1939"]["groups"] if g["group"] == j1939.ADDRESS_CLAIMED]
    assert said == [[f"{name.value:016X}"]]
