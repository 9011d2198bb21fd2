"""Reading a bridge file: what is not written has its stated default, and each refusal points at its very place."""

from __future__ import annotations

from fractions import Fraction as F

import pytest

from swapbridge.core.errors import SwapbridgeError
from swapbridge.language.bridge_file import Written
from swapbridge.language.constants import constant, constant_or_percent, parse_written
from swapbridge.language.dependencies import names_behind
from swapbridge.language.expressions import decimal_text
from swapbridge.language.places import FilePlace, Places
from swapbridge.language.reading import parse_bridge
from swapbridge.language.tables import decimal

BASE = '[bridge]\nname = "x"\n[buses.host]\nplacement = "inline"\n'
SEND = BASE + '[[messages]]\nsend = "host.M"\n'
SOURCE = BASE + '[sources."host.M"]\n'


def test_times_that_are_not_written() -> None:
    bridge = parse_bridge(SEND + '[states]\nkey_on = "true"\n')
    assert bridge.messages[0].gap_us in (None, 0)
    assert bridge.states is not None
    assert bridge.states.after_run_us == 0


def test_times_that_are() -> None:
    bridge = parse_bridge(SEND + 'gap_ms = 2.5\n[states]\nkey_on = "true"\nafter_run_ms = 200\n')
    assert bridge.messages[0].gap_us == 2500
    assert bridge.states is not None
    assert bridge.states.after_run_us == 200_000


def test_one_page_is_an_order_too() -> None:
    assert parse_bridge(SEND + "mux = [3]\n").messages[0].mux == (3,)


@pytest.mark.parametrize("limits", ['["0 Nm"]', '["0 Nm", "1 Nm", "2 Nm"]', "[]"])
def test_limits_are_two(limits: str) -> None:
    with pytest.raises(SwapbridgeError, match="limits needs two values"):
        parse_bridge(SEND + f'[messages.signals]\nTorque = {{ value = "1 Nm", limits = {limits} }}\n')
    both = parse_bridge(SEND + '[messages.signals]\nTorque = { value = "1 Nm", limits = ["0 Nm", "2 Nm"] }\n')
    assert both.messages[0].signals[0].limits == (Written("0 Nm"), Written("2 Nm"))


@pytest.mark.parametrize("text", ["true", "false"])
def test_a_truth_value_is_an_expression(text: str) -> None:
    bridge = parse_bridge(SEND + f"[messages.signals]\nLamp = {text}\n")
    assert bridge.messages[0].signals[0].value.text == text


@pytest.mark.parametrize("text", ["0.125", "-0.125", "3.0", "-40.05", "1e-6", "2.5e3"])
def test_a_written_number_keeps_its_value_and_sign(text: str) -> None:
    bridge = parse_bridge(BASE + f"[constants]\nK = {text}\n")
    assert constant(bridge, bridge.constants["K"])[0] == F(text)


@pytest.mark.parametrize(
    ("value", "text", "shown"),
    [
        (F(0), "0", "0.0"),
        (F(-1, 2), "-0.5", "-0.5"),
        (F(1, 400), "0.0025", "0.0025"),
        (F(-12), "-12", "-12.0"),
        (F(-1, 8), "-0.125", "-0.125"),
    ],
)
def test_a_decimal_is_written_exactly(value: F, text: str, shown: str) -> None:
    assert (decimal(value), decimal_text(value)) == (text, shown)
    assert F(text) == F(shown) == value


def test_what_has_no_end_as_a_decimal_is_a_fraction() -> None:
    assert decimal_text(F(-1, 3)) == "-1/3"


def test_only_a_torque_in_percent_of_a_reference_is_turned_into_percent() -> None:
    bridge = parse_bridge(BASE + '[constants]\nwhole = "400 Nm"\nhalf = "200 Nm"\nshare = "25 %"\n')
    half, share, whole = (Written(name) for name in ("half", "share", "whole"))
    assert constant_or_percent(bridge, half, "%", whole) == 50
    assert constant_or_percent(bridge, share, "%", whole) == constant_or_percent(bridge, share, "%", None) == 25
    assert constant_or_percent(bridge, half, "Nm", whole) == constant_or_percent(bridge, half, "Nm", None) == 200
    with pytest.raises(SwapbridgeError, match="can't be converted"):
        constant_or_percent(bridge, half, "%", None)
    with pytest.raises(SwapbridgeError, match="can't be converted"):
        constant_or_percent(bridge, half, "rpm", whole)
    with pytest.raises(SwapbridgeError, match="the reference torque is 0"):
        constant_or_percent(bridge, half, "%", Written("0 Nm"))


@pytest.mark.parametrize("text", ["nobody", "1 + 1 Nm"])
def test_what_is_no_constant_is_refused(text: str) -> None:
    with pytest.raises(SwapbridgeError, match="is not a constant"):
        constant(parse_bridge(BASE + '[constants]\nwhole = "400 Nm"\n'), Written(text))


