"""What a trial may send: named, heard, harmless messages of an absent module, while a person is alive."""

from __future__ import annotations

import random
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from swapbridge.asking.trials.gauge import GaugeStage, GaugeTrial
from swapbridge.asking.trials.gauge_run import GaugeRun
from swapbridge.asking.trials.log import TrialLog
from swapbridge.asking.trials.permit import ALIVE_NS, SILENT_NS, Sendable, TrialGate, sendable
from swapbridge.asking.trials.trial_sender import TrialSender
from swapbridge.asking.trials.turns import Key
from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.capture.write import write_capture
from swapbridge.cli.commands import trial_cmd
from swapbridge.cli.main import cli
from swapbridge.core.errors import RefusedError
from swapbridge.core.integrity import Checksum, Counter, Sum
from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import MapMessage, MapNode, MapSignal, SignalMap
from tests.asking.trials.needles import Needle, Person

MS, S = 1_000_000, 1_000_000_000
ROLE = find_role("coolant_temperature").name
COOLANT = MapSignal("Coolant", Layout(0, 8), Fraction(1), Fraction(-40), unit="degC", role=ROLE)
COUNT = MapSignal("Count", Layout(8, 4), counter=Counter(0, 14))
SUM = MapSignal("Sum", Layout(16, 8), checksum=Checksum(Layout(16, 8), Sum(8, (0, 1, 3))))
ENGINE = MapMessage("Engine", 0x1A0, False, 4, (COOLANT, COUNT, SUM), period_ms=Fraction(20), senders=("ECM",))
STEER = MapMessage("Steer", 0x0A0, False, 2, period_ms=Fraction(20), senders=("EPS",))
ODD = MapMessage("Odd", 0x2A0, False, 2, period_ms=Fraction(20), senders=())
SCAN = MapMessage("Scan", 0x7E0, False, 2, period_ms=Fraction(20), senders=("ECM",))
CRASH = MapMessage(
    "Crash", 0x2B0, False, 2, (MapSignal("C", Layout(0, 1), role=find_role("crash").name),), senders=("ECM",)
)
NODES = (MapNode("ECM", "engine"), MapNode("EPS", "steering"))
MAP = SignalMap((ENGINE, STEER, ODD, SCAN, CRASH), NODES)


def recording() -> Capture:
    """The engine warming up from -40 to 127 degC and back."""
    rows = []
    for n in range(668):
        raw = n // 4 if n < 334 * 2 else 167
        data = bytearray(4)
        data[0], data[1], data[3] = raw, n % 15, 0x55
        assert SUM.checksum is not None
        SUM.checksum.insert(data)
        rows.append((n * 20 * MS, 0x1A0, bytes(data)))
    rows += [(n * 20 * MS, word, bytes((1, 2))) for n in range(5) for word in (0x0A0, 0x2A0, 0x7E0, 0x2B0)]
    payload = np.zeros((len(rows), 8), np.uint8)
    for at, (_, _, content) in enumerate(rows):
        payload[at, : len(content)] = list(content)
    return Capture(
        time_ns=np.array([r[0] for r in rows], np.int64),
        identifier=np.array([r[1] for r in rows], np.uint32),
        flags=np.zeros(len(rows), np.uint8),
        bus=np.zeros(len(rows), np.uint8),
        length=np.array([len(r[2]) for r in rows], np.uint8),
        payload=payload,
        bus_names=("host",),
    )


CAPTURE = recording()
(SWEPT,) = sendable(CAPTURE, MAP, (0x1A0,))


@pytest.mark.parametrize(
    ("word", "why"),
    [
        (0x0A0, "kind steering"),
        (0x2A0, "kind unknown"),
        (0x7E0, "diagnostics"),
        (0x2B0, "crash"),
        (0x3A0, "in no map"),
    ],
)
def test_what_is_never_sent_is_refused(word: int, why: str) -> None:
    with pytest.raises(RefusedError, match=why):
        sendable(CAPTURE, MAP, (word,))


def test_what_was_not_recorded_is_refused() -> None:
    with pytest.raises(RefusedError, match="not in the recording"):
        sendable(CAPTURE.select(slice(0, 0)), MAP, (0x1A0,))


