"""The stimulus script: what a person is shown, and what lands in the stimulus track, whatever keys are pressed."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from swapbridge.bus.recording.script import (
    BETWEEN,
    Phase,
    ScriptMark,
    ScriptRun,
    default_script_text,
    event_marks,
    load_script,
    note_marks,
    parse_script,
)
from swapbridge.core.errors import InputError

S = 1_000_000_000
SCRIPT = """
[[step]]
name = "brake"
say = "Press."
seconds = 4
times = 2
quiet_s = 3
set = [{ at_s = 0, channel = "brake", value = true }, { at_s = 2, channel = "brake", value = 0, say = "Release." }]
[[step]]
name = "lever"
say = "Move it."
seconds = 2
caution = "Brake on."
set = [{ channel = "lever", value = "R" }]
"""


def rows(marks: list[ScriptMark]) -> list[tuple[float, str, float | str]]:
    return [(mark.time_ns / S, mark.channel, mark.value) for mark in marks]


def test_a_script_may_begin_with_a_byte_order_mark(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(SCRIPT, encoding="utf-8-sig")
    assert load_script(tmp_path / "s.toml") == parse_script(SCRIPT, "test")


def test_a_whole_run_by_the_clock() -> None:
    run = ScriptRun(parse_script(SCRIPT, "test"))
    assert run.view(0).headline == "Press."
    marks = run.key("next", 10 * S)
    assert run.view(11 * S).left_s == 3.0
    for at in range(10, 40):
        marks += run.tick(at * S)
        if at == 13:
            assert run.view(at * S).headline == "Release."
        if at == 15:
            assert run.view(at * S).phase is Phase.QUIET
            assert run.view(at * S).time_number == 2
    assert run.view(40 * S).phase is Phase.READY
    assert run.view(40 * S).caution == "Brake on."
    assert rows(marks) == [
        (10, "step", "brake"), (10, "brake", 1.0), (12, "brake", 0.0), (14, "step", BETWEEN),
        (17, "step", "brake"), (17, "brake", 1.0), (19, "brake", 0.0), (21, "step", BETWEEN),
    ]  # fmt: skip
    marks = run.key("next", 50 * S) + run.tick(60 * S)
    assert rows(marks) == [(50, "step", "lever"), (50, "lever", "R"), (52, "step", BETWEEN)]
    assert run.view(60 * S).phase is Phase.DONE


def test_a_late_tick_makes_the_same_marks() -> None:
    """Ticks may be rare (a slow screen): marks carry the time at which things were due."""
    often, seldom = ScriptRun(parse_script(SCRIPT, "a")), ScriptRun(parse_script(SCRIPT, "b"))
    first = often.key("next", 0)
    for at in range(200):
        first += often.tick(at * S // 10)
    assert first == seldom.key("next", 0) + seldom.tick(20 * S)


def test_repeat_skip_early_and_finish() -> None:
    run = ScriptRun(parse_script(SCRIPT, "test"))
    run.key("next", 0)
    again = run.key("repeat", 1 * S)
    assert rows(again)[:3] == [(0, "brake", 1.0), (1, "step", BETWEEN), (1, "note", "brake begun again")]
    assert rows(again)[3] == (1, "step", "brake")
    run.key("next", 2 * S)
    assert run.phase is Phase.QUIET
    run.key("skip", 3 * S)  # the second of two
    assert run.view(3 * S).headline == "Move it."
    run.key("repeat", 4 * S)
    assert run.view(4 * S).step_number == 1
    marks = run.finish(5 * S)
    assert marks[-2:] == [
        ScriptMark(5 * S, "step", BETWEEN),
        ScriptMark(5 * S, "note", "brake ended with the recording"),
    ]
    assert run.key("next", 6 * S) == []
    assert run.key("skip", 6 * S) == []


def test_skip_leaves_out_one_repetition() -> None:
    """It left out the whole step: two of three lever movements were gone with the one that went wrong."""
    run = ScriptRun(parse_script(SCRIPT.replace("times = 2", "times = 3"), "test"))
    run.key("skip", 0)
    assert (run.phase, run.view(0).time_number) == (Phase.READY, 2)
    run.key("next", 1 * S)
    marks = run.key("skip", 2 * S)
    assert rows(marks)[-1] == (2, "note", "brake skipped")
    assert (run.phase, run.view(2 * S).time_number, run.view(2 * S).step_number) == (Phase.QUIET, 3, 1)
    run.key("skip", 3 * S)
    assert (run.phase, run.view(3 * S).step_number) == (Phase.READY, 2)


def test_a_finger_that_bounces_is_one_press() -> None:
    """A second Enter within half a second ended the step that the first had begun."""
    run = ScriptRun(parse_script(SCRIPT, "test"))
    run.key("next", 10 * S)
    run.key("next", 10 * S + 300_000_000)
    assert run.view(10 * S).phase is Phase.DOING
    run.key("next", 11 * S)
    assert run.view(11 * S).phase is Phase.QUIET


def test_a_cue_changes_with_what_is_to_be_done() -> None:
    run = ScriptRun(parse_script(SCRIPT, "test"))
    cues = [run.view(0).cue]
    run.key("next", 10 * S)
    for at in range(10, 40):
        run.tick(at * S)
        if (cue := run.view(at * S).cue) != cues[-1]:
            cues.append(cue)
    quiet = "Hands off. Leave everything as it is."
    assert [cue[3] for cue in cues[:5]] == ["Press.", "Press.", "Release.", quiet, "Press."]


def test_marks_and_notes_by_hand() -> None:
    assert rows(event_marks(S)) == [(1, "mark", 1.0), (1.3, "mark", 0.0)]
    assert note_marks("  two\n words ", S) == [ScriptMark(S, "note", "two words")]
    assert note_marks("  ", S) == []
    assert ScriptRun(parse_script(SCRIPT, "t")).key("mark", S) == event_marks(S)
    assert ScriptRun(()).phase is Phase.DONE


def test_the_script_that_ships() -> None:
    """It holds every stimulus that issue and trade ask for, and its cautions stand at the dangerous ones."""
    steps = {step.name: step for step in load_script(None)}
    wanted = ["bus_asleep", "key_on", "crank", "idle", "blips", "hold_1500", "hold_2500", "hold_3500"]
    wanted += ["pedal_sweep_engine_off", "brake", "lever", "compressor", "headlamps", "key_off"]
    assert set(wanted) == set(steps)
    assert next(iter(steps)) == "bus_asleep"
    assert list(steps)[-1] == "key_off"
    assert steps["brake"].times == 5
    assert "chocked" in steps["lever"].caution
    assert "brake" in steps["lever"].caution
    assert all(len(step.say) <= 120 for step in steps.values())
    assert default_script_text().startswith("#")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no \\[\\[step"),
        ("[[step", "not TOML"),
        ("step = 3", "no \\[\\[step"),
        ('[[step]]\nname = "a"\nsay = "b"', "seconds"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 0', "above 0"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 5\nwhat = 1', "unknown"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 5\ntimes = 0', "times"),
        ('[[step]]\nname = "a,b"\nsay = "b"\nseconds = 5', "comma"),
        ('[[step]]\nsay = "b"\nseconds = 5', "name"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 5\nset = 3', "list"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 5\nset = [3]', "each entry"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 5\nset = [{channel="c"}]', "value"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 5\nset = [{channel="step",value=1}]', "reserved for"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 5\nset = [{at_s=6,channel="c",value=1}]', "later"),
        ('[[step]]\nname = "a"\nsay = "b"\nseconds = 5\n' * 2, "two steps"),
    ],
)
def test_a_bad_script_is_refused(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        parse_script(text, "mine.toml")


def test_a_missing_script_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        load_script(tmp_path / "none.toml")
    junk = tmp_path / "junk.toml"
    junk.write_bytes(b"\xff")
    with pytest.raises(InputError, match="can't be read"):
        load_script(junk)


class AnyKeys(RuleBasedStateMachine):
    """Whatever is pressed whenever: steps begin and end in turn, time rises, the view always makes sense."""

    def __init__(self) -> None:
        super().__init__()
        self.run_of = ScriptRun(parse_script(SCRIPT, "test"))
        self.now = 0
        self.marks: list[ScriptMark] = []

    @rule(key=st.sampled_from(["next", "repeat", "skip", "mark", "nonsense"]))
    def press(self, key: str) -> None:
        self.marks += self.run_of.key(key, self.now)

    @rule(seconds=st.floats(0, 6))
    def wait(self, seconds: float) -> None:
        self.now += round(seconds * S)
        self.marks += self.run_of.tick(self.now)

    @invariant()
    def steps_begin_and_end_in_turn(self) -> None:
        steps = [mark.value for mark in self.marks if mark.channel == "step"]
        assert all((value == BETWEEN) == (k % 2 == 1) for k, value in enumerate(steps))
        assert (self.run_of.phase is Phase.DOING) == (len(steps) % 2 == 1)

    @invariant()
    def time_rises_and_never_runs_ahead(self) -> None:
        times = [mark.time_ns for mark in self.marks if mark.channel != "mark"]
        assert all(a <= b for a, b in pairwise(times))
        assert not times or times[-1] <= self.now

    @invariant()
    def view_makes_sense(self) -> None:
        view = self.run_of.view(self.now)
        assert 1 <= view.step_number <= view.steps
        assert 1 <= view.time_number <= view.times
        assert view.left_s >= 0
        assert view.headline


AnyKeys.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
TestAnyKeys = AnyKeys.TestCase
