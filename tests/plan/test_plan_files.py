"""Plans as files: read back as written, the same bytes every time, and refused when anyone has edited them."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.errors import InputError
from swapbridge.plan.check import check_plan
from swapbridge.plan.plan import Op
from swapbridge.plan.python.translator import Translator, translator_source
from swapbridge.plan.serialise import plan_from_json
from tests.compiler.kit import RICH, compile_text

PLAN = compile_text(RICH).plan
TEXT = PLAN.to_json()


def test_reads_back_as_written_and_is_deterministic() -> None:
    assert plan_from_json(TEXT) == PLAN
    assert compile_text(RICH).plan.to_json() == TEXT
    assert translator_source(PLAN) == translator_source(plan_from_json(TEXT))
    names = [name for name, digest in PLAN.inputs if len(digest) == 64]
    assert names == ["bridge", "map donor", "map host"]


def test_a_bus_is_found_by_its_whole_name_only() -> None:
    assert [PLAN.bus_number(bus.name) for bus in PLAN.buses] == list(range(len(PLAN.buses)))
    for name in ("", "a", "hos", "host2", "zz"):
        with pytest.raises(InputError, match="the plan has no bus"):
            PLAN.bus_number(name)


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("", "not readable JSON"),
        ("[]", "this is not a plan"),
        ("[" * 100_000, "not readable JSON"),
        (TEXT.replace('"version": 7', '"version": 99'), "version 99, this program reads 7"),
        (TEXT.replace('"version": 7', '"version": 6'), "version 6, this program reads 7: compile it again"),
        (TEXT.replace('"pass_queue": 32', '"pass_queue": 32.5'), "not an integer"),
        (TEXT.replace('"pass_queue": 32', '"pass_queue": NaN'), "not an integer"),
        (TEXT.replace('"pass_queue": 32', '"pass_queue": true'), "plan.pass_queue is bool, not int"),
        (TEXT.replace('"pass_queue": 32', '"pass_que": 32'), "wrong or missing entries"),
    ],
)
def test_what_is_no_plan_is_refused(text: str, pattern: str) -> None:
    with pytest.raises(InputError, match=pattern):
        plan_from_json(text)


def test_a_plan_of_the_most_characters_is_read_and_one_more_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("swapbridge.plan.serialise.MAX_PLAN_CHARACTERS", len(TEXT))
    assert plan_from_json(TEXT) == PLAN
    with pytest.raises(InputError, match="larger than"):
        plan_from_json(TEXT + " ")


def change(path: list[Any], value: Any) -> str:
    data = json.loads(TEXT)
    at = data
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    return json.dumps(data)


def find_op(kind: str) -> list[Any]:
    for v, send in enumerate(PLAN.sends):
        for i, op in enumerate(send.variants[0].block):
            if op.kind == kind:
                return ["sends", v, "variants", 0, "block", i]
    raise AssertionError(kind)


@pytest.mark.parametrize(
    ("path", "value", "pattern"),
    [
        ([*find_op("const"), 6], 7, "claims the interval"),
        ([*find_op("load"), 6], 9999, "names something that is not there"),
        ([*find_op("div"), 3], 5000, "reads a register that is not there yet"),
        ([*find_op("div"), 0], "exec", "unknown kind"),
        ([*find_op("load"), 0], "store", "stores outside a task|reads a register"),
        (["slots", 3, "initial"], 1 << 70, "begins outside|64 bits"),
        (["feeds", 0, "max_age_us"], 1 << 31, "age limit"),
        (["sends", 0, "period_us"], -1, "period outside"),
        (["sends", 0, "word"], 0x800, "bad identifier"),
        (["sends", 0, "bus"], 7, "bus that is not there"),
        (["receives", 0, "feeds"], [], "must each belong to one receive"),
        (["buses", 0, "placement"], "beside", "unknown placement"),
        (["tables", 0, "x"], [3, 2, 1, 0], "rising x"),
        (["tasks"], [], "are missing"),
    ],
)
def test_an_edited_plan_is_refused_with_the_promise_it_breaks(path: list[Any], value: Any, pattern: str) -> None:
    with pytest.raises(InputError, match=pattern):
        plan_from_json(change(path, value))


def test_a_bad_plan_is_never_turned_into_code() -> None:
    send = PLAN.sends[0]
    variant = dataclasses.replace(send.variants[0], block=(Op("const", 0, 0, value=3),), fields=())
    with pytest.raises(InputError, match="claims the interval"):
        Translator(dataclasses.replace(PLAN, sends=(dataclasses.replace(send, variants=(variant,)), *PLAN.sends[1:])))


def test_no_name_of_a_file_reaches_the_generated_source() -> None:
    named = dataclasses.replace(PLAN, name="x'); import os #", slots=tuple(
        dataclasses.replace(s, name="__import__('os')") for s in PLAN.slots
    ))  # fmt: skip
    assert translator_source(named) == translator_source(PLAN)


leaves = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.text(max_size=5), st.just([]), st.just({})
)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_damage_is_refused_or_leaves_a_valid_plan(data: st.DataObject) -> None:
    document = json.loads(TEXT)
    at: Any = document
    while True:
        keys = list(at) if isinstance(at, dict) else list(range(len(at)))
        key = data.draw(st.sampled_from(keys))
        if not isinstance(at[key], dict | list) or not at[key] or data.draw(st.integers(0, 4)) == 0:
            at[key] = data.draw(leaves)
            break
        at = at[key]
    text = json.dumps(document)
    refused = False
    try:
        plan = plan_from_json(text)
        check_plan(plan)
    except InputError as error:
        refused = bool(str(error))
    assert refused or plan_from_json(plan.to_json()) == plan
