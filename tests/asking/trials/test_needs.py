"""What a module needs: found on a simulated table, among sleep, time-outs, enabling conditions and latched codes."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner

from swapbridge.asking.trials.log import TrialLog
from swapbridge.asking.trials.needs_keep import found_needs, into_needs, keep_trial, kept_answers, plan_facts
from swapbridge.asking.trials.needs_plan import LAMP, NeedsPlan
from swapbridge.asking.trials.needs_run import LISTEN_NS, NeedsRun, Timing, TrialPhase
from swapbridge.asking.trials.permit import ALIVE_NS, Sendable, TrialGate
from swapbridge.asking.trials.things import MessageBits
from swapbridge.asking.trials.trial_sender import TrialSender
from swapbridge.asking.trials.turns import Key
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.capture.write import write_capture
from swapbridge.cli.commands import trial_needs
from swapbridge.cli.main import cli
from swapbridge.core.errors import InputError
from swapbridge.core.needs import load_needs
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import MapMessage, MapNode, SignalMap
from tests.asking.trials.test_permit import CAPTURE, SWEPT
from tests.asking.trials.waiting import MS, OnTable, Waiting, found, module, recorded, run

S = 1_000 * MS
TIMING = Timing(asleep_s=5.0, enabling_s=3.0, timeout_s=2.5)


def bench(
    machine: NeedsRun,
    table: OnTable,
    *,
    log: TrialLog | None = None,
    alive: Callable[[int], bool] = lambda now: True,
    most_s: float = 40_000,
    person: Callable[[int], Key] | None = None,
) -> list[tuple[int, int, bytes]]:
    """A person at key and keyboard, and a module on a bus, in simulated time; what was sent."""
    now, sent, step = 0, [], 5 * MS
    machine.begin(now)
    while not machine.ended_by:
        now += step
        table.key(machine.phase is not TrialPhase.OFF, now)
        if alive(now):
            machine.key(Key.LIFE, now)
        if person is not None and machine.phase is TrialPhase.PERSON:
            machine.key(person(now), now)
        for _ in range(8):
            frame = machine.poll(now)
            if frame is None:
                break
            sent.append((now, *frame))
            if log is not None:
                log.frame(*frame, now)
            for answer in table.hear(*frame, now):
                machine.heard(*answer, now)
        for own in table.step(now):
            machine.heard(*own, now)
        if log is not None:
            for channel, value in machine.marks:
                log.mark(channel, value, "", now)
        machine.marks.clear()
        assert now < most_s * S, machine.phase
    return sent


def on_table(seed: int, sizes: list[int]) -> tuple[tuple[Sendable, ...], random.Random]:
    draw = random.Random(seed)
    messages = recorded(sizes, draw, 300)
    return tuple(replace(one, period_ns=100 * MS) for one in messages), draw


def test_a_module_on_a_table_is_asked_trial_by_trial(tmp_path: Path) -> None:
    """Asleep before each trial, status bits read, latched codes no trouble; log and state say the same."""
    messages, _ = on_table(1, [3, 2, 2, 3])
    table = OnTable({0x101: {1}, 0x103: set()}, {0x100})
    plan = NeedsPlan(messages)
    machine = NeedsRun(plan, frozenset({0x500}), (0x7A0, 0x7A8), TIMING)
    log = TrialLog(tmp_path / "trial.log", "host", 1_700_000_000 * S)
    sent = bench(machine, table, log=log)
    log.close()
    assert machine.ended_by == "done"
    assert found(plan) == ({0x100}, {0x101: {1}, 0x103: set()})
    assert table.cycles == len(plan.answers)
    assert min(now for now, _, _ in sent) >= LISTEN_NS + 5 * S
    assert {word for _, word, _ in sent} <= {0x100, 0x101, 0x102, 0x103, 0x7A0}
    assert all(data[1] == 0x19 or data[0] == 0x30 for _, word, data in sent if word == 0x7A0)
    needs = found_needs("Cluster", "host", messages, plan)
    by_name = {(need.word, need.signal): need for need in needs}
    assert by_name[0x103, ""].codes == ("U0110-87",)
    assert by_name[0x101, "M1.S1"].codes == ("U0500-86",)
    assert (0x102, "") not in by_name
    assert "monitors nothing" in by_name[0x100, ""].note
    stimulus = read_stimulus(log.path.with_suffix(".stimulus.csv"))
    assert "answer" in set(stimulus.channels)
    assert set(read_capture(log.path).identifier.tolist()) <= {0x100, 0x101, 0x102, 0x103, 0x7A0}


def test_a_lamp_is_asked_of_a_person() -> None:
    messages, _ = on_table(2, [2, 2, 2])
    table = OnTable({0x101: set()})
    machine = NeedsRun(NeedsPlan(messages, with_bits=False), frozenset({0x500}), None, TIMING)

    def person(now: int) -> Key:
        return Key.YES if any(status & 1 for status in table.latched.values()) else Key.NO

    bench(machine, table, person=person)
    assert found(machine.plan) == (set(), {0x101: set()})


def test_a_trial_without_a_sign_of_life_is_made_again() -> None:
    messages, _ = on_table(3, [2, 2])
    table = OnTable({0x101: set()})
    machine = NeedsRun(NeedsPlan(messages, with_bits=False), frozenset({0x500}), (0x7A0, 0x7A8), TIMING)
    sent = bench(machine, table, alive=lambda now: not 70 * S < now < 73 * S and not 120 * S < now < 124 * S)
    assert machine.voided >= 1
    assert found(machine.plan) == (set(), {0x101: set()})
    assert not [now for now, _, _ in sent if 71.2 * S < now < 73 * S or 121.2 * S < now < 124 * S]


def test_anybody_else_on_the_bus_ends_it() -> None:
    messages, _ = on_table(4, [2, 2])
    machine = NeedsRun(NeedsPlan(messages), frozenset({0x500}), (0x7A0, 0x7A8), TIMING)
    machine.begin(0)
    machine.heard(0x500, bytes(8), S)
    machine.heard(0x321, bytes(8), 2 * S)
    assert machine.poll(3 * S) is None
    assert "321 is on the bus" in machine.ended_by


def test_a_module_that_never_sleeps_is_noticed() -> None:
    """Its codes stay from trial to trial: sending everything is answered with complaints, which is told."""
    messages, _ = on_table(5, [2, 2, 2, 2, 2, 2, 2])
    table = OnTable({0x101: set(), 0x104: set()}, never_sleeps=True)
    plan = NeedsPlan(messages, with_bits=False)
    bench(NeedsRun(plan, frozenset({0x500}), (0x7A0, 0x7A8), TIMING), table)
    assert plan.result is not None
    assert plan.result.messages == ()
    assert any("does not fall asleep" in remark for remark in plan.result.remarks)
    table, plan = OnTable({0x101: set(), 0x104: set()}), NeedsPlan(messages, with_bits=False)
    machine = NeedsRun(plan, frozenset({0x500}), (0x7A0, 0x7A8), TIMING)
    machine.kept = lambda: setattr(table, "never_sleeps", len(plan.answers) >= 3)
    bench(machine, table)
    assert "check that it falls asleep" in machine.ended_by


def test_complaints_with_everything_sent_do_not_count_or_end_it() -> None:
    messages, _ = on_table(6, [2, 2, 2])
    plan = NeedsPlan(messages, with_bits=False)
    while (trial := plan.next_trial()) is not None:
        plan.take(("U0140-87", "U0100-87") if 0x102 in trial.left_out else ("U0140-87",))
    assert plan.result is not None
    assert plan.result.ignored == ("U0140-87",)
    assert found(plan)[1] == {0x102: set()}
    plan = NeedsPlan(messages)
    plan.take((LAMP,))
    plan.take(())
    with pytest.raises(InputError, match="with everything sent"):
        plan.take((LAMP,))
    with pytest.raises(InputError, match="does not answer"):
        NeedsPlan(messages).take(None)


def test_silence_proves_nothing() -> None:
    messages, _ = on_table(7, [2, 2, 2])
    plan = NeedsPlan(messages)
    while plan.next_trial() is not None:
        plan.take(())
    assert plan.result is not None
    assert plan.result.messages == ()
    assert any("never complained" in remark for remark in plan.result.remarks)


@pytest.mark.parametrize("seed", range(4))
def test_needs_are_found_though_answers_are_wrong(seed: int) -> None:
    messages, waiting = module(seed)
    plan = NeedsPlan(messages, seed=seed)
    run(plan, waiting)
    assert found(plan) == (waiting.enabling, waiting.bits)


@pytest.mark.long
def test_forty_modules_are_found_with_half_the_trials() -> None:
    """The targets' measure over 200 seeds is `python -m tests.benchmarks.needs_trials`."""
    right = trials = alone = 0
    for seed in range(100, 140):
        messages, waiting = module(seed)
        plan = NeedsPlan(messages, seed=seed)
        trials += run(plan, waiting)
        right += found(plan) == (waiting.enabling, waiting.bits)
        messages, waiting = module(seed)
        alone += run(NeedsPlan(messages, method="one by one", seed=seed), waiting)
    assert right >= 36
    assert trials <= 0.52 * alone


