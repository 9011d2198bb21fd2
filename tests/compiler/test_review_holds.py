"""A review holds for what was looked at: whatever changes what the plan does with a rule brings its mark back."""

from __future__ import annotations

import dataclasses
import re
from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.compiler.review import marks
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.compiler.kit import DONOR, HEAD, HOST, compile_text

RULES = (
    HEAD.replace('"test swap"', '"test swap"\nstep_ms = 10')
    + """
[constants]
coldest = "-38 degC"
hottest = "131 degC"
slowly = "40 rpm"
[values]
warm = "lowpass(donor.PCM_SLOW.Coolant, 0.25 s)"
[tables.gauge]
x = "degC"
y = ""
points = [[-40, 0], [60, 100], [100, 110], [120, 250]]
[states]
key_on = "host.Key.Pos != 'Off'"
run = "donor.PCM_FAST.RPM > 350 rpm"
after_run_ms = 210
[sources."donor.PCM_SLOW"]
max_age_ms = 730
[sources."donor.PCM_SLOW".signals.Coolant]
range = ["coldest", "hottest"]
[[messages]]
send = "host.EngineStatus"
rest = "zero"
period_ms = 20
{message}
[messages.signals]
Speed = {{ value = "clamp(donor.PCM_FAST.RPM, 0 rpm, 7900 rpm)", fallback = "0 rpm", ramp = "slowly"{speed} }}
Temp = {{ value = "choose(state == 'run', table(warm, gauge), 7)", fallback = "249", seen_states = ["run"]{temp} }}
"""
)
MARK = "unreviewed = true"
NAMES = {"message": "host.EngineStatus", "speed": "host.EngineStatus.Speed", "temp": "host.EngineStatus.Temp"}


def text_of(**marked: str) -> str:
    """The bridge file with a mark on the message or on one of its signals."""
    comma = {"message": ""}
    return RULES.format(**{k: (comma.get(k, ", ") + marked[k] if k in marked else "") for k in NAMES})


def reviewed(which: str, donor: SignalMap = DONOR, host: SignalMap = HOST) -> str:
    """The bridge file as it is after a review of that mark."""
    (mark,) = marks(parse_bridge(text_of(**{which: MARK})), {"donor": donor, "host": host})
    assert mark.name == NAMES[which]
    return text_of(**{which: f'reviewed = {{ on = "2031-05-04", digest = "{mark.digest}" }}'})


def does(plan: Plan) -> dict[str, Any]:
    """All of a plan but what it was made from and its words for people."""
    body = {f.name: getattr(plan, f.name) for f in dataclasses.fields(plan)}
    for name in ("inputs", "unreviewed", "name"):
        body.pop(name)
    return body


NUMBERS = [m.start() for m in re.finditer(r"(?<![\w.])\d+", text_of()) if m.start() > text_of().index("[constants]")]


def changed_text(text: str, at: int) -> str:
    """The number that stands there, one higher; the marks stand behind it on its line or later."""
    number = re.compile(r"\d+").match(text, at)
    assert number is not None
    return text[:at] + str(int(number[0]) + 1) + text[number.end() :]


SIGNALS = [
    (bus, message.name, signal.name)
    for bus, signal_map in (("donor", DONOR), ("host", HOST))
    for message in signal_map.messages
    if message.name in ("PCM_FAST", "PCM_SLOW", "Key", "EngineStatus")
    for signal in message.signals
]
"""Of what is sent and what is read, whether this rule reads it or not."""


def changed_signal(one: MapSignal, how: str) -> MapSignal:
    changes: dict[str, Any] = {
        "scale": {"scale": one.scale * 2},
        "offset": {"offset": one.offset + 1},
        "sign": {"layout": dataclasses.replace(one.layout, signed=not one.layout.signed)},
        "shorter": {"layout": dataclasses.replace(one.layout, length=max(1, one.layout.length - 1))},
        "code": {"not_available": (*one.not_available, 3)},
        "range": {"maximum": one.physical_range[1] / 2, "minimum": one.physical_range[0] / 2},
    }
    return dataclasses.replace(one, **changes[how])


def changed_map(signal_map: SignalMap, name: str, signal: str, how: str) -> SignalMap:
    def of(message: MapMessage) -> MapMessage:
        if message.name != name:
            return message
        if how == "identifier":
            return dataclasses.replace(message, identifier=message.identifier ^ 0x40)
        parts = tuple(changed_signal(s, how) if s.name == signal else s for s in message.signals)
        return dataclasses.replace(message, signals=parts)

    return dataclasses.replace(signal_map, messages=tuple(of(m) for m in signal_map.messages))


