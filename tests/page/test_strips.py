"""Pictures on one axis of time: each against a slow and obvious telling of the same frames."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import EXTENDED, Capture, FrameKey
from swapbridge.capture.write import write_capture
from swapbridge.core.layout import Layout
from swapbridge.page.strips import (
    field_strips,
    frame_at,
    lanes,
    period_strip,
    sorted_frames,
    text_blocks,
    window,
)
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.page.test_views import ramp_capture

OpenPage = Callable[[Path], Any]


def mixed_capture(frames: int = 600, seed: int = 4) -> Capture:
    """Several identifiers, two buses, both forms, a clock that steps back once."""
    rng = np.random.default_rng(seed)
    time_ns = np.cumsum(rng.integers(1_000_000, 30_000_000, frames)) + 5_000_000_000
    time_ns[frames // 2 :] -= 40_000_000
    kind = rng.integers(0, 5, frames)
    payload = np.zeros((frames, 8), np.uint8)
    payload[:, 0] = rng.integers(0, 3, frames)
    return Capture(
        time_ns=time_ns.astype(np.int64),
        identifier=np.array([0x100, 0x100, 0x2A0, 0x2A0, 0x700], np.uint32)[kind],
        flags=np.where(kind == 3, EXTENDED, 0).astype(np.uint8),
        bus=(kind == 1).astype(np.uint8),
        length=np.where(kind == 4, 1, 8).astype(np.uint8),
        payload=payload,
        bus_names=("donor", "host"),
    )


@pytest.mark.parametrize("span", [(0.0, 9.0), (1.234, 2.345), (4.0, 4.001), (-3.0, -1.0), (8.0, 99.0)])
def test_lanes_count_as_a_loop_does(span: tuple[float, float]) -> None:
    capture = mixed_capture()
    frames, columns = sorted_frames(capture), 25
    found = lanes(frames, span, columns)
    start = int(capture.time_ns.min())
    for key, cells in zip(frames.keys, found, strict=True):
        mine = [
            ((int(capture.time_ns[n]) - start) / 1e9, capture.payload[n].tobytes())
            for n in range(len(capture))
            if (int(capture.bus[n]), int(capture.identifier[n]), bool(capture.flags[n] & EXTENDED)) == tuple(key)
        ]
        mine.sort(key=lambda pair: pair[0])
        count, moved = [0] * columns, [0] * columns
        for n, (at, data) in enumerate(mine):
            if span[0] <= at <= span[1]:
                column = min(columns - 1, int((at - span[0]) * (columns / (span[1] - span[0]))))
                count[column] += 1
                moved[column] += n > 0 and data != mine[n - 1][1]
        pairs = zip(moved, count, strict=True)
        want = ["-" if not c else str(0 if not m else min(9, max(1, -(-9 * m // c)))) for m, c in pairs]
        assert cells == "".join(want)


def test_the_frame_under_the_cursor_is_the_last_one_that_came() -> None:
    capture = ramp_capture(50)
    frames, key = sorted_frames(capture), FrameKey(0, 0x1A0, False)
    assert frame_at(capture, frames, key, -0.001) is None
    for n in (0, 7, 49):
        found = frame_at(capture, frames, key, n * 0.01 + 0.004)
        assert found is not None
        assert found["number"] == n + 1
        assert found["data"] == capture.payload[n].tobytes().hex(" ").upper()
        assert found["age_s"] == pytest.approx(0.004)
        assert found["bits"].split()[2] == f"{n % 16:08b}"


def test_fields_are_physical_and_reserved_values_break_the_line() -> None:
    capture = ramp_capture(100)
    capture.payload[40:60, 0:2] = 0xFF
    capture.payload[:, 4] = np.arange(100) // 50
    speed = MapSignal("Speed", Layout(0, 16), Fraction(1, 4), Fraction(-10), unit="rpm", not_available=(0xFFFF,))
    gear = MapSignal("Gear", Layout(32, 2), choices={0: "P", 1: "R"})
    paged = MapSignal("Paged", Layout(24, 8), mux_signal="Page", mux_values=(1,))
    page = MapSignal("Page", Layout(32, 8), is_multiplexer=True)
    message = MapMessage("M", 0x1A0, False, 8, (speed, gear))
    frames, key = sorted_frames(capture), FrameKey(0, 0x1A0, False)
    line, states = field_strips(capture, frames, key, message, (0.0, 1.0))
    raw = capture.payload[:, :2].copy().view("<u2").ravel()
    want = [None if value == 0xFFFF else value * 0.25 - 10 for value in raw.tolist()]
    assert line["values"] == want
    assert (line["unit"], line["step"]) == ("rpm", False)
    assert (states["step"], states["states"]) == (True, {"0": "P", "1": "R"})
    only, _ = field_strips(capture, frames, key, MapMessage("M", 0x1A0, False, 8, (paged, page)), (0.0, 1.0))
    assert len(only["times"]) == 50
    near = field_strips(capture, frames, key, message, (0.2, 0.3))[0]["times"]
    assert near[0] <= 0.2 < 0.3 <= near[-1]
    assert len(near) <= 14


def test_a_wait_between_frames_is_seen_as_long_as_it_was() -> None:
    capture = ramp_capture(200).select(np.r_[0:100, 150:200])
    line = period_strip(sorted_frames(capture), FrameKey(0, 0x1A0, False), (0.0, 2.0))
    waits = [value for value in line["values"] if value is not None]
    assert max(waits) == pytest.approx(510)
    assert np.median(waits) == pytest.approx(10)


def test_a_window_reaches_beyond_both_edges() -> None:
    time_s = np.arange(10.0)
    assert window(time_s, (2.5, 4.5)) == slice(2, 6)
    assert window(time_s, (-5, -1)) == slice(0, 1)
    assert window(np.zeros(0), (0, 1)) == slice(0, 0)


def test_words_hold_until_the_next() -> None:
    blocks = text_blocks(np.array([1.0, 2.0, 5.0]), np.array([0.0, 0.0, 1.0]), ("P", "D"), 9.0)
    assert blocks == [(1.0, 5.0, "P"), (5.0, 9.0, "D")]
    assert text_blocks(np.zeros(0), np.zeros(0), (), 9.0) == []


def test_the_axis_of_a_recording_with_a_silent_logger(tmp_path: Path, open_page: OpenPage) -> None:
    (tmp_path / "captures").mkdir()
    (tmp_path / "signal_maps").mkdir()
    whole = ramp_capture(3000)
    write_capture(whole.select(np.r_[0:1000, 2000:3000]), tmp_path / "captures" / "ramp.log")
    (tmp_path / "captures" / "ramp.csv").write_text("time_s,channel,value\n1,lever,P\n9,lever,D\n2,brake,1\n")
    message = MapMessage("ENGINE", 0x1A0, False, 8, (MapSignal("Speed", Layout(0, 16), unit="rpm"),))
    save_map(SignalMap((message,)), tmp_path / "signal_maps" / "donor.dbc")
    here = open_page(tmp_path)
    axis = here.get("/api/axis", file="ramp.log")
    (gap,) = axis["gaps"]
    assert (gap["begin"], gap["end"]) == (pytest.approx(9.99), pytest.approx(20.0))
    assert gap["words"]
    assert [b["blocks"] for b in axis["blocks"]] == [[[1.0, 9.0, "P"], [9.0, pytest.approx(29.99), "D"]]]
    asked = {"file": "ramp.log", "id": "1A0", "bus": "donor"}
    view = here.get("/api/strips", **asked, **{"from": 5, "to": 25})
    assert view["source"] == "ENGINE in donor.dbc"
    assert view["fields"][0]["values"].count(None) == 1
    assert view["picture"]["bits"] == 64
    assert len(here.get("/api/lanes", file="ramp.log")["lanes"]) == 1
    assert here.get("/api/frame", **asked, at=15)["frame"]["age_s"] == pytest.approx(5.01)
    for wrong in ({"from": "nan"}, {"to": "inf"}, {"id": "zz"}, {"id": "123"}, {"bus": "other"}):
        assert here.http.get("/api/strips", params={**asked, **wrong}).status_code == 400
    assert here.get("/api/strips", **asked, **{"from": 8, "to": 2})["span"] == [0.0, pytest.approx(29.99)]
    for path in ("/api/lanes", "/api/strips"):  # as far as numbers go: warnings are errors here
        here.get(path, **asked, **{"from": -1e308, "to": 1e308})