def session(seed: int) -> tuple[list[tuple[int, int, bytes]], list[int]]:
    """Random choices, keys, frames and times: what went out, and when there were signs of life."""
    draw = random.Random(seed)
    gate = TrialGate((SWEPT,))
    sender = TrialSender(gate, {0x1A0})
    sent, lives, now = [], [], 0
    gate.begin(now)
    for _ in range(draw.randrange(20, 120)):
        now += draw.choice((1, 5, 20, 200, 1500)) * MS
        what = draw.random()
        if what < 0.3:
            gate.life(now)
            lives.append(now)
        elif what < 0.5:
            junk = bytes(draw.getrandbits(8) for _ in range(4))
            chosen = draw.choice((draw.choice(SWEPT.payloads), junk, b"", bytes(8)))
            sender.chosen[0x1A0] = chosen if len(chosen) == 4 or draw.random() < 0.1 else SWEPT.payloads[0]
        elif what < 0.52:
            gate.heard(draw.choice((0x1A0, 0x300)), bytes(4), now)
        try:
            frame = sender.poll(now)
        except IndexError:  # a payload too short for its counter is our caller's mistake, and sends nothing
            frame = None
        if frame is not None:
            sent.append((now, *frame))
    return sent, lives


def check_sessions(seeds: range) -> int:
    heard = {SWEPT.heard(data) for data in SWEPT.payloads}
    count = 0
    for seed in seeds:
        sent, lives = session(seed)
        count += len(sent)
        last = None
        for now, word, data in sent:
            assert word == 0x1A0
            assert SWEPT.heard(data) in heard, f"seed {seed}"
            assert now >= SILENT_NS
            assert any(0 <= now - life <= ALIVE_NS for life in lives), f"seed {seed}"
            assert last is None or now - last >= 16 * MS
            last = now
    return count


def test_random_sessions_send_nothing_outside_their_plan() -> None:
    assert check_sessions(range(150)) > 300


@pytest.mark.long
def test_ten_thousand_random_sessions_send_nothing_outside_their_plan() -> None:
    check_sessions(range(10_000))


def test_nothing_is_sent_once_the_last_sign_of_life_is_old() -> None:
    gate = TrialGate((SWEPT,))
    sender = TrialSender(gate, {0x1A0})
    gate.begin(0)
    gate.life(3 * S)
    sent = [now for now in range(0, 6 * S, MS) if sender.poll(now) is not None]
    assert sent[0] == 3 * S
    assert sent[-1] <= 4 * S
    assert len(sent) == pytest.approx(50, abs=2)


def test_another_sender_shuts_the_gate_for_good() -> None:
    gate = TrialGate((SWEPT,))
    sender = TrialSender(gate, {0x1A0})
    gate.begin(0)
    gate.heard(0x1A0, bytes(4), S)
    gate.life(3 * S)
    assert sender.poll(3 * S) is None
    assert "sent by a module on the bus" in gate.shut


def test_our_own_echo_does_not() -> None:
    gate = TrialGate((SWEPT,))
    sender = TrialSender(gate, {0x1A0})
    gate.begin(0)
    gate.life(3 * S)
    frame = sender.poll(3 * S)
    assert frame is not None
    gate.heard(*frame, 3 * S + MS)
    assert gate.shut == ""


def test_counters_step_and_checksums_hold_whatever_is_chosen() -> None:
    gate = TrialGate((SWEPT,))
    sender = TrialSender(gate, {0x1A0}, {0x1A0: SWEPT.payloads[40]})
    gate.begin(0)
    seen = []
    for now in range(3 * S, 4 * S, MS):
        gate.life(now)
        frame = sender.poll(now)
        if frame is not None:
            seen.append(frame[1])
    assert [data[1] & 15 for data in seen[:17]] == [*range(15), 0, 1]
    assert all(SUM.checksum is not None and SUM.checksum.holds(data) for data in seen)
    assert {data[0] for data in seen} == {SWEPT.payloads[40][0]}


def gauge_run() -> GaugeRun:
    trial = GaugeTrial(tuple(range(90, 160)), (50.0, 80.0, 110.0, 119.0))
    return GaugeRun(trial, SWEPT, COOLANT)


