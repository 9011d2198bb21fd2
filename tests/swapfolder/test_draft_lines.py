"""A person's answers to drafted lines: each is one whole write, and a later draft keeps it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.compiler.review import marks
from swapbridge.core.errors import InputError, SwapbridgeError
from swapbridge.core.roles import ROLES
from swapbridge.demo.folder import write_demo_papers
from swapbridge.drafting.merge_draft import merged_bridge
from swapbridge.language.reading import load_bridge
from swapbridge.signalmap.signal_map import SignalMap
from swapbridge.swapfolder.draft_lines import (
    BridgeLine,
    acceptable_together,
    accepted_text,
    accepted_together_text,
    bridge_lines,
    edited_text,
    lines_of,
    refuse_lines,
    taken_back_text,
)
from swapbridge.swapfolder.reviewing import review_text

ON = "2026-05-01"
SPEED, TORQUE = "host.EngineData.EngineSpeed", "host.EngineData.ActualTorque"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's own bridge file, two lines of which carry draft's comment."""
    folder = tmp_path_factory.mktemp("written")
    (folder / "signal_maps").mkdir()
    write_demo_papers(folder)
    path = folder / "bridge.toml"
    out = []
    for line in path.read_text().splitlines():
        if line.startswith("EngineSpeed = "):
            line = line.replace(" }", ', fallback = "0 rpm" }  # draft: copy, 99% sure: goes straight')
        if line.startswith("ActualTorque = "):
            line = line.replace(
                " }", ', fallback = "1546 Nm", unreviewed = true }  # draft: copy, 90% sure: may be one'
            )
        out.append(line)
    path.write_text("\n".join(out) + "\n")
    compile_bridge(path)
    return path


@pytest.fixture
def drafted(written: Path, tmp_path: Path) -> Path:
    """A copy of it with its maps, for a test to write into."""
    shutil.copytree(written.parent, tmp_path, dirs_exist_ok=True)
    return tmp_path / written.name


@pytest.fixture(scope="module")
def maps(written: Path) -> dict[str, SignalMap]:
    return load_maps(load_bridge(written))


def line(path: Path, name: str) -> BridgeLine:
    return next(one for one in bridge_lines(path) if one.name == name)


def accept_line(path: Path, name: str, on: str) -> None:
    path.write_text(accepted_text(path.read_text(), path, name, on, load_maps(load_bridge(path))))


def edit_line(path: Path, name: str, value: str, fallback: str, on: str) -> None:
    path.write_text(edited_text(path.read_text(), path, name, (value, fallback), on, load_maps(load_bridge(path))))


def waiting(path: Path) -> list[str]:
    bridge = load_bridge(path)
    return [m.name for m in marks(bridge, load_maps(bridge)) if not m.is_reviewed]


def test_lines_say_what_draft_says_of_them(drafted: Path) -> None:
    assert line(drafted, SPEED).sentence == "copy, 99% sure: goes straight"
    assert line(drafted, TORQUE).unreviewed
    assert line(drafted, "host.TorqueLimits.TorqueMost").sentence == ""
    assert not any(one.is_open for one in bridge_lines(drafted))


def test_accepted_is_reviewed_and_a_persons(drafted: Path) -> None:
    assert waiting(drafted) == [TORQUE]
    accept_line(drafted, TORQUE, ON)
    accept_line(drafted, SPEED, ON)
    assert waiting(drafted) == []
    assert line(drafted, SPEED).sentence == ""
    assert f"# accepted {ON}; copy, 99% sure: goes straight" in drafted.read_text()
    compile_bridge(drafted)


def test_refused_is_open_gives_its_safe_answer_and_waits_for_a_review(drafted: Path) -> None:
    before = line(drafted, SPEED)
    refuse_lines(drafted, [SPEED], ON)
    after = line(drafted, SPEED)
    assert (after.value, after.fallback) == (before.fallback, before.fallback)
    assert after.is_open
    assert SPEED in waiting(drafted)
    assert f"# refused {ON}: was {before.value}" in drafted.read_text()
    refuse_lines(drafted, [TORQUE], ON)
    assert [one.name for one in bridge_lines(drafted) if one.is_open] == [SPEED, TORQUE]
    compile_bridge(drafted)


def test_lines_refused_together_are_refused_as_one_by_one(drafted: Path) -> None:
    before = drafted.read_text()
    for name in (SPEED, TORQUE):
        refuse_lines(drafted, [name], ON)
    one_by_one = drafted.read_text()
    drafted.write_text(before)
    refuse_lines(drafted, [SPEED, TORQUE], ON)
    assert drafted.read_text() == one_by_one


def test_rules_reviewed_together_are_reviewed_as_one_by_one(drafted: Path) -> None:
    refuse_lines(drafted, [SPEED], ON)
    bridge = load_bridge(drafted)
    learned = [mark for mark in marks(bridge, load_maps(bridge)) if not mark.is_reviewed]
    before = text = drafted.read_text()
    for mark in learned:
        text = review_text(text, [mark], ON, "bridge.toml")
    assert len(learned) == 2
    assert review_text(before, learned, ON, "bridge.toml") == text


def test_edited_compiles_and_is_open_no_more(drafted: Path) -> None:
    refuse_lines(drafted, [SPEED], ON)
    edit_line(drafted, SPEED, "clamp(donor.PCM_FAST.RPM, 0 rpm, 7000 rpm)", "0 rpm", ON)
    now = line(drafted, SPEED)
    assert (now.value, now.is_open) == ("clamp(donor.PCM_FAST.RPM, 0 rpm, 7000 rpm)", False)
    compile_bridge(drafted)


