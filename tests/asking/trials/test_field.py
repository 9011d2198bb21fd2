"""Which signal moves a lamp: found by exchanging recorded payloads, and kept in the map as seen by trial."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner

from swapbridge.asking.trials.field_keep import seen_in_map
from swapbridge.asking.trials.field_plan import FieldPlan
from swapbridge.asking.trials.field_run import FieldRun
from swapbridge.asking.trials.needs_run import LISTEN_NS
from swapbridge.asking.trials.permit import ALIVE_NS, Sendable
from swapbridge.asking.trials.turns import Key
from swapbridge.capture.write import write_capture
from swapbridge.cli.commands import trial_field
from swapbridge.cli.main import cli
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import MapMessage, MapNode, MapSignal, SignalMap
from tests.asking.trials.test_needs import OWN
from tests.asking.trials.test_permit import CAPTURE, MAP
from tests.asking.trials.waiting import MS

S = 1_000 * MS


def dashboard(seed: int, count: int = 8) -> tuple[Sendable, ...]:
    """Messages with a nibble, two flags and a byte, and a flag that no map knows; all move freely."""
    draw = random.Random(seed)
    out = []
    for number in range(count):
        places = {"Level": (0, 4), "Oil": (4, 1), "Charge": (5, 1), "Speed": (8, 8)}
        signals = tuple(MapSignal(name, Layout(*place)) for name, place in places.items())
        message = MapMessage(f"M{number}", 0x100 + number, False, 3, signals, period_ms=Fraction(20), senders=("ECM",))
        payloads = tuple((draw.getrandbits(17)).to_bytes(3, "little") for _ in range(200))
        out.append(Sendable(message, 20 * MS, payloads))
    return tuple(out)


def moved(plan: FieldPlan, word: int, bits: set[int], draw: random.Random, wrong: float) -> bool:
    exchange = plan.next_exchange()
    assert exchange is not None
    a, *others = (int.from_bytes(one[word], "little") for one in exchange.turns)
    return any((a ^ b) >> bit & 1 for bit in bits for b in others) != (draw.random() < wrong)


@pytest.mark.parametrize("wrong", [0.0, 0.05])
def test_a_lamp_is_found(wrong: float) -> None:
    right, most = 0, 0
    for seed in range(20):
        draw, messages = random.Random(seed), dashboard(seed)
        word, (name, bits) = 0x100 + seed % 8, [("Oil", {4}), ("", {16}), ("Level", {0, 1, 2, 3})][seed % 3]
        plan = FieldPlan(messages, seed)
        while plan.next_exchange() is not None:
            plan.take(moved(plan, word, bits, draw, wrong))
        assert plan.result is not None
        right += [(one.word, one.signal) for one in plan.result.things] == [(word, name)]
        most = max(most, plan.result.trials)
    assert right >= (20 if not wrong else 18)
    assert most <= 40


def test_only_whole_recorded_payloads_are_exchanged() -> None:
    messages = dashboard(1)
    plan, heard = FieldPlan(messages), {one.word: set(one.payloads) for one in messages}
    draw = random.Random(0)
    while (exchange := plan.next_exchange()) is not None:
        for side in exchange.turns:
            assert all(data in heard[word] for word, data in side.items())
        plan.take(moved(plan, 0x103, {4}, draw, 0.05))


def test_what_never_moves_it_is_told_and_what_moves_together_is_named_together() -> None:
    plan = FieldPlan(dashboard(2))
    while plan.next_exchange() is not None:
        plan.take(False)
    assert plan.result is not None
    assert plan.result.things == ()
    assert "nothing moved it" in plan.result.remark
    message = replace(dashboard(3)[0].message, length=1)
    plan = FieldPlan((Sendable(message, 20 * MS, (b"\x00", b"\x30")),))
    while plan.next_exchange() is not None:
        plan.take(True)
    assert plan.result is not None
    assert {one.signal for one in plan.result.things} == {"Oil", "Charge"}
    assert "change together" in plan.result.remark
    with pytest.raises(InputError, match="nothing changes"):
        FieldPlan((Sendable(message, 20 * MS, (b"\x00", b"\x00")),))


def test_a_speed_is_never_exchanged() -> None:
    (one, *_) = dashboard(4)
    signals = (replace(one.message.signals[0], role=find_role("vehicle_speed").name),)
    with pytest.raises(RefusedError, match="kilometres"):
        FieldPlan((replace(one, message=replace(one.message, signals=signals)),))


def watch(run: FieldRun, word: int, bit: int, life: float = 0.0) -> list[tuple[int, int, bytes]]:
    """A person holds space, but for a while now and then, and says whether the lamp changed in the last two turns."""
    now, sent, states, draw = 0, [], [], random.Random(1)
    run.begin(now)
    last_life = 0
    while not run.ended_by:
        now += 10 * MS
        if draw.random() >= life:
            run.key(Key.LIFE, now)
            last_life = now
        for _ in range(8):
            frame = run.poll(now)
            if frame is None:
                break
            assert now - last_life <= ALIVE_NS
            sent.append((now, *frame))
            if frame[0] == word:
                states.append(frame[1][bit >> 3] >> (bit & 7) & 1)
        exchange = run.plan.next_exchange()
        if run.status(now).stage.startswith("does it move"):
            before = len(run.plan.answers)
            run.key(Key.YES if len(set(states)) > 1 else Key.NO, now)
            last_life = now
            if len(run.plan.answers) > before:
                states.clear()
        assert now < 4000 * S, exchange
    return sent


def test_a_person_watches_a_lamp_on_the_bench() -> None:
    run = FieldRun(FieldPlan(dashboard(5)), "the oil lamp", frozenset({0x500}), turn_s=0.5)
    sent = watch(run, 0x102, 4)
    assert run.ended_by == "done"
    assert run.plan.result is not None
    assert [(one.word, one.signal) for one in run.plan.result.things] == [(0x102, "Oil")]
    assert min(now for now, _, _ in sent) >= LISTEN_NS


def test_an_answer_before_both_turns_counts_for_nothing_and_strangers_end_it() -> None:
    run = FieldRun(FieldPlan(dashboard(6)), "the lamp", frozenset({0x500}))
    run.begin(0)
    for now in range(0, 13 * S, 20 * MS):
        run.key(Key.YES, now)
        run.poll(now)
    assert run.plan.answers == []
    run.heard(0x777, b"", 14 * S)
    run.poll(14 * S)
    assert "777 is on the bus" in run.ended_by


def test_the_map_says_seen_by_trial(tmp_path: Path) -> None:
    messages = dashboard(7, 2)
    plan = FieldPlan(messages)
    draw = random.Random(0)
    while plan.next_exchange() is not None:
        plan.take(moved(plan, 0x101, {16}, draw, 0.0))
    assert plan.result is not None
    before = SignalMap(tuple(one.message for one in messages))
    save_map(seen_in_map(before, plan.result, "the oil lamp", "OilLamp"), tmp_path / "m.dbc")
    after = load_map(tmp_path / "m.dbc").message("M1")
    assert after is not None
    signal = after.signal("OilLamp")
    assert signal is not None
    assert signal.layout.positions == (16,)
    assert signal.evidence["seen_by_trial"] == "the oil lamp"
    with pytest.raises(InputError, match="not a valid signal name"):
        seen_in_map(before, plan.result, "x", "1 lamp")


def test_the_command_writes_the_map(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_capture(CAPTURE, tmp_path / "host.log")
    save_map(SignalMap((*MAP.messages, OWN), (*MAP.nodes, MapNode("Cluster", "cluster"))), tmp_path / "host.dbc")
    monkeypatch.setattr(trial_field, "run_at_terminal", lambda spec, run, path, helps: watch(run, 0x1A0, 3))
    call = ["trial", "field", "Cluster", "coolant needle", "--map", "host.dbc", "--recording", "host.log"]
    call += ["--message", "1A0", "--bus", "host=virtual:field-test", "--cautions-read", "--turn", "0.5"]
    result = CliRunner().invoke(cli, call, input="table\n")
    assert result.exit_code == 0, result.output
    message = load_map(tmp_path / "host.dbc").message("Engine")
    assert message is not None
    signal = message.signal("Coolant")
    assert signal is not None
    assert signal.evidence["seen_by_trial"] == "coolant needle"
    refused = CliRunner().invoke(cli, call, input="vehicle\n")
    assert refused.exit_code == 2
    assert "not confirmed that the module is on a table" in refused.output
