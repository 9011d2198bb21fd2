"""Survey room: what a comparison says, and what it keeps from saying when frames are few."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.core.identifier_words import identifier_word
from swapbridge.core.needs import load_needs
from swapbridge.surveying.compare import Comparison, bit_words, compare
from swapbridge.surveying.vanished_needs import needs_toml

Row = tuple[int, int, bytes]


def stream(identifier: int, period_ms: float, seconds: float, payloads: list[bytes] | None = None) -> list[Row]:
    chosen = payloads or [bytes(8)]
    return [
        (round(i * period_ms * 1e6), identifier, chosen[i % len(chosen)])
        for i in range(int(seconds * 1000 / period_ms))
    ]


def capture_of(*streams: list[Row], bus: str = "can0", source: str = "x.log") -> Capture:
    rows = sorted((row for rows in streams for row in rows), key=lambda row: row[0])
    payload = np.zeros((len(rows), 8), np.uint8)
    for i, row in enumerate(rows):
        payload[i, : len(row[2])] = list(row[2])
    zeros = np.zeros(len(rows), np.uint8)
    return Capture(
        np.array([row[0] for row in rows], np.int64),
        np.array([row[1] for row in rows], np.uint32),
        zeros,
        zeros,
        np.array([len(row[2]) for row in rows], np.uint8),
        payload,
        bus_names=(bus,),
        source=source,
    )


def changes(found: Comparison) -> dict[int, list[tuple[str, str, bool]]]:
    return {one.after.identifier: [(c.kind, c.words, c.sure) for c in one.changes] for one in found.changed}


def test_a_capture_compared_with_itself_has_not_changed() -> None:
    moving = [bytes([i, 0, i % 3, 0, 0, 0, 0, 0]) for i in range(64)]
    a = capture_of(stream(0x100, 10, 20, moving), stream(0x200, 100, 20))
    found = compare(a, a)
    assert (found.appeared, found.vanished, found.changed, found.same) == ((), (), (), 2)


def test_the_same_traffic_recorded_twice_has_not_changed() -> None:
    """Jitter and another stretch of the same random walk are no differences that count as sure."""
    rng = np.random.default_rng(4)

    def once() -> Capture:
        level = np.cumsum(rng.integers(-3, 4, 6000)) % 256
        rows = [
            (round(i * 10e6 + rng.normal(0, 3e5)), 0x100, bytes([int(level[i]), 0, 0, 0, 0, 0, 0, 7]))
            for i in range(6000)
        ]
        return capture_of(rows, stream(0x200, 100, 60))

    found = compare(once(), once())
    assert (found.appeared, found.vanished) == ((), ())
    assert not [c for one in found.changed for c in one.changes if c.sure]


def test_vanished_and_appeared() -> None:
    a = capture_of(stream(0x100, 10, 20), stream(0x200, 100, 20))
    b = capture_of(stream(0x100, 10, 20), stream(0x300, 50, 20))
    found = compare(a, b)
    (gone,), (new,) = found.vanished, found.appeared
    assert (gone.identifier.identifier, gone.sure) == (0x200, True)
    assert gone.due == pytest.approx(200, rel=0.01)
    assert (new.identifier.identifier, new.sure) == (0x300, True)
    assert found.same == 1


def test_what_a_short_capture_could_have_missed_is_not_sure() -> None:
    """Two frames in 60 s: at that rate none in 20 s is no wonder."""
    a = capture_of(stream(0x100, 10, 60), [(10_000_000_000, 0x200, b""), (40_000_000_000, 0x200, b"")])
    (gone,) = compare(a, capture_of(stream(0x100, 10, 20))).vanished
    assert not gone.sure
    assert gone.due == pytest.approx(2 / 3, rel=0.01)


def test_wake_up_frames_are_missed_by_a_late_recording_only_perhaps() -> None:
    start = [(i * 50_000_000, 0x7A0, b"\x01") for i in range(3)]
    (gone,) = compare(capture_of(stream(0x100, 10, 60), start), capture_of(stream(0x100, 10, 60))).vanished
    assert gone.identifier.sending == "wake-up"
    assert not gone.sure


def test_period_length_and_bits() -> None:
    still, toggled = bytes(8), [bytes(8), bytes([0, 0, 0x10, 0, 0, 0, 0, 0])]
    ramp = [bytes([0, i, 0, 0, 0, 0, 0, 0]) for i in range(256)]
    a = capture_of(
        stream(0x100, 10, 20),
        stream(0x110, 10, 20, [still]),
        stream(0x120, 10, 20, ramp),
        stream(0x130, 10, 20, [b"\x00\x00\x50"]),
        stream(0x140, 20, 20),
        stream(0x150, 10, 20, [still]),
    )
    b = capture_of(
        stream(0x100, 20, 20),
        stream(0x110, 10, 20, toggled),
        stream(0x120, 10, 20, [still]),
        stream(0x130, 10, 20, [b"\x00\x00\x51"]),
        stream(0x140, 20, 20, [bytes(6)]),
        stream(0x150, 10, 20, [*[still] * 1000, toggled[1]]),
    )
    assert changes(compare(a, b)) == {
        0x100: [("period", "period 10 → 20 ms", True)],
        0x110: [("moving", "byte 2 bit 4 now moving (1,999 times)", True)],
        0x120: [("still", "byte 1 no longer moving", True)],
        0x130: [("value", "byte 2: 50 → 51", True)],
        0x140: [("length", "length 8 → 6 bytes", True)],
        0x150: [("moving", "byte 2 bit 4 now moving (2 times)", False)],
    }


def test_buses_are_matched_by_name_or_because_there_is_one_each() -> None:
    a, b = capture_of(stream(0x100, 10, 5), bus="can0"), capture_of(stream(0x100, 10, 5), bus="can1")
    found = compare(a, b)
    assert found.same == 1
    assert "bus can0 of the first capture is compared with bus can1 of the second" in found.remarks


def test_bits_in_words() -> None:
    bits = np.zeros(64, bool)
    bits[[0, 2, 3, 4, 63]] = True
    bits[16:32] = True
    assert bit_words(bits) == "byte 0 bits 0/2-4, bytes 2-3, byte 7 bit 7"


def test_vanished_identifiers_become_a_needs_list(tmp_path: Path) -> None:
    """Read back by the reader of needs lists."""
    counter = [bytes([0, i % 16]) for i in range(64)]
    a = capture_of(
        stream(0x100, 10, 30),
        stream(0x1A0, 9.99, 30, counter),
        stream(0x3B0, 1700, 30),
        [(i * 50_000_000, 0x7A0, b"\x01") for i in range(3)],
        source="host.log",
    )
    found = compare(a, capture_of(stream(0x100, 10, 30), source="unplugged.log"))
    path = tmp_path / "needs.toml"
    path.write_text(needs_toml(found, bus="host"), encoding="utf-8")
    needs = {need.word: need for need in load_needs(path)}
    cyclic, rare, wake = (needs[identifier_word(i, False)] for i in (0x1A0, 0x3B0, 0x7A0))
    assert (cyclic.bus, cyclic.period_ms, cyclic.length, cyclic.how) == ("host", Fraction(10), 2, "can")
    assert "counter in byte 1" in cyclic.note
    assert rare.period_ms is None
    assert "less than once a second" in rare.note
    assert "wake-up" in wake.note
    assert "host.log" in path.read_text()