def test_everything_not_needed_was_silent_alone() -> None:
    messages, waiting = module(3)
    plan = NeedsPlan(messages, seed=3)
    run(plan, waiting)
    assert plan.result is not None
    silent = {frozenset(t.left_out) for t, answer in zip(waiting.trials, plan.answers, strict=True) if not answer}
    for one in plan.result.messages:
        if one.verdict == "not needed":
            assert frozenset({one.thing.word}) in silent


def test_bits_that_move_together_are_one_thing_and_those_that_follow_are_in_doubt() -> None:
    """Bit 1 repeats bit 0; bit 3 is set only while bit 2 is, so neither can be held without the other."""
    draw = random.Random(8)
    payloads = []
    for _ in range(400):
        a, c, d = (draw.getrandbits(1) for _ in range(3))
        payloads.append(bytes((a | a << 1 | c << 2 | (c & d) << 3,)))
    message = MapMessage("M", 0x100, False, 1, period_ms=Fraction(20), senders=("ECM",))
    one = Sendable(message, 20 * MS, tuple(payloads))
    bits = MessageBits(one)
    assert [thing.bits for thing in bits.things] == [(0, 1), (2,), (3,)]
    assert set(bits.held([1])) == {1, 2}
    for part in bits.parts([0]):
        assert len({data[0] & 3 for data in part.played[0x100]}) == 1
    plan = NeedsPlan((one,))
    waiting = Waiting(set(), {0x100: {3}}, draw, wrong=0.0)
    run(plan, waiting)
    assert plan.result is not None
    verdicts = {one.thing.bits: one.verdict for one in plan.result.bits}
    assert verdicts[0, 1] == "not needed"
    assert verdicts[3,] == verdicts[2,] == "undecided"


