"""Findings as text and pictures: what people see of a guess."""

from __future__ import annotations

import builtins
import html.parser
import sys
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.errors import InputError, MissingToolError
from swapbridge.core.layout import Layout
from swapbridge.guessing.executors import open_executor
from swapbridge.guessing.findings_report import (
    bit_map,
    claims_in_order,
    formula,
    found_method,
    integrity_in_order,
    story,
    sureness,
    totals,
    where,
)
from swapbridge.guessing.guess import guess
from swapbridge.guessing.meaning.meaning import attach_meaning
from swapbridge.guessing.overlay_pages import draw_html, draw_png, field_overlays
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage


@pytest.fixture(scope="module")
def findings(plain_vehicle: Any) -> Findings:
    return Findings(*attach_meaning(plain_vehicle.fields, plain_vehicle.capture, plain_vehicle.stimulus))


def field(name: str, layout: Layout, kind: Any = "analogue", **more: Any) -> FoundField:
    return FoundField(name, layout, kind, 0.99, 0.99, **more)


def test_best_claims_come_first(findings: Findings) -> None:
    """Channels by their best claim, the best first within each; fields without a channel are not listed."""
    claims = [(f.stimulus, f.confidence) for _, f in claims_in_order(findings)]
    seen: list[str | None] = []
    last = 1.0
    for channel, confidence in claims:
        if channel in seen:
            assert seen[-1] == channel
            assert confidence <= last
        else:
            seen.append(channel)
        last = confidence
    assert {"engine_speed", "pedal", "vehicle_speed", "coolant_temp", "brake_switch", "lever"} <= set(seen)


def test_a_bit_map_shows_every_bit_once() -> None:
    """Letters for fields, upper case at the most significant bit, signs for counters, checksums and still bits."""
    message = FoundMessage(
        0x1A0, False, "0", 3, 10.0, 500,
        (
            field("f", Layout(7, 12, "big_endian"), stimulus="engine_speed"),
            field("c", Layout(8, 2), "counter", method={"kind": "counter", "low": 0, "high": 3}),
            field("s", Layout(16, 8), "checksum"),
        ),
    )  # fmt: skip
    assert bit_map(message) == [
        "byte   7 6 5 4  3 2 1 0",
        "   0   A a a a  a a a a   a engine_speed",
        "   1   a a a a  . . + +   + counter",
        "   2   # # # #  # # # #   # checksum",
    ]


def test_a_multiplexed_message_has_a_map_a_value() -> None:
    """Each multiplexer value shows its own fields and the common ones."""
    message = FoundMessage(
        0x20, True, "0", 2, 100.0, 90,
        (
            field("which", Layout(0, 8), "mux"),
            field("one", Layout(8, 8), mux=("which", 1)),
            field("two", Layout(8, 4), mux=("which", 2)),
        ),
    )  # fmt: skip
    lines = list(story(Findings((message,)), 0x20, True))
    assert "when which is 1:" in lines
    assert "   1   A a a a  a a a a   a one" in lines
    assert "   1   . . . .  A a a a   a two" in lines
    assert lines[0].startswith("20x on bus 0")


def test_a_story_fits_the_terminal_and_names_the_evidence(findings: Findings) -> None:
    """At most 100 columns; an identifier that isn't there is refused with the next step."""
    lines = list(story(findings, 0x100, False))
    assert max(map(len, lines)) <= 100
    text = "\n".join(lines)
    for words in ("follows engine_speed: raw x 0.25 rpm", "held-out stretches", "runner-up", "lag s"):
        assert words in text
    with pytest.raises(InputError, match="survey"):
        list(story(findings, 0x7FF, False))


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        (Layout(0, 8), "byte 0"),
        (Layout(10, 1), "byte 1 bit 2"),
        (Layout(8, 3), "byte 1 bits 2-0"),
        (Layout(0, 16), "bytes 0-1 little"),
        (Layout(7, 16, "big_endian"), "bytes 0-1 big"),
        (Layout(0, 12), "12 bits, bytes 0-1 little"),
    ],
)
def test_where_a_field_stands_in_words(layout: Layout, words: str) -> None:
    """Bytes where it fills them, bits where it doesn't."""
    assert where(layout) == words


