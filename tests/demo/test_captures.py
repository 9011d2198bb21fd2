"""The project's own captures and maps are what the seeded command makes, and hold what a practitioner's would."""

from __future__ import annotations

import gzip
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.demo.folder import (
    DEMO_SEED,
    DONOR_ALONE,
    DONOR_RUNNING,
    HOST_RUNNING,
    HOST_UNPLUGGED,
    RECORDINGS,
    demo_recordings,
    write_demo,
)
from swapbridge.demo.recording import DemoRecording
from swapbridge.demo.vehicle_maps import donor_map, host_map
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.decode import decode_columns, raw_columns
from swapbridge.signalmap.signal_map import SignalMap

TOP = Path(__file__).parent.parent.parent


@pytest.fixture(scope="module")
def recordings() -> dict[str, DemoRecording]:
    return dict(demo_recordings())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, recordings: dict[str, DemoRecording]) -> Path:
    """What `write_demo` writes of these recordings, which are not driven a second time for it."""

    def driven(name: str, seed: int) -> DemoRecording:
        assert seed == DEMO_SEED
        return recordings[name]

    path = tmp_path_factory.mktemp("demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("swapbridge.demo.folder.demo_recording", driven)
        write_demo(path)
    return path


def test_captures_are_the_seeded_commands_own(folder: Path) -> None:
    """Equal to the byte before compression, and small."""
    names = sorted(p.name for p in (TOP / "captures").iterdir() if p.name.startswith(("host", "donor")))
    assert names == sorted(p.name for p in (folder / "captures").iterdir())
    for name in names:
        kept, made = (TOP / "captures" / name).read_bytes(), (folder / "captures" / name).read_bytes()
        if name.endswith(".gz"):
            kept, made = gzip.decompress(kept), gzip.decompress(made)
        assert kept == made, name
    assert sum(p.stat().st_size for p in (TOP / "captures").iterdir()) < 3_000_000


def test_maps_at_the_top_are_the_demos() -> None:
    assert load_map(TOP / "signal_maps" / "brindle_host.dbc") == host_map()
    assert load_map(TOP / "signal_maps" / "tarnwick_donor.dbc") == donor_map()


def test_another_seed_is_another_drive(recordings: dict[str, DemoRecording]) -> None:
    name, other = next(demo_recordings(1))
    assert name == HOST_RUNNING
    assert len(other.capture) != len(recordings[name].capture)


def test_recordings_begin_and_end_asleep(recordings: dict[str, DemoRecording]) -> None:
    """Nothing for the first second and a half, all modules woken by then, key off and silence at the end."""
    for name, recording in recordings.items():
        key = recording.stimulus.channels["key"]
        assert key.texts[int(key.value[0])] == "off", name
        assert key.texts[int(key.value[-1])] == "off", name


@pytest.mark.parametrize(("name", "signal_map"), [(HOST_RUNNING, host_map()), (DONOR_RUNNING, donor_map())])
def test_frames_hold_their_counters_and_checksums(
    recordings: dict[str, DemoRecording], name: str, signal_map: SignalMap
) -> None:
    """Recomputed by the methods that the map states."""
    capture = recordings[name].capture
    checked = 0
    for message in signal_map.messages:
        rows = np.flatnonzero(capture.identifier == message.identifier)
        for signal in message.signals:
            if signal.checksum is not None:
                for row in rows[::101]:
                    assert signal.checksum.holds(capture.payload[row, : message.length].tobytes()), message.label
                    checked += 1
            if signal.counter is not None:
                raw = raw_columns(capture, signal_map, signals={(message.name, signal.name)})[
                    message.name, signal.name
                ].values.tolist()
                assert all(signal.counter.after(a) == b for a, b in pairwise(raw)), message.label
                checked += 1
    assert checked > 100


def test_periods_are_the_maps(recordings: dict[str, DemoRecording]) -> None:
    capture = recordings[HOST_RUNNING].capture
    for message in host_map().messages:
        times = capture.time_ns[capture.identifier == message.identifier]
        if message.period_ms is None:
            assert len(times) == 9  # three after each of three wakes
            assert times[2] - capture.time_ns[0] < 4e9
        else:
            assert float(np.median(np.diff(times))) / 1e6 == pytest.approx(float(message.period_ms), rel=0.02)


def test_unplugged_engine_computer_is_silent(recordings: dict[str, DemoRecording]) -> None:
    """What vanishes is what the engine module sent, no more and no less."""
    before, after = (set(recordings[n].capture.identifier.tolist()) for n in (HOST_RUNNING, HOST_UNPLUGGED))
    engine = {m.identifier for m in host_map().messages if "EngineModule" in m.senders}
    assert before - after == engine
    assert after < before


def test_donors_computer_alone_says_its_own_and_nothing_else(recordings: dict[str, DemoRecording]) -> None:
    """What is heard on a table is what the donor's engine computer sends, all of it, with its pedal moved."""
    alone = recordings[DONOR_ALONE]
    engine = {n.name for n in donor_map().nodes if n.kind == "engine"}
    own = {m.identifier for m in donor_map().messages if engine & set(m.senders)}
    assert set(alone.capture.identifier.tolist()) == own
    assert own < set(recordings[DONOR_RUNNING].capture.identifier.tolist())
    assert alone.stimulus.channels["pedal"].value.max() > 50
    assert alone.stimulus.channels["engine_speed"].value.max() == 0


def values_of(capture: Capture, signal_map: SignalMap, message: str, signal: str) -> np.ndarray:
    return decode_columns(capture, signal_map, signals={(message, signal)})[message, signal].values


def test_physics_is_plausible(recordings: dict[str, DemoRecording]) -> None:
    """Handbook-like ranges (common practice, no source): idle, warm coolant, overrun torque, a reduction a shift."""
    host, donor = recordings[HOST_RUNNING].capture, recordings[DONOR_RUNNING].capture
    rpm = values_of(host, host_map(), "EngineData", "EngineSpeed")
    assert rpm.min() == 0.0
    assert 3000 < rpm.max() < 6500
    assert 600 < np.median(rpm[(rpm > 400) & (rpm < 1000)]) < 900
    coolant = values_of(donor, donor_map(), "PCM_THERMAL", "Coolant")
    assert coolant[0] < 25
    assert 85 < np.median(coolant[-len(coolant) // 3 :]) < 105
    torque = values_of(host, host_map(), "EngineData", "ActualTorque")
    assert torque.min() < -15  # overrun
    for capture, signal_map, message in (
        (host, host_map(), "TransRequest"),
        (donor, donor_map(), "TCU_REQUEST"),
    ):
        active = values_of(capture, signal_map, message, "RequestActive")
        assert np.count_nonzero(np.diff(active) > 0) >= 4
    ack = values_of(donor, donor_map(), "PCM_FAST", "ReductionAck")
    assert np.count_nonzero(np.diff(ack) > 0) >= 4


def test_dial_is_not_linear(recordings: dict[str, DemoRecording]) -> None:
    """The old engine computer holds the needle at the middle over a wide band."""
    capture = recordings[HOST_RUNNING].capture
    coolant = values_of(capture, host_map(), "EngineTemps", "CoolantTemp")
    dial = values_of(capture, host_map(), "EngineTemps", "CoolantDial")
    middle = dial[(coolant > 180) & (coolant < 215)]
    assert len(middle) > 100
    assert set(middle.tolist()) == {50.0}
    assert len(set(dial[coolant < 170].tolist())) > 20


def test_files_are_read_back(folder: Path) -> None:
    """The host's stimulus is on the logger's clock, the donor's counts from the first frame: both are laid beside."""
    for name in RECORDINGS:
        capture = read_capture(folder / "captures" / f"{name}.log.gz")
        track = read_stimulus(folder / "captures" / f"{name}.csv").on_clock_of(capture)
        assert {"key", "brake", "lever"} <= set(track.channels)
        first = capture.time_ns.min() / 1e9
        assert abs(track.channels["key"].time_s[0] - first) < 3
