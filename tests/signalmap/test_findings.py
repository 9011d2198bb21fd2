"""Findings as JSON that any reader takes, read back as what they were; what can't be is refused by name."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.signalmap.findings import (
    ConstantBits,
    FieldKind,
    Findings,
    FoundField,
    FoundGroup,
    FoundMessage,
    findings_from_dict,
    findings_from_json,
)

SHARES = st.floats(0, 1)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
WORDS = st.text(st.characters(codec="utf-8"), max_size=8)
KINDS: tuple[FieldKind, ...] = ("analogue", "flag", "enum", "counter", "checksum", "constant", "mux")
LAYOUTS = st.builds(
    Layout, st.integers(0, 511), st.integers(1, 64), st.sampled_from(("little_endian", "big_endian")), st.booleans()
)
BITS = st.builds(ConstantBits, st.binary(max_size=8), st.binary(max_size=8), st.integers(0, 9))
PAGES = st.lists(st.tuples(st.integers(0, 9), BITS), unique_by=lambda page: page[0], max_size=2).map(tuple)
PAGED = st.builds(
    ConstantBits, st.binary(max_size=8), st.binary(max_size=8), st.integers(0, 9),
    st.builds(Layout, st.integers(0, 511), st.integers(1, 64), st.just("big_endian")), PAGES,
)  # fmt: skip
FOUND = st.builds(
    FoundField, WORDS, LAYOUTS, st.sampled_from(KINDS), SHARES, SHARES, NUMBERS, NUMBERS, WORDS, st.none() | WORDS,
    st.none() | NUMBERS, st.none() | WORDS, st.none() | st.tuples(WORDS, st.integers(0, 255)),
    st.none() | st.just({"kind": "sum"}), st.just(({"score": 0.5},)) | st.just(()), st.dictionaries(WORDS, NUMBERS),
)  # fmt: skip
MESSAGES = st.builds(
    FoundMessage, st.integers(0, 0x7FF), st.booleans(), WORDS, st.integers(0, 64), NUMBERS, st.integers(0, 10**9),
    st.lists(FOUND, max_size=3).map(tuple), st.none() | BITS | PAGED,
    st.none() | st.builds(FoundGroup, st.integers(0, 0x3FFFF), st.integers(0, 255), WORDS, WORDS),
)  # fmt: skip


@given(
    st.builds(
        Findings,
        st.lists(MESSAGES, max_size=2).map(tuple),
        st.lists(WORDS, max_size=2).map(tuple),
        st.dictionaries(WORDS, st.dictionaries(WORDS, NUMBERS), max_size=2),
    )
)
def test_what_was_written_is_read_back(findings: Findings) -> None:
    text = json.dumps(findings.to_dict(), allow_nan=False)
    assert findings_from_json(text) == findings
    assert json.dumps(findings_from_json(text).to_dict()) == text


def changed(**changes: Any) -> dict[str, Any]:
    """Findings of one field, some of its entries changed."""
    message = FoundMessage(0x1A0, False, "0", 8, 10.0, 1, (FoundField("a", Layout(0, 8), "flag", 0.9, 0.9),))
    data = Findings((message,)).to_dict()
    data["messages"][0]["signals"][0] |= changes
    return data


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"confidence": 7}, "a has 7 where a share from 0 to 1 belongs"),
        ({"layout_confidence": None}, "a has None where a number belongs"),
        ({"scale": "0.5"}, "a has '0.5' where a number belongs"),
        ({"offset": True}, "a has True where a number belongs"),
        ({"kind": "guess"}, "of kind 'guess'"),
        ({"length": 65}, "1 to 64 bits, not 65"),
        ({"name": None}, "None is not a name"),
        ({"mux": {"signal": "m"}}, "no 'value'"),
    ],
)
def test_a_field_that_cant_be_is_named(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=f"^message 1 of the findings .*{words}"):
        findings_from_dict(changed(**changes))


@pytest.mark.parametrize("text", ["", "{", '{"version": 1, "messages": [], "advice": ["\\ud800"]}', "[" * 100_000])
def test_text_that_is_no_json_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="swapbridge guess CAPTURE --json FILE"):
        findings_from_json(text)


def test_what_is_no_number_becomes_null() -> None:
    found = FoundField(
        "field_0_8",
        Layout(0, 8),
        "analogue",
        0.9,
        0.9,
        evidence={"margin_bits": math.inf, "words": "no rival", "r2": 0.5, "lags": [math.nan, 0.1]},
        alternatives=({"score": -math.inf},),
    )
    message = FoundMessage(0x1A0, False, "0", 8, math.nan, 1, (found,))
    text = json.dumps(Findings((message,), channels={"speed": {"noise": math.nan}}).to_dict(), allow_nan=False)
    read = json.loads(text)["messages"][0]
    assert read["period_ms"] is None
    assert read["signals"][0]["evidence"] == {"margin_bits": None, "words": "no rival", "r2": 0.5, "lags": [None, 0.1]}
    assert read["signals"][0]["alternatives"] == [{"score": None}]