def test_formulas_methods_and_sureness_in_words() -> None:
    """Short words for what the numbers say."""
    assert formula(field("a", Layout(0, 8))) == "raw"
    assert formula(field("a", Layout(0, 8), scale=0.75, offset=-48.0)) == "raw x 0.75 - 48"
    assert formula(field("a", Layout(0, 8), evidence={"choices": {"1": "P", "2": "R"}})) == "1=P, 2=R"
    assert [sureness(p) for p in (0.99, 0.9, 0.6, 0.3, 0.1)] == ["sure", "likely", "perhaps", "doubtful", "a hint"]
    counter = field("c", Layout(0, 4), "counter", method={"kind": "counter", "low": 0, "high": 14, "step": 1})
    assert found_method(counter) == "counts 0 to 14"
    crc = {"kind": "crc", "width": 8, "polynomial": 0x1D, "name": "", "after": "01"}
    assert found_method(field("c", Layout(0, 8), "checksum", method=crc)) == "CRC-8 polynomial 0x1D with constant bytes"
    total = {"kind": "sum", "unit_bits": 4, "factor": -1, "constant": -1}
    assert found_method(field("c", Layout(0, 4), "checksum", method=total)) == "complement of the sum of nibbles, -1"
    both = Findings((FoundMessage(1, False, "0", 8, 10.0, 9, (counter,)),))
    assert [words for *_, words in integrity_in_order(both)] == ["counts 0 to 14"]
    assert totals(both) == "1 identifier: 1 counter; 0 sure of meaning"


class Tags(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        assert not any(name in ("src", "href") for name, _ in attrs)


def test_the_html_picture_is_whole_in_itself(findings: Findings, plain_vehicle: Any) -> None:
    """A line and dots for every claim of numbers, nothing fetched from anywhere, text escaped."""
    pictures = field_overlays(findings, [plain_vehicle.capture], [plain_vehicle.stimulus])
    page = draw_html(pictures, "a <b> title")
    tags = Tags()
    tags.feed(page)
    assert tags.seen.count("svg") == len(pictures) >= 5
    assert tags.seen.count("polyline") == len(pictures)
    assert "a &lt;b&gt; title" in page
    assert "http" not in page


def test_line_and_dots_lie_over_each_other(findings: Findings, plain_vehicle: Any) -> None:
    """The overlay is the claim: field moved by its lag and scaled agrees with what the tool said."""
    best = field_overlays(findings, [plain_vehicle.capture], [plain_vehicle.stimulus], ids=[(0x100, False)])[0]
    at = np.interp(best.channel_time_s, best.field_time_s, best.field_value)
    assert np.median(np.abs(at - best.channel_value)) < 0.02 * np.ptp(best.channel_value)
    with pytest.raises(InputError, match="nothing to draw"):
        field_overlays(findings, [plain_vehicle.capture], [plain_vehicle.stimulus], ids=[(0x7FF, False)])


def test_the_png_picture_is_a_png(findings: Findings, plain_vehicle: Any) -> None:
    """PNG signature and a picture of some size (ISO/IEC 15948: eight signature bytes)."""
    page = draw_png(
        field_overlays(findings, [plain_vehicle.capture], [plain_vehicle.stimulus], ids=[(0x100, False)]), "t"
    )
    assert page[:8] == b"\x89PNG\r\n\x1a\n"
    assert len(page) > 10_000


def test_png_without_matplotlib_says_what_to_install(
    findings: Findings, plain_vehicle: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An optional package that isn't there is named with its extra."""
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    for name in [m for m in sys.modules if m.startswith("matplotlib")]:
        monkeypatch.delitem(sys.modules, name)
    with pytest.raises(MissingToolError, match=r"swapbridge\[plot\]"):
        draw_png(field_overlays(findings, [plain_vehicle.capture], [plain_vehicle.stimulus]), "t")


def test_processes_that_are_spawned_find_the_same(plain_vehicle: Any) -> None:
    """As on Windows and a Mac, where a process begins with nothing of the one that started it."""
    ids = [(k.identifier, k.extended) for k, _ in plain_vehicle.capture.groups()][:3]
    with open_executor(jobs=2) as executor:
        assert executor is not None
        assert guess(plain_vehicle.capture, ids=ids, executor=executor) == guess(plain_vehicle.capture, ids=ids)


def test_executors_are_chosen_by_size() -> None:
    """Small captures need no processes; fewer than one process is refused."""
    with open_executor(frames=100) as executor:
        assert executor is None
    with open_executor(jobs=1, frames=10**7) as executor:
        assert executor is None
    with open_executor(jobs=2) as executor:
        assert executor is not None
        assert executor.submit(abs, -3).result() == 3
    with pytest.raises(InputError, match="at least 1"), open_executor(jobs=0):
        pass


def test_every_capture_is_drawn(plain_vehicle: Any, findings: Findings) -> None:
    """Two recordings of one vehicle: each claim is drawn in both, and the picture says in which."""
    first, second = replace(plain_vehicle.capture, source="a.log"), replace(plain_vehicle.capture, source="b.log")
    track = plain_vehicle.stimulus
    alone = field_overlays(findings, [first], [track])
    both = field_overlays(findings, [first, second], [track, track])
    assert [o.title for o in both] == [f"{o.title}, {name}" for name in ("a.log", "b.log") for o in alone]