def test_more_needed_than_was_thought_is_found_one_by_one() -> None:
    messages, draw = on_table(9, [1] * 12)
    bits: dict[int, set[int]] = {0x100 + n: set() for n in range(0, 12, 2)}
    bits |= {0x101: set(), 0x103: set()}
    plan = NeedsPlan(messages, with_bits=False)
    run(plan, Waiting(set(), bits, draw, wrong=0.0))
    assert found(plan)[1] == bits


def test_a_spoilt_counter_stands_still_and_a_spoilt_checksum_is_wrong() -> None:
    gate = TrialGate((SWEPT,))
    checksum = next(s.checksum for s in SWEPT.makes if s.checksum is not None)
    for spoilt in ("Count", "Sum"):
        sender = TrialSender(gate, {SWEPT.word}, spoilt=frozenset({(SWEPT.word, spoilt)}))
        gate.begin(-20 * S)
        seen = []
        for now in range(0, 2 * S, MS):
            gate.life(now)
            frame = sender.poll(now)
            if frame is not None:
                seen.append(frame[1])
        gate = TrialGate((SWEPT,))
        assert len(seen) > 50
        assert len({data[1] & 15 for data in seen}) == (1 if spoilt == "Count" else 15)
        assert {checksum.holds(data) for data in seen} == {spoilt != "Sum"}


def test_it_goes_on_another_day(tmp_path: Path) -> None:
    messages, waiting = module(11)
    plan = NeedsPlan(messages, seed=11)
    facts, path = plan_facts("Cluster", plan, "lamp"), tmp_path / "codes" / "state.json"
    for _ in range(25):
        trial = plan.next_trial()
        assert trial is not None
        plan.take(waiting.answer(trial))
        keep_trial(path, facts, plan)
    again = NeedsPlan(messages, seed=11, answers=kept_answers(path, facts))
    assert again.next_trial() == plan.next_trial()
    assert again.answers == plan.answers
    other = plan_facts("Cluster", NeedsPlan(messages[1:], seed=11), "lamp")
    with pytest.raises(InputError, match="messages, played differ"):
        kept_answers(path, other)
    for torn in ("", "[]", '{"version": 1, "answers": 3}', path.read_text()[:40]):
        path.write_text(torn)
        with pytest.raises(InputError):
            kept_answers(path, facts)
    assert kept_answers(tmp_path / "none.json", facts) == []


def test_a_needs_list_keeps_what_a_person_wrote(tmp_path: Path) -> None:
    messages, _ = on_table(12, [2, 2])
    plan = NeedsPlan(messages, with_bits=False)
    while (trial := plan.next_trial()) is not None:
        plan.take(("U0100-87",) if 0x101 in trial.left_out else ())
    path = tmp_path / "needs.toml"
    path.write_text('# mine\n[[need]]\nmodule = "Cluster"\nbus = "host"\nid = "101"\nnote = "as I know"\n')
    found_ones = found_needs("Cluster", "host", messages, plan)
    assert into_needs(path, found_ones) == (0, 1)
    assert "as I know" in path.read_text()
    assert load_needs(path)[0].codes == ("U0100-87",)
    assert into_needs(path, found_needs("Gearbox", "host", messages, plan)) == (1, 0)
    assert [need.module for need in load_needs(path)] == ["Cluster", "Gearbox"]


