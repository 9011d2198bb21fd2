"""Messages that say several things in turn: the order is found again, and each page is a message of its own."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.capture.capture import FrameKey
from swapbridge.core.layout import Layout
from swapbridge.drafting.building import _message, page_order
from swapbridge.drafting.draft import parts_of
from swapbridge.drafting.draft_text import _base, _drafted_signals, _message_lines, claims
from swapbridge.drafting.drafted import Drafted, DraftedMessage, Explained, Life, Times
from swapbridge.drafting.picture import message_picture
from swapbridge.drafting.recorded_vehicle import Floats, Ints
from swapbridge.signalmap.findings import FieldKind, FoundField, FoundMessage

PERIOD = 0.05


def wakes(turn: list[int], frames: int = 400) -> tuple[Floats, Ints]:
    """Times and pages of two wakes, each from the first page on."""
    times = np.concatenate([np.arange(frames) * PERIOD, 100 + np.arange(frames) * PERIOD])
    return times, np.array([turn[k % len(turn)] for _ in range(2) for k in range(frames)])


def primitive(turn: list[int]) -> list[int]:
    """The shortest part that a turn repeats."""
    return next(turn[:n] for n in range(1, len(turn) + 1) if (turn * 2)[n : n + len(turn)] == turn)


@given(turn=st.lists(st.integers(0, 15), min_size=2, max_size=12), lost=st.integers(0, 5))
def test_any_order_of_pages_is_found_again(turn: list[int], lost: int) -> None:
    times, pages = wakes(turn)
    keep = np.ones(len(times), bool)
    keep[np.random.default_rng(lost).integers(20, 380, lost)] = False
    assert list(page_order(times[keep], pages[keep])) == primitive(turn)


def test_pages_that_come_by_chance_have_no_order() -> None:
    times, _ = wakes([0])
    assert page_order(times, np.random.default_rng(1).integers(0, 4, len(times))) == ()


def found(name: str, kind: FieldKind, start: int, length: int, page: int | None = None) -> FoundField:
    mux = None if page is None else ("chooser", page)
    return FoundField(name, Layout(start, length), kind, 0.9, 0.9, mux=mux)


@pytest.fixture
def made() -> DraftedMessage:
    """Pages 1, 2, 1, 3: a fast value on 1, a flag on 2, nothing but a constant on 3; a flag in every frame."""
    times, pages = wakes([1, 2, 1, 3])
    n = np.arange(len(times))
    payload = np.zeros((len(times), 4), np.uint8)
    payload[:, 0] = pages
    payload[:, 1] = np.where(pages == 1, (n // 2 * 7) % 251, np.where(pages == 2, (n // 60) % 2, 0x5A))
    payload[:, 2], payload[:, 3] = 0xFF, (n // 90) % 2
    fields = (
        found("chooser", "mux", 0, 2), found("shared", "flag", 24, 1), found("fast", "analogue", 8, 8, 1),
        found("slow", "flag", 8, 1, 2),
    )  # fmt: skip
    guessed = FoundMessage(0x123, False, "", 4, 50.0, len(n), fields)
    message = _message(FrameKey(0, 0x123, False), 4, times, payload, guessed)
    explained = []
    for page, part in parts_of(message):
        explained += [Explained(f.layout, f.name, "copy", 0.9, "donor.X.y", "0", page=page) for f in part.fields]
    return DraftedMessage("host", message, Life("key", 50, 0, "so"), tuple(explained))


def test_each_page_is_a_message_of_its_own(made: DraftedMessage) -> None:
    assert [(f.name, f.page) for f in made.fields] == [("f_24_1", None), ("f_8_8_page_1", 1), ("f_8_1_page_2", 2)]
    parts = dict(parts_of(made.message))
    assert parts[1].period_s == pytest.approx(2 * PERIOD)
    assert parts[2].period_s == pytest.approx(4 * PERIOD)
    assert set(parts[2].payload[:, 0].tolist()) == {2}


def test_pages_are_written_with_their_order_and_what_never_moved_on_each(made: DraftedMessage) -> None:
    lines = _message_lines(made, True, True)
    assert any(line.startswith("mux = [1, 2, 1, 3]") for line in lines)
    signals = {s.name: s for s in _drafted_signals(made)}
    assert signals["Page"].is_multiplexer
    assert (signals["f_8_1_page_2"].mux_signal, signals["f_8_1_page_2"].mux_values) == ("Page", (2,))
    assert signals["f_24_1"].mux_signal is None
    base = _base(made.message)
    assert base.of_page(3).payload[1] == 0x5A
    assert base.of_page(3).fixed[1] == 0xFF
    assert not base.fixed[1]


def test_the_bits_that_tell_the_page_are_claimed_as_such(made: DraftedMessage) -> None:
    said = claims(Drafted((made,), Times("", "", "", 0, 300)))["signals"]
    assert [(c["how"], c.get("page")) for c in said] == [("copy", None), ("copy", 1), ("copy", 2), ("page", None)]
    assert any("= page" in line for line in message_picture(made))
