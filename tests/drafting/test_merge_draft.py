"""A draft laid over a bridge file: a person's lines stay, draft's own are made again, and what changed is told."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest

from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.drafting.merge_draft import merged_bridge, merged_map
from swapbridge.signalmap.signal_map import MapMessage, MapNode, MapSignal, SignalMap

PRISTINE = '[bridge]\nname = "my_swap"\n\n[buses.host]\nabsent = []\n'
FIRST = """[bridge]
name = "swap"
[buses.host]
absent = ["Engine"]  # draft: vanished
[[messages]]
send = "host.A"  # draft: found
period_ms = 10  # draft: median
[messages.signals]
Speed = { value = "donor.X.Y", fallback = "0" }  # draft: copy, 99% sure
Lamp = { value = "donor.X.L", fallback = "1" }  # draft: copy, 90% sure
"""
SECOND = FIRST.replace("donor.X.L", "donor.X.M").replace("period_ms = 10", "period_ms = 20")


def test_what_new_wrote_is_replaced() -> None:
    assert merged_bridge(PRISTINE, FIRST, PRISTINE) == (FIRST, [])


def test_draft_changes_its_own_lines_and_says_so() -> None:
    text, told = merged_bridge(FIRST, SECOND, PRISTINE)
    assert tomllib.loads(text) == tomllib.loads(SECOND)
    assert told == ["host.A period_ms: was 10, is 20", "host.A.signals Lamp: was donor.X.L, is donor.X.M"]


def test_a_persons_lines_stay() -> None:
    mine = FIRST.replace('Lamp = { value = "donor.X.L", fallback = "1" }  # draft: copy, 90% sure', 'Lamp = "host.Own"')
    mine = mine.replace("period_ms = 10  # draft: median", "period_ms = 15  # as the manual says")
    mine += 'Own = "7"  # by hand\n\n[[messages]]\nsend = "host.Mine"\nperiod_ms = 50\n\n[values]\nx = "1"\n'
    text, told = merged_bridge(mine, SECOND, PRISTINE)
    data = tomllib.loads(text)
    message, own = data["messages"]
    assert message["period_ms"] == 15
    assert "# as the manual says" in text
    assert message["signals"]["Lamp"] == "host.Own"
    assert message["signals"]["Own"] == "7"
    assert message["signals"]["Speed"]["value"] == "donor.X.Y"
    assert own["send"] == "host.Mine"
    assert data["values"] == {"x": "1"}
    assert told == []


def test_the_same_twice_changes_nothing() -> None:
    once, _ = merged_bridge(FIRST, SECOND, PRISTINE)
    twice, told = merged_bridge(once, SECOND, PRISTINE)
    assert tomllib.loads(twice) == tomllib.loads(once)
    assert told == []


def test_a_damaged_file_is_refused() -> None:
    with pytest.raises(InputError, match=r"bridge\.toml is not TOML"):
        merged_bridge("[bridge\n", FIRST, PRISTINE)


def test_what_a_person_said_of_a_signal_stays() -> None:
    signal = MapSignal("Lamp", Layout(0, 1))
    drafted = SignalMap((MapMessage("A", 1, False, 8, (signal,)),))
    said = SignalMap(
        (
            MapMessage("A", 1, False, 8, (replace(signal, role="status", choices={0: "off", 1: "on"}),)),
            MapMessage("B", 2, False, 8, (signal,)),
        )
    )
    merged = merged_map(said, drafted)
    lamp = merged.messages[0].signals[0]
    assert (lamp.role, lamp.choices) == ("status", {0: "off", 1: "on"})
    assert [m.name for m in merged.messages] == ["A", "B"]
    assert merged_map(None, drafted) == drafted


def test_whose_message_it_is_stays_as_a_person_said() -> None:
    """A restraint module that a draft made nameless again would lose the compiler's guard."""
    mine = MapNode("StayedBehind", "unknown")
    drafted = SignalMap((MapMessage("A", 1, False, 8, (), senders=("StayedBehind",)),), (mine,))
    said = SignalMap((MapMessage("A", 1, False, 8, (), senders=("Belts",)),), (MapNode("Belts", "restraint"),))
    merged = merged_map(said, drafted)
    assert merged.sender_kinds(merged.messages[0]) == {"restraint"}
    assert merged_map(drafted, drafted) == drafted


def test_a_review_of_what_is_drafted_the_same_again_stays() -> None:
    """The message's own mark and a line's; what is drafted otherwise has to be reviewed again."""
    marked = FIRST.replace('fallback = "1" }', 'fallback = "1", unreviewed = true }')
    marked = marked.replace("period_ms = 10", "unreviewed = true  # draft: a torque\nperiod_ms = 10")
    review = '{on = "2026-05-01", digest = "0123456789abcdef"}'
    reviewed = marked.replace("unreviewed = true", f"reviewed = {review}")
    text, told = merged_bridge(reviewed, marked, PRISTINE)
    assert tomllib.loads(text) == tomllib.loads(reviewed)
    assert told == []
    other = marked.replace("donor.X.L", "donor.X.M")
    text, _ = merged_bridge(reviewed, other, PRISTINE)
    lamp = tomllib.loads(text)["messages"][0]["signals"]["Lamp"]
    assert lamp["unreviewed"] is True
    assert "reviewed" not in lamp