@cache
def before() -> dict[str, Any]:
    """What the plan does as reviewed."""
    found = holds(reviewed("message"))
    assert found is not None
    assert found[0]
    return does(found[1])


def holds(text: str, donor: SignalMap = DONOR, host: SignalMap = HOST) -> tuple[bool, Plan] | None:
    """Whether the review still holds, and the plan; None where the compiler refuses the whole."""
    try:
        plan = compile_text(text, donor, host).plan
    except (RefusedError, InputError):
        return None
    return plan.unreviewed == (), plan


def test_a_review_holds_while_nothing_changes() -> None:
    for which in NAMES:
        found = holds(reviewed(which))
        assert found is not None
        assert found[0]


@settings(max_examples=12, deadline=None)
@given(st.sampled_from(NUMBERS))
def test_any_number_that_changes_the_plan_brings_a_message_mark_back(at: int) -> None:
    after = holds(changed_text(reviewed("message"), _moved("message", at)))
    if after is not None and does(after[1]) != before():
        assert not after[0], changed_text(text_of(), at)


def _moved(which: str, at: int) -> int:
    """A place of the plain text in the text with a review: the review is a line or an end of a line further up."""
    plain, text = text_of(), reviewed(which)
    line, column = plain[:at].count("\n"), at - (plain.rfind("\n", 0, at) + 1)
    return sum(len(row) + 1 for row in text.split("\n")[:line]) + column


HOWS = ("scale", "offset", "sign", "shorter", "code", "range", "identifier")


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(SIGNALS), st.sampled_from(HOWS))
def test_any_map_change_that_changes_the_plan_brings_a_message_mark_back(place: tuple[str, str, str], how: str) -> None:
    bus, message, signal = place
    maps = {"donor": DONOR, "host": HOST}
    maps[bus] = changed_map(maps[bus], message, signal, how)
    after = holds(reviewed("message"), **maps)
    if after is not None and does(after[1]) != before():
        assert not after[0]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("-38 degC", "-37 degC"),
        ("131 degC", "130 degC"),
        ("0.25 s", "0.26 s"),
        ("[60, 100]", "[60, 101]"),
        ("350 rpm", "360 rpm"),
        ("after_run_ms = 210", "after_run_ms = 220"),
        ("max_age_ms = 730", "max_age_ms = 740"),
        ('key_on = "host.Key.Pos', 'key_on = "not host.Key.Pos'),
        ("step_ms = 10", "step_ms = 20"),
        ('seen_states = ["run"]', 'seen_states = ["run", "crank"]'),
        ('fallback = "249"', 'fallback = "248"'),
        ("0 rpm, 7900", "1 rpm, 7900"),
        ('"40 rpm"', '"41 rpm"'),
    ],
)
def test_what_a_rule_hangs_on_brings_its_mark_back_and_nothing_else_does(old: str, new: str) -> None:
    """The speed's review covers its own line, its ramp and the step; the temperature's everything that it reaches."""
    of_speed, of_both = {'"40 rpm"', "0 rpm, 7900"}, {"step_ms = 10"}
    text = reviewed("temp"), reviewed("speed")
    assert all(old in t for t in text)
    for which, one in zip(("temp", "speed"), text, strict=True):
        found = holds(one.replace(old, new))
        assert found is not None
        assert found[0] != (old in of_both or (which == "speed") == (old in of_speed)), which


@pytest.mark.parametrize(
    ("place", "how"),
    [
        (("donor", "PCM_SLOW", "Coolant"), "scale"),
        (("donor", "PCM_SLOW", "Coolant"), "identifier"),
        (("host", "Key", "Pos"), "identifier"),
        (("donor", "PCM_FAST", "RPM"), "offset"),
        (("host", "EngineStatus", "Temp"), "identifier"),
    ],
)
def test_a_map_on_either_side_brings_the_mark_of_a_signal_back(place: tuple[str, str, str], how: str) -> None:
    bus, message, signal = place
    maps = {"donor": DONOR, "host": HOST}
    maps[bus] = changed_map(maps[bus], message, signal, how)
    (mark,) = marks(parse_bridge(reviewed("temp")), maps)
    assert not mark.is_reviewed
