"""Rules learned from recordings: where they hold, and what an unreviewed one may not do."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.compiler.expressions.remember import LOWERINGS
from swapbridge.compiler.review import marks
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.emit.emit_c import emit_c, native_sources
from swapbridge.language.bridge_file import BridgeRefused
from swapbridge.language.memories import REMEMBERS
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import PLAN_VERSION
from swapbridge.plan.python.translator import Translator
from swapbridge.plan.serialise import plan_from_json
from swapbridge.plan.unreviewed import why_unreviewed
from tests.compiler.kit import DONOR, HEAD, HOST, compile_text, drive
from tests.compiler.test_refusals import with_signal
from tests.compiler.twins import same_payloads

STATUS = (
    HEAD
    + """
[states]
key_on = "host.Key.Pos != 'Off'"
run = "donor.PCM_FAST.Run"
[[messages]]
send = "host.EngineStatus"
rest = "zero"
{message}
[messages.signals]
Speed = "clamp(donor.PCM_FAST.RPM, 0 rpm, 8000 rpm)"
Temp = {{ value = "table(donor.PCM_SLOW.Coolant, -40 degC: 0, 120 degC: 200)", fallback = 250{seen} }}
"""
)
LAMP = 'Running = {{ value = "donor.PCM_FAST.RPM > 3000 rpm and donor.PCM_SLOW.Oil < 50 kPa"{seen} }}\n'


def temp_at(text: str, coolant: int, key: int = 1) -> int:
    """What Temp says in the translator, with that raw coolant temperature."""
    translator = Translator(compile_text(text).plan)
    for now in range(0, 200_000, 10_000):
        translator.on_frame(0, 0x300, bytes([coolant, 0, 0, 0, 0, 0, 0, 0]), now)
        translator.on_frame(1, 0x600, bytes([key, 0]), now)
        while (frame := translator.poll(now)) is not None or translator.next_poll(now) == now:
            if frame is not None and frame.word == 0x200:
                last = frame.data
    return last[2]


def test_beyond_what_was_recorded_a_needle_says_its_safe_answer_and_not_the_end_of_its_table() -> None:
    text = STATUS.format(message="", seen=', seen = ["-10 degC", "104 degC"]')
    assert temp_at(text, 80 + 40) == 150
    assert temp_at(text, 104 + 40) == 180
    assert temp_at(text, 105 + 40) == 250
    assert temp_at(text, 40 - 11) == 250
    assert temp_at(STATUS.format(message="", seen=""), 105 + 40) == 181


def test_in_a_state_that_was_not_recorded_it_says_its_safe_answer() -> None:
    text = STATUS.format(message="", seen=', seen_states = ["run"]')
    assert temp_at(text, 120) == 250
    assert temp_at(text.replace('["run"]', '["key_on", "run"]'), 120) == 150


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 210), st.lists(st.integers(-40, 170), min_size=2, max_size=2).map(sorted))
def test_whatever_was_recorded_a_rule_speaks_there_and_nowhere_else(coolant: int, ends: list[int]) -> None:
    """Inside its recorded range as if there were none, outside its safe answer, to the last degree."""
    low, high = ends
    told = temp_at(STATUS.format(message="", seen=f', seen = ["{low} degC", "{high} degC"]'), coolant)
    plain = temp_at(STATUS.format(message="", seen=""), coolant)
    assert told == (plain if low <= coolant - 40 <= high else 250)


SEEN = (
    ', seen = ["-10 degC", "104 degC"]',
    ', seen = ["14 degF", "104 degC"], seen_states = ["key_on", "run"]',
    ', seen = { "donor.PCM_SLOW.Coolant" = ["0 degC", "60.5 degC"] }, hold_ms = 70',
)


@pytest.mark.parametrize("seen", SEEN)
def test_translator_contract_and_exact_reference_agree(seen: str) -> None:
    text = STATUS.format(message="", seen=seen)
    lamp = ', seen = { "donor.PCM_FAST.RPM" = ["0 rpm", "6000 rpm"], "donor.PCM_SLOW.Oil" = ["0 kPa", "900 kPa"] }'
    text += LAMP.format(seen=lamp).replace("{{", "{").replace("}}", "}")
    assert drive(compile_text(text), 1, 3000) > 50
    assert same_payloads(text, 2, 3000) > 50


@pytest.mark.parametrize(
    ("seen", "reason"),
    [
        (
            ', seen = { "donor.PCM_FAST.RPM" = ["0 rpm", "1 rpm"] }',
            r"its value depends on donor.PCM_SLOW.Coolant; write",
        ),
        (', seen = ["0 rpm", "1 rpm"]', r"rotational speed"),
        (', seen = ["donor.PCM_SLOW.Coolant", "1 degC"]', r"its ends are not constants"),
        (', seen = ["0 degC"]', r"seen needs two values"),
        (', seen_states = ["driving"]', r"state 'driving' is not known"),
        (", seen_states = []", r"seen_states of Temp is empty"),
    ],
)
def test_what_seen_can_not_say_is_refused_with_its_place(seen: str, reason: str) -> None:
    with pytest.raises((BridgeRefused, InputError), match=reason) as caught:
        compile_text(STATUS.format(message="", seen=seen))
    assert "bridge.toml:" in str(caught.value)


def test_several_sources_need_their_names() -> None:
    text = STATUS.format(message="", seen="") + LAMP.format(seen=', seen = ["0 rpm", "6000 rpm"]')
    with pytest.raises(BridgeRefused, match=r"2 sources \(donor.PCM_FAST.RPM, donor.PCM_SLOW.Oil\)"):
        compile_text(text.replace("{{", "{").replace("}}", "}"))


# --- unreviewed


MARKED = STATUS.format(message="unreviewed = true", seen=", unreviewed = true")


def test_a_mark_travels_into_the_plan_and_back_from_its_file() -> None:
    plan = compile_text(MARKED).plan
    assert plan.unreviewed == ("host.EngineStatus", "host.EngineStatus.Temp")
    assert plan_from_json(plan.to_json()) == plan
    assert "Learned from recordings and not reviewed" in compile_text(MARKED).explain


def test_no_board_files_while_anything_is_unreviewed_and_a_bench_needs_none_of_it() -> None:
    plan = compile_text(MARKED).plan
    with pytest.raises(RefusedError, match=r"host\.EngineStatus, host\.EngineStatus\.Temp.*swapbridge review"):
        emit_c(plan)
    assert native_sources(plan, "bridge")
    assert why_unreviewed(dataclasses.replace(plan, unreviewed=())) == ""
    assert emit_c(dataclasses.replace(plan, unreviewed=()))


def reviewed(text: str) -> str:
    """The text with every mark reviewed as it now is."""
    found = {m.name: m.digest for m in marks(parse_bridge(text), {"donor": DONOR, "host": HOST})}
    whole = f'reviewed = {{ on = "2031-05-04", digest = "{found["host.EngineStatus"]}" }}'
    part = f'reviewed = {{ on = "2031-05-04", digest = "{found["host.EngineStatus.Temp"]}" }}'
    before, after = text.split("unreviewed = true", 2)[0::1][0], text.split("unreviewed = true")
    return before + whole + after[1] + part + after[2]


def test_a_review_lifts_the_mark_until_expression_limit_or_map_changes() -> None:
    text = reviewed(MARKED)
    assert compile_text(text).plan.unreviewed == ()
    for changed, maps in (
        (text.replace("120 degC: 200", "120 degC: 210"), {}),
        (text.replace("fallback = 250", "fallback = 249"), {}),
        (text, {"donor": with_signal(DONOR, "PCM_SLOW", "Coolant", scale=DONOR.messages[1].signals[0].scale * 2)}),
        (text, {"host": with_signal(HOST, "EngineStatus", "Temp", maximum=HOST.messages[0].signals[1].maximum - 1)}),  # type: ignore[operator]
    ):
        result = compile_text(changed, **maps)
        assert "host.EngineStatus.Temp" in result.plan.unreviewed
        assert any("was reviewed on 2031-05-04 and changed since" in note for note in result.warnings)


@settings(max_examples=20, deadline=None)
@given(st.integers(195, 205), st.integers(248, 252), st.integers(118, 122), st.booleans())
def test_a_review_holds_for_what_was_looked_at_and_for_nothing_else(
    top: int, fallback: int, hot: int, spaced: bool
) -> None:
    text = (
        reviewed(MARKED)
        .replace("120 degC: 200", f"{hot} degC: {top}")
        .replace("fallback = 250", f"fallback = {fallback}")
    )
    text = text.replace("rest =", "# a remark\nrest   =") if spaced else text
    same = (top, fallback, hot) == (200, 250, 120)
    assert ("host.EngineStatus.Temp" not in compile_text(text).plan.unreviewed) == same


@given(st.booleans(), st.booleans())
def test_a_plan_names_every_mark_and_no_board_is_written_with_any(message: bool, part: bool) -> None:
    mark = "unreviewed = true"
    plan = compile_text(STATUS.format(message=mark if message else "", seen=f", {mark}" if part else "")).plan
    named = ["host.EngineStatus"] * message + ["host.EngineStatus.Temp"] * part
    assert list(plan.unreviewed) == named
    if not named:
        assert emit_c(plan)
        return
    with pytest.raises(RefusedError) as caught:
        emit_c(plan)
    assert all(name in str(caught.value) for name in named)


def test_a_review_that_was_written_before_the_language_grew_still_holds() -> None:
    """The digest of this text as it was when a review first covered where its signals are; newer keys change it not."""
    found = {m.name: m.digest for m in marks(parse_bridge(MARKED), {"donor": DONOR, "host": HOST})}
    assert found["host.EngineStatus"] == "2bec72811918b41b"
    assert compile_text(reviewed(MARKED)).plan.unreviewed == ()
    grown = reviewed(MARKED).replace('rest = "zero"', 'rest = "zero"\nwith_bus = true')
    assert "host.EngineStatus" in compile_text(grown).plan.unreviewed


def test_a_comment_in_the_map_brings_no_mark_back() -> None:
    text = reviewed(MARKED)
    host = with_signal(HOST, "EngineStatus", "Temp", comment="the needle")
    assert compile_text(text, host=host).plan.unreviewed == ()


def test_old_plans_are_refused_with_the_command_that_compiles_them_again() -> None:
    text = compile_text(MARKED).plan.to_json().replace(f'"version": {PLAN_VERSION}', '"version": 2')
    with pytest.raises(InputError, match=r"compile it again with `swapbridge compile bridge\.toml --out plan\.json`"):
        plan_from_json(text)


def test_every_function_that_remembers_is_known_to() -> None:
    assert set(LOWERINGS) == REMEMBERS


WRAPPED = (
    "x", "delay(x, 2 s)", "delay(x, 0.1 s)", "lowpass(x, 0.3 s)", "rate_limit(x, 20 degC)", "warm",
    "max(x, delay(x, 1 s))", "first_valid(delay(x, 1 s), x)", "choose(hold(x > 90 degC, 1 s), x, delay(x, 0.5 s))",
    "first_valid(x, 20 degC)", "choose(valid(x), x, 20 degC)", "choose(state == 'run', x, delay(x, 1 s))",
)  # fmt: skip
"""A source by itself, remembered, in a named value, beside what looks whether it is valid."""


@pytest.mark.parametrize("value", WRAPPED)
def test_beyond_its_range_every_function_says_the_safe_answer(value: str) -> None:
    """Past the hottest recorded temperature the needle is hot, whatever the rule is made with."""
    text = wrapped(value)
    assert temp_at(text, 104 + 41) == temp_at(text, 210) == 250
    assert same_payloads(text, 3, 1500) > 50
    assert drive(compile_text(text), 3, 1500) > 20


def wrapped(value: str, seen: str = ', seen = ["-10 degC", "104 degC"]') -> str:
    told = value.replace("x", "donor.PCM_SLOW.Coolant").replace("madonor.PCM_SLOW.Coolant", "max")
    text = STATUS.format(message="", seen=seen).replace("table(donor.PCM_SLOW.Coolant,", f"table({told},")
    return text.replace("[states]", '[values]\nwarm = "lowpass(donor.PCM_SLOW.Coolant, 0.2 s)"\n[states]')


@settings(max_examples=12, deadline=None)
@given(
    st.sampled_from([w for w in WRAPPED if "first_valid(x" not in w and "choose" not in w]),
    st.lists(st.tuples(st.integers(30, 210), st.integers(1, 30)), min_size=2, max_size=6),
)
def test_nothing_that_came_from_beyond_its_range_is_ever_said(value: str, drive_of: list[tuple[int, int]]) -> None:
    """Back inside, a delay or a filter says nothing above what the hottest recorded temperature stands for."""
    translator, now, hottest = Translator(compile_text(wrapped(value)).plan), 0, 180
    for coolant, steps in drive_of:
        for _ in range(steps):
            translator.on_frame(0, 0x300, bytes([coolant, 0, 0, 0, 0, 0, 0, 0]), now)
            translator.on_frame(1, 0x600, bytes([1, 0]), now)
            while (frame := translator.poll(now)) is not None or translator.next_poll(now) == now:
                if frame is not None and frame.word == 0x200:
                    assert frame.data[2] == 250 or 30 <= frame.data[2] <= hottest
            now += 50_000
