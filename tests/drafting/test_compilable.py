"""A draft that the compiler takes: what it refuses becomes open, with its reason, and nothing else changes."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from swapbridge.core.layout import Layout
from swapbridge.drafting.compilable import _opened, compilable
from swapbridge.drafting.draft import draft
from swapbridge.drafting.draft_text import _exact
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.recordings import open_swap
from tests.drafting.rig import recordings


def test_refused_rules_are_open_and_the_rest_stays() -> None:
    """Two refusals in one run, as the compiler tells them: each is found by its line."""
    captures, tracks = recordings()
    swap, _ = open_swap(captures, tracks)
    whole = draft(swap)
    assert compilable(swap, whole) == whole
    wrong = {"host": 0x110, "donor": 0x400}

    def spoilt(text: str) -> str:
        return f"({text}) * nothing.Known.Here"

    broken = replace(
        whole,
        messages=tuple(
            replace(m, fields=(replace(m.fields[0], value=spoilt(m.fields[0].value)), *m.fields[1:]))
            if wrong[m.bus] == m.message.key.identifier else m
            for m in whole.messages
        ),
    )  # fmt: skip
    mended = compilable(swap, broken)
    assert [len(m.fields) for m in mended.messages] == [len(m.fields) for m in whole.messages]
    for before, after in zip(whole.messages, mended.messages, strict=True):
        for n, (old, new) in enumerate(zip(before.fields, after.fields, strict=True)):
            if n == 0 and wrong[before.bus] == before.message.key.identifier:
                assert (new.how, new.confidence, new.value) == ("open", 0.0, old.fallback)
                assert "compiler refuses" in new.words
            else:
                assert new == old


def test_a_rule_too_fine_to_calculate_says_so_without_its_formula() -> None:
    one = Explained(Layout(0, 8), "f", "table", 0.9, "0.003 * x", "255")
    opened = _opened(one, "(0.003 * x) could exceed 64 bits (it may reach 80253206933593750000 to 9); state a range")
    assert (opened.how, opened.value) == ("open", "255")
    assert opened.words.endswith("its numbers are finer than a translator can calculate exactly")
    assert _opened(one, "no such signal").words.endswith("refuses: no such signal")


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (1 / 256, Fraction(1, 256)),
        (0.05625, Fraction("0.05625")),
        (5 / 9, Fraction("0.555556")),
        (-40.0, Fraction(-40)),
    ],
)
def test_scales_are_written_as_short_as_they_can_be(value: float, written: Fraction) -> None:
    assert _exact(value) == written