def simulate(run: GaugeRun, log: TrialLog | None = None) -> None:
    """A person at the keys, and a needle that follows the frames on the bus."""
    needle = Needle(lambda raw: raw - 40, 2.0, span=69)
    person = Person(run.trial, needle, 0.0, 1)
    keys = {"press": Key.PRESS, "rest": Key.REST}
    raw, now = 90, 0
    needle.shows = needle.driven = 80.0
    run.begin(0)
    while not run.ended_by:
        now += 10 * MS
        run.key(Key.LIFE, now)
        frame = run.poll(now)
        if frame is not None:
            raw = frame[1][0]
            if log is not None:
                log.frame(*frame, now)
        needle.step(raw, 0.01)
        if now % (100 * MS) == 0 and run.sender.sent:
            stage = run.trial.stage
            person.watch(now)
            if log is not None and run.trial.stage is not stage:
                log.mark("key", keys["press"].value, "", now)
        if run.trial.stage is GaugeStage.DONE:
            run.ended_by = "done"
        assert now < 3600 * S


def test_a_whole_trial_through_the_gate_and_its_log(tmp_path: Path) -> None:
    run = gauge_run()
    log = TrialLog(tmp_path / "trial.log", "host", 1_700_000_000 * S)
    simulate(run, log)
    log.close()
    for point in run.trial.result().points:
        assert point.raw - 40 == pytest.approx(point.mark, abs=0.7)
    capture = read_capture(log.path)
    assert set(capture.identifier.tolist()) == {0x1A0}
    heard = {SWEPT.heard(data) for data in SWEPT.payloads}
    assert {SWEPT.heard(row.tobytes()) for row in capture.payload[:, :4]} <= heard
    assert "time_s,channel,value,unit" in log.path.with_suffix(".stimulus.csv").read_text()
    second = TrialLog(tmp_path / "trial.log", "host", 0)
    second.close()
    assert second.path.name == "trial-2.log"


def test_letting_go_holds_the_walk() -> None:
    run, now = gauge_run(), 0
    run.begin(0)
    for now in range(0, 60 * S, 10 * MS):
        run.key(Key.LIFE, now)
        run.poll(now)
        if now % (10 * S) == 0 and now >= 10 * S and run.trial.stage is not GaugeStage.UP:
            run.key(Key.PRESS, now)
    assert run.trial.stage is GaugeStage.UP
    before = run.trial.raw(now)
    sent = [t for t in range(now + S + 100 * MS, now + 30 * S, 100 * MS) if run.poll(t) is not None]
    assert sent == []
    assert run.trial.raw(now + 30 * S) - before <= 3


def test_a_vehicle_that_moves_ends_the_trial() -> None:
    run = gauge_run()
    run.speed_of = lambda word, data: 30.0
    run.begin(0)
    run.heard(0x300, b"", S)
    assert run.poll(3 * S) is None
    assert "is moving (30 km/h)" in run.ended_by


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.chdir(tmp_path)
    write_capture(CAPTURE, tmp_path / "host.log")
    save_map(MAP, tmp_path / "host.dbc")
    buses = ["--bus", "host=virtual:trial-test", "--cautions-read"]
    return ["--map", "host.dbc", "--recording", "host.log", "--marks", "50,80,110,119", "--unit", "degC", *buses]


def test_the_command_gives_a_table_for_the_bridge_file(files: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trial_cmd, "run_at_terminal", lambda spec, run, path, helps: simulate(run))
    words = ["trial", "gauge", "Engine.Coolant", *files, "--table", "--out", "gauge.json"]
    result = CliRunner().invoke(cli, words, input="table\n")
    assert result.exit_code == 0, result.output
    assert "[tables.gauge]" in result.output
    assert 'x = "degC"' in result.output
    assert Path("gauge.json").exists()


@pytest.mark.parametrize(
    ("typed", "rest", "sentence"),
    [
        ("", [], "not confirmed that the lever is in P"),
        ("park\nchocks\nfan\n", [], "not confirmed that the starter's fuse is out"),
        ("table\n", ["--table"], "no terminal to press keys on"),
        ("", ["--with", "0A0"], "kind steering"),
    ],
)
def test_what_is_not_typed_is_not_sent(files: list[str], typed: str, rest: list[str], sentence: str) -> None:
    result = CliRunner().invoke(cli, ["trial", "gauge", "Engine.Coolant", *files, *rest], input=typed)
    assert result.exit_code == 2
    assert sentence in result.output


def test_a_sendable_knows_which_bits_are_made() -> None:
    assert SWEPT.made == bytes([0, 0x0F, 0xFF, 0])
    assert isinstance(SWEPT, Sendable)
    assert SWEPT.period_ns == 20 * MS
