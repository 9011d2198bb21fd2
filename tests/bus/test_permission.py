"""What may be played onto a bus that a vehicle hangs on: never what speaks for brakes, and nothing that is heard."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.bus.running import permission
from swapbridge.bus.running.permission import ECHO_US, QUIET_US, Ear, playable_words, why_guarded
from swapbridge.capture.write import write_capture
from swapbridge.cli.main import cli
from swapbridge.core.errors import RefusedError
from swapbridge.core.layout import Layout
from swapbridge.plan.plan import Plan
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import MODULE_KINDS, MapMessage, MapNode, MapSignal, SignalMap
from tests.bus.test_replay import capture_of
from tests.proofs import write_proof

NODES = tuple(MapNode(kind, kind) for kind in MODULE_KINDS)  # type: ignore[arg-type]


def map_with(*messages: MapMessage) -> SignalMap:
    return SignalMap(messages=messages, nodes=NODES)


def message(identifier: int, *senders: str, role: str = "", name: str = "") -> MapMessage:
    signal = MapSignal("S", Layout(0, 8), role=role)
    return MapMessage(name or f"M{identifier:X}", identifier, False, 8, (signal,), senders=senders)


@pytest.mark.parametrize("kind", MODULE_KINDS)
def test_each_kind_of_module(kind: str) -> None:
    refused = kind in ("unknown", "braking", "steering", "restraint", "diagnostics")
    signal_map = map_with(message(0x100, kind))
    assert bool(why_guarded(0x100, signal_map)) is refused
    if kind != "unknown":
        both = map_with(message(0x100, "engine", kind))
        assert bool(why_guarded(0x100, both)) is refused


@pytest.mark.parametrize(
    ("role", "refused"),
    [
        ("Vehicle.Immobiliser", True),
        ("Vehicle.Chassis.SteeringCommand", True),
        ("Vehicle.Chassis.Brake.Command", True),
        ("Vehicle.Cabin.Restraint.Crash", True),
        ("Vehicle.Powertrain.CombustionEngine.Speed", False),
        ("", False),
    ],
)
def test_dangerous_signals_whoever_sends_them(role: str, refused: bool) -> None:
    assert bool(why_guarded(0x100, map_with(message(0x100, "body", role=role)))) is refused


def test_what_nobody_knows_and_what_is_for_diagnostics() -> None:
    signal_map = map_with(message(0x100, "engine"), message(0x7E0, "engine"), message(0x101))
    assert not why_guarded(0x100, signal_map)
    assert "scan tool" in why_guarded(0x7E0, signal_map)
    assert "does not say" in why_guarded(0x101, signal_map)
    assert "not in the map" in why_guarded(0x102, signal_map)
    assert "authentication" in why_guarded(
        0x100,
        map_with(
            replace(message(0x100, "engine"), signals=(MapSignal("S", Layout(0, 8), authenticated=True),)),
        ),
    )
    assert "scan tool" in why_guarded(0x7DF, None)
    assert not why_guarded(0x123, None)


def test_without_a_map_or_a_choice_nothing_is_played() -> None:
    with pytest.raises(RefusedError, match="--id"):
        playable_words({0: [0x100]}, {0: "host"}, None, {})
    assert playable_words({0: [0x100, 0x200]}, {0: "host"}, [0x100], {}).words == {0: frozenset({0x100})}
    with pytest.raises(RefusedError, match="7E0"):
        playable_words({0: [0x100, 0x7E0]}, {0: "host"}, [0x100, 0x7E0], {})


def test_a_map_leaves_out_and_says_so_and_a_choice_against_it_is_refused() -> None:
    signal_map = map_with(message(0x100, "engine"), message(0x200, "braking"))
    chosen = playable_words({0: [0x100, 0x200, 0x300]}, {0: "host"}, None, {0: signal_map})
    assert chosen.words == {0: frozenset({0x100})}
    assert len(chosen.left_out) == 2
    assert "brake" in chosen.left_out[0]
    with pytest.raises(RefusedError, match="brake"):
        playable_words({0: [0x200]}, {0: "host"}, [0x200], {0: signal_map})


@given(st.lists(st.tuples(st.sampled_from("hp"), st.integers(1, 6), st.integers(0, QUIET_US)), max_size=40))
def test_nothing_is_played_that_was_heard_within_ten_seconds(events: list[tuple[str, int, int]]) -> None:
    """Against the obvious way: a list of what was heard."""
    ear, now, heard = Ear(), 0, []
    for kind, word, wait in events:
        now += wait
        if kind == "h":
            ear.heard(0, word, b"theirs", now)
            heard.append((word, now))
        else:
            lately = any(w == word and now - t < QUIET_US for w, t in heard)
            assert bool(ear.taken({0: [word]}, now)) is lately
            assert ear.may(0, word, b"ours", now) is not lately


@pytest.mark.parametrize("start", [0, 1_700_000_000_000_000])
@pytest.mark.parametrize(("later", "ours"), [(1, True), (ECHO_US - 1, True), (ECHO_US, False)])
def test_the_same_frame_is_our_echo_only_for_a_while(start: int, later: int, ours: bool) -> None:
    """An adapter gives frames back at once; an old sender of the same content would look like an echo for ever."""
    ear = Ear()
    assert ear.may(0, 1, b"x", start)
    ear.heard(0, 1, b"x", start + later)
    assert ear.may(0, 1, b"x", start + later) is ours


def test_our_own_frame_given_back_is_not_somebody_else() -> None:
    ear = Ear()
    assert ear.may(0, 1, b"x", 0)
    ear.heard(0, 1, b"x", 1000)
    assert ear.may(0, 1, b"x", 2000)
    ear.heard(0, 1, b"y", 3000)
    assert not ear.may(0, 1, b"x", 4000)
    assert ear.news(0, 1)
    assert not ear.news(0, 1)


@pytest.fixture
def port(serial_adapter: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr("swapbridge.bus.running.replay.QUIET_US", 300_000)
    monkeypatch.setattr(permission, "QUIET_US", 300_000)
    serial_adapter.bus = f"0=slcan:{serial_adapter.path},bitrate=500000,sleep_after_open=0"
    return serial_adapter


def play(port: Any, folder: Path, *more: str) -> Any:
    write_capture(capture_of([0, 1, 2, 3], [0x100, 0x200, 0x7E0, 0x300]), folder / "a.log")
    call = ["replay", str(folder / "a.log"), "--bus", port.bus, "--cautions-read", *more]
    return CliRunner().invoke(cli, call)


def test_a_plain_replay_onto_a_vehicle(
    port: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Callable[[Callable[[], bool]], None]
) -> None:
    """It played every identifier, brakes and restraints included."""
    monkeypatch.chdir(tmp_path)
    result = play(port, tmp_path)
    assert result.exit_code == 2
    assert "--id" in result.output
    assert play(port, tmp_path, "--id", "7E0").exit_code == 2
    save_map(map_with(message(0x100, "engine"), message(0x200, "braking")), tmp_path / "host.dbc")
    assert play(port, tmp_path, "--map", "host.dbc", "--id", "200").exit_code == 2
    assert port.sent == []
    result = play(port, tmp_path, "--map", "host.dbc")
    assert result.exit_code == 0, result.output
    until(lambda: [line[:4] for line in port.sent] == ["t100"])
    assert "200 is left out" in result.output
    assert play(port, tmp_path, "--id", "300").exit_code == 0
    until(lambda: [line[:4] for line in port.sent] == ["t100", "t300"])


def test_what_is_heard_there_is_not_played(port: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import threading

    stop = threading.Event()

    def speak() -> None:
        while not stop.wait(0.02):
            port.frame(0x100, b"\x01")

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        result = play(port, tmp_path, "--id", "100")
        assert result.exit_code == 2
        assert "another node is sending 100" in result.output
        assert port.sent == []
    finally:
        stop.set()
        speaker.join()


def test_a_plan_replayed_onto_wires_asks_for_its_proof(
    port: Any, tmp_path: Path, plan: Plan, until: Callable[[Callable[[], bool]], None]
) -> None:
    port.bus = port.bus.replace("0=", "host=", 1)
    write_proof(tmp_path, plan, outcome="FAILED")
    call = ["--plan", str(tmp_path / "plan.json")]
    result = play(port, tmp_path, *call)
    assert result.exit_code == 2
    assert "failed its proof" in result.output
    assert port.sent == []
    assert play(port, tmp_path, *call, "--unproved").exit_code == 0
    time.sleep(0.3)
    count = len(port.sent)
    assert count
    write_proof(tmp_path, replace(plan, unreviewed=("host.Gauge.Speed",)))
    result = play(port, tmp_path, *call, "--unproved")
    assert result.exit_code == 2
    assert "not reviewed" in result.output
    write_proof(tmp_path, plan)
    assert play(port, tmp_path, *call, "--rate", "2").exit_code == 2
    assert len(port.sent) == count
    assert play(port, tmp_path, *call).exit_code == 0
    until(lambda: len(port.sent) > count)