@pytest.mark.parametrize(
    ("value", "fallback", "words"),
    [("donor.NOPE.X", "0 rpm", "no message"), ("clamp(", "0 rpm", "bridge.toml"), ("", "0 rpm", "needs both")],
)
def test_an_edit_that_is_refused_writes_nothing(drafted: Path, value: str, fallback: str, words: str) -> None:
    before = drafted.read_bytes()
    with pytest.raises(SwapbridgeError, match=words):
        edit_line(drafted, SPEED, value, fallback, ON)
    assert drafted.read_bytes() == before


def test_a_line_that_is_not_there_is_named(drafted: Path) -> None:
    nope = "host.EngineData.Nope"
    with pytest.raises(InputError, match=r"host\.EngineData\.Nope is not a line"):
        accept_line(drafted, nope, ON)
    with pytest.raises(InputError, match=r"host\.EngineData\.Nope is not a line"):
        refuse_lines(drafted, [SPEED, nope], ON)
    assert SPEED not in waiting(drafted)
    with pytest.raises(InputError, match="states no safe answer"):
        refuse_lines(drafted, ["host.TorqueLimits.TorqueMost"], ON)


def test_the_rest_of_the_file_stays(drafted: Path) -> None:
    before = drafted.read_text().splitlines()
    refuse_lines(drafted, [SPEED], ON)
    changed = [one for one in drafted.read_text().splitlines() if one not in before]
    assert len(changed) == 2  # the line, and the message's list of what is open


def test_a_later_draft_keeps_every_answer(drafted: Path) -> None:
    """What was refused or accepted is a person's; a review of a line that is drafted the same again stays."""
    new = drafted.read_text()
    accept_line(drafted, TORQUE, ON)
    text, told = merged_bridge(drafted.read_text(), new, "")
    drafted.write_text(text)
    assert waiting(drafted) == []
    refuse_lines(drafted, [SPEED], ON)
    text, told = merged_bridge(drafted.read_text(), new, "")
    drafted.write_text(text)
    assert line(drafted, SPEED).is_open
    assert told == []


def test_a_message_is_accepted_as_a_whole(drafted: Path) -> None:
    text = drafted.read_text()
    drafted.write_text(
        text.replace('send = "host.EngineData"', 'send = "host.EngineData"\nunreviewed = true  # draft: x')
    )
    assert waiting(drafted) == ["host.EngineData", TORQUE]
    accept_line(drafted, "host.EngineData", ON)
    assert waiting(drafted) == [TORQUE]
    compile_bridge(drafted)


def together(path: Path, text: str, maps: dict[str, SignalMap] | None = None) -> list[str]:
    return [one.name for one in acceptable_together(text, path, maps or load_maps(load_bridge(path)))]


def test_only_lines_that_nothing_waits_for_are_accepted_together(drafted: Path) -> None:
    text = drafted.read_text()
    assert together(drafted, text) == [SPEED]  # the torque waits, and all the others are a person's
    head = 'send = "host.EngineData"\n'
    assert together(drafted, text.replace(head, f"{head}unreviewed = true\n")) == []
    assert together(drafted, text.replace(head, f'{head}open = ["EngineSpeed"]\n')) == []
    assert together(drafted, text.replace("99% sure: goes", "99% sure; goes").replace("# draft:", "#")) == []


@pytest.mark.parametrize("role", [role.alias for role in ROLES])
def test_a_torque_a_throttle_or_a_request_is_accepted_alone(
    written: Path, maps: dict[str, SignalMap], role: str
) -> None:
    """By words, told apart from the rule itself: whatever role's name says so, and whatever has a hazard."""
    text = written.read_text()
    line = next(one for one in text.splitlines() if one.startswith("EngineSpeed"))
    new = line.replace(" }", f', role = "{role}" }}')
    named = ("torque", "throttle", "request", "pedal", "demand", "kick", "brake", "cruise", "command", "crash", "immob")
    moves_with_torque = ("engine_load", "manifold_pressure", "park_neutral", "distance")
    alone = any(word in role for word in named) or role in moves_with_torque
    assert together(written, text.replace(line, new), maps) == ([] if alone else [SPEED])


def test_what_was_accepted_together_is_told_and_taken_back(drafted: Path) -> None:
    text, maps = drafted.read_text(), load_maps(load_bridge(drafted))
    new, names = accepted_together_text(text, drafted, 0.95, ON, maps)
    assert names == [SPEED]
    seen = next(one for one in lines_of(new, "") if one.name == SPEED)
    assert (seen.sentence, seen.unseen) == ("", "copy, 99% sure: goes straight")
    assert f"# accepted {ON} together with others; copy, 99% sure" in new
    assert together(drafted, new) == []
    assert taken_back_text(new, drafted, names) == text
    with pytest.raises(InputError, match="no line that can be accepted together is 100% sure"):
        accepted_together_text(text, drafted, 1.0, ON, maps)
    with pytest.raises(InputError, match="was not accepted together with others"):
        taken_back_text(text, drafted, [SPEED])
    looked = accepted_text(new, drafted, SPEED, ON, maps)
    assert f"# accepted {ON}; copy, 99% sure: goes straight" in looked
    assert next(one for one in lines_of(looked, "") if one.name == SPEED).unseen == ""


def test_a_later_draft_leaves_what_was_accepted_together(drafted: Path) -> None:
    text = drafted.read_text()
    new, _ = accepted_together_text(text, drafted, 0.95, ON, load_maps(load_bridge(drafted)))
    merged, _ = merged_bridge(new, text.replace("99% sure: goes straight", "60% sure: another rule"), "")
    assert f"# accepted {ON} together with others; copy, 99% sure: goes straight" in merged