@pytest.mark.parametrize(("key", "value", "fine"), [
    ("lost_ok", 0, True), ("lost_ok", 100, True), ("lost_ok", -1, False), ("lost_ok", 101, False),
    ("first", 0, False), ("first", 1, True), ("recover", 0, False), ("recover", 100, True), ("recover", 101, False),
])  # fmt: skip
def test_counts_of_frames_have_ends(key: str, value: int, fine: bool) -> None:
    text = SOURCE + f"{key} = {value}\n"
    if fine:
        assert getattr(parse_bridge(text).sources[0], key) == value
        return
    with pytest.raises(SwapbridgeError, match=rf"bridge.toml:6:1: .*{key}"):
        parse_bridge(text)


def test_a_number_of_the_most_digits_is_read_and_one_more_is_not() -> None:
    assert constant(bridge := parse_bridge(BASE + f"[constants]\nK = 0.{'1' * 58}\n"), bridge.constants["K"])[0] > 0
    with pytest.raises(SwapbridgeError, match="more than 60 digits"):
        parse_bridge(BASE + f"[constants]\nK = 0.{'1' * 59}\n")


def test_a_refusal_points_into_the_expression() -> None:
    bridge = parse_bridge(BASE + '[constants]\nK = "1 + )"\n')
    with pytest.raises(SwapbridgeError) as refused:
        constant(bridge, bridge.constants["K"])
    assert str(refused.value).startswith("bridge.toml:6:10: ")


@pytest.mark.parametrize(("size", "fine"), [(0, True), (4096, True), (-1, False), (4097, False)])
def test_a_queue_of_passed_frames_has_ends(size: int, fine: bool) -> None:
    text = BASE.replace("name =", f"pass_queue = {size}\nname =")
    if fine:
        assert parse_bridge(text).pass_queue == size
        return
    with pytest.raises(SwapbridgeError, match="pass_queue is out of range"):
        parse_bridge(text)


@pytest.mark.parametrize(("key", "value", "fine"), [
    ("delay_ms", 0, True), ("delay_ms", -1, False), ("last_ms", 0, True), ("last_ms", -1, False),
    ("once", 1, True), ("once", 255, True), ("once", 256, False), ("once", -1, False),
])  # fmt: skip
def test_times_and_counts_of_a_message_have_ends(key: str, value: int, fine: bool) -> None:
    if fine:
        assert parse_bridge(SEND + f"{key} = {value}\n").messages
    else:
        with pytest.raises(SwapbridgeError, match=key):
            parse_bridge(SEND + f"{key} = {value}\n")


@pytest.mark.parametrize(("ids", "ranges"), [
    ("300-3FF", ((0x300, 0x3FF),)), ("7FF-7FF", ((0x7FF, 0x7FF),)), ("1A0", ((0x1A0, 0x1A0),)),
    ("0x-1FFFFFFFx", ((1 << 31, 1 << 31 | 0x1FFFFFFF),)), ("3FF-300", None), ("100-100x", None), ("0-1FFFFFFFx", None),
])  # fmt: skip
def test_ranges_of_identifiers(ids: str, ranges: tuple[tuple[int, int], ...] | None) -> None:
    text = BASE + f'[buses.donor]\nplacement = "inline"\n[[pass]]\nfrom = "host"\nto = "donor"\nids = ["{ids}"]\n'
    if ranges is not None:
        assert parse_bridge(text).passes[0].ranges == ranges
    else:
        with pytest.raises(SwapbridgeError, match="is not a range"):
            parse_bridge(text)


def test_rules_are_the_same_wherever_they_stand_and_reviewed_unless_said() -> None:
    signals = "[messages.signals]\nA = '1'\n"
    first, moved = parse_bridge(SEND + signals), parse_bridge("\n\n" + SEND + signals)
    assert first.messages == moved.messages
    assert not first.messages[0].unreviewed
    assert not first.messages[0].signals[0].unreviewed


def test_names_behind_named_values_are_those_of_signals() -> None:
    bridge = parse_bridge(BASE + '[values]\nw = "host.M.A + k"\nv = "w + host.M.B"\n[constants]\nk = "3 rpm"\n')
    assert [name.dotted for name in names_behind(bridge, parse_written(bridge, bridge.values["v"]))] == [
        "host.M.B",
        "host.M.A",
    ]


@pytest.mark.parametrize(("ids", "fine"), [('"1A0"', True), ('"1A0-1A1"', False), ('"1A0", "1A1"', False)])
def test_one_identifier_at_a_time_is_renamed(ids: str, fine: bool) -> None:
    rule = f'[buses.donor]\nplacement = "inline"\n[[pass]]\nfrom = "host"\nto = "donor"\nids = [{ids}]\n'
    assert parse_bridge(BASE + rule).passes[0].new_word == -1
    if fine:
        assert parse_bridge(BASE + rule + 'as = "123"\n').passes[0].new_word == 0x123
        return
    with pytest.raises(SwapbridgeError, match="renames one passed identifier"):
        parse_bridge(BASE + rule + 'as = "123"\n')


def test_a_text_at_the_beginning_of_a_line_has_its_place() -> None:
    places = Places("[[messages]]\nsend = 'host.M'\non_arrival = [\n'donor.A',\n'donor.B']\n")
    assert places.of_text(("messages", 0, "on_arrival", 1), "donor.B") == FilePlace(5, 2)