def check_sessions(seeds: range) -> None:
    """Random keys, frames and pauses: nothing but the plan's messages, as heard, and allowed questions, while alive."""
    few = [on_table(number, [2, 3, 2])[0] for number in range(7)]
    heard_of = [{one.word: {one.heard(data) for data in one.payloads} for one in messages} for messages in few]
    for seed in seeds:
        draw = random.Random(seed)
        messages, heard = few[seed % 7], heard_of[seed % 7]
        table = OnTable({0x101: {0}}, {0x100} if seed % 2 else set())
        address = (0x7A0, 0x7A8) if draw.random() < 0.7 else None
        machine = NeedsRun(NeedsPlan(messages), frozenset({0x500}), address, Timing(1.0, 0.5, 0.5))
        now, life = 0, None
        machine.begin(now)
        for _ in range(draw.randrange(60, 200)):
            now += draw.choice((20, 50, 100, 400, 1500)) * MS
            if draw.random() < 0.7:
                machine.key(draw.choice(list(Key)[:-1]), now)
                life = now
            table.key(machine.phase is not TrialPhase.OFF, now)
            for own in table.step(now):
                machine.heard(*own, now)
            if draw.random() < 0.001:
                machine.heard(draw.choice((0x101, 0x321)), bytes(8), now)
            shut = bool(machine.gate.shut)
            frame = machine.poll(now)
            if frame is None:
                continue
            assert not shut
            assert now >= LISTEN_NS
            assert life is not None
            assert now - life <= ALIVE_NS
            word, data = frame
            if word in heard:
                assert data in heard[word]
            else:
                assert word == 0x7A0
                assert data[0] == 0x30 or data[1:4] in (b"\x19\x01\x03", b"\x19\x02\x03")
            for answer in table.hear(*frame, now):
                machine.heard(*answer, now)


def test_random_sessions_send_nothing_outside_their_plan() -> None:
    check_sessions(range(60))


@pytest.mark.long(50)
@pytest.mark.parametrize("part", range(2))
def test_ten_thousand_random_sessions_send_nothing_outside_their_plan(part: int) -> None:
    check_sessions(range(5_000 * part, 5_000 * (part + 1)))


OWN = MapMessage("Own", 0x500, False, 8, period_ms=Fraction(100), senders=("Cluster",))


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    from tests.asking.trials.test_permit import MAP

    monkeypatch.chdir(tmp_path)
    write_capture(CAPTURE, tmp_path / "host.log")
    nodes = (*MAP.nodes, MapNode("Cluster", "cluster"))
    save_map(SignalMap((*MAP.messages, OWN), nodes), tmp_path / "host.dbc")
    return ["--map", "host.dbc", "--recording", "host.log", "--bus", "host=virtual:needs-test", "--cautions-read"]


def test_the_command_keeps_state_and_needs(files: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    def run_it(spec: object, machine: NeedsRun, path: Path, helps: str) -> None:
        bench(machine, OnTable({0x1A0: set()}), most_s=60_000)

    monkeypatch.setattr(trial_needs, "run_at_terminal", run_it)
    words = ["trial", "needs", "Cluster", *files, "--absent", "ECM", "--ask", "7A0:7A8", "--needs", "needs.toml"]
    words += ["--no-bits", "--time-out", "2.5"]
    result = CliRunner().invoke(cli, words, input="table\n")
    assert result.exit_code == 0, result.output
    assert "left out: 7E0 is for diagnostics" in result.output
    assert "left out: 2B0 carries C (crash)" in result.output
    assert "h in all" in result.output
    (need,) = load_needs("needs.toml")
    assert (need.module, need.bus, need.word, need.codes) == ("Cluster", "host", 0x1A0, ("U0100-87",))
    assert Path("needs-Cluster.json").exists()
    again = CliRunner().invoke(cli, words)
    assert again.exit_code == 0, again.output  # done: nothing is sent any more, and nobody is asked to type
    assert len(load_needs("needs.toml")) == 1


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["Cluster", "--absent", "ECM"], "--by-lamp"),
        (["Nobody", "--absent", "ECM", "--by-lamp"], "has no message from 'Nobody'"),
        (["Cluster", "--absent", "EPS", "--by-lamp"], "nothing to send"),
        (["Cluster", "--message", "0A0", "--by-lamp"], "kind steering"),
        (["Cluster", "--absent", "ECM", "--by-lamp"], "no terminal"),
    ],
)
def test_the_command_refuses(files: list[str], words: list[str], sentence: str) -> None:
    result = CliRunner().invoke(cli, ["trial", "needs", *words, *files], input="table\n")
    assert result.exit_code == 2
    assert sentence in result.output
