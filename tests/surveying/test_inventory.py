"""Survey room: the inventory equals an obvious loop over frames, and the traps it names are met."""

from __future__ import annotations

import json
import math
import sys
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import ERROR, EXTENDED, FD, REMOTE, Capture
from swapbridge.core.errors import InputError
from swapbridge.core.integrity import Crc
from swapbridge.surveying import threads
from swapbridge.surveying.flips import bit_counts
from swapbridge.surveying.frame_bits import frame_lengths_in_bits
from swapbridge.surveying.hints import hints
from swapbridge.surveying.inventory import MOST_IDENTIFIERS, survey

Row = tuple[int, int, int, int, bytes]


def capture_of(rows: list[Row], buses: tuple[str, ...] = ("can0",)) -> Capture:
    width = 64 if any(len(row[4]) > 8 for row in rows) else 8
    payload = np.zeros((len(rows), width), np.uint8)
    for i, row in enumerate(rows):
        payload[i, : len(row[4])] = list(row[4])
    return Capture(
        time_ns=np.array([row[0] for row in rows], np.int64),
        identifier=np.array([row[1] for row in rows], np.uint32),
        flags=np.array([row[2] for row in rows], np.uint8),
        bus=np.array([row[3] for row in rows], np.uint8),
        length=np.array([len(row[4]) for row in rows], np.uint8),
        payload=payload,
        bus_names=buses,
        source="drive.log",
    )


@st.composite
def captures(draw: st.DrawFn) -> Capture:
    size = draw(st.sampled_from([8, 8, 12]))
    rows: list[Row] = []
    time = draw(st.integers(0, 10**12))
    for _ in range(draw(st.integers(1, 60))):
        time += draw(st.integers(-1000, 400_000_000))
        flags = draw(st.sampled_from([0, 0, 0, 0, EXTENDED, ERROR, REMOTE]))
        payload = draw(st.sampled_from([b"", b"\x01", bytes(size), bytes(range(size)), b"\xff" * size]))
        payload = b"" if flags & (ERROR | REMOTE) else payload
        rows.append((time, draw(st.integers(1, 3)), flags, draw(st.integers(0, 1)), payload))
    return capture_of(rows, ("a", "b"))


def slow_flips(payloads: list[bytes], size: int) -> list[int]:
    out = [0] * (8 * size)
    for one, two in pairwise(payloads):
        for bit in range(8 * min(len(one), len(two))):
            out[bit] += (one[bit // 8] ^ two[bit // 8]) >> (bit % 8) & 1
    return out


@settings(deadline=None, max_examples=60)
@given(captures(), st.sampled_from([1, 3, 1 << 15]))
def test_every_number_equals_the_loop(capture: Capture, rows_together: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("swapbridge.surveying.bus_load._ROWS", rows_together)
        patch.setattr("swapbridge.surveying.identifiers._ENOUGH_ROWS", rows_together)
        # the room has a function of that name too
        patch.setattr(sys.modules[frame_lengths_in_bits.__module__], "_ROWS", rows_together)
        found = survey(capture)
    start = int(capture.time_ns.min())
    rows = [
        (
            int(capture.bus[i]),
            bool(capture.flags[i] & EXTENDED),
            int(capture.identifier[i]),
            int(capture.time_ns[i]),
            capture.payload[i, : capture.length[i]].tobytes(),
        )
        for i in range(len(capture))
        if not capture.flags[i] & (ERROR | REMOTE)
    ]
    keys = sorted({row[:3] for row in rows})
    assert [(capture.bus_names.index(one.bus), one.extended, one.identifier) for one in found.identifiers] == keys
    bits = frame_lengths_in_bits(capture)
    for one, key in zip(found.identifiers, keys, strict=True):
        mine = [row for row in rows if row[:3] == key]
        times = sorted(row[3] for row in mine)
        payloads = [row[4] for row in mine]
        bus_times = sorted(int(t) for t, b in zip(capture.time_ns, capture.bus, strict=True) if b == key[0])
        sleeps = [t for t, u in pairwise(bus_times) if u - t >= 1_000_000_000]
        gaps = sorted(u - t for t, u in pairwise(times) if not any(t <= sleep < u for sleep in sleeps))
        assert one.frames == len(mine)
        assert one.lengths == tuple(sorted(Counter(map(len, payloads)).items()))
        assert one.distinct == len(set(payloads))
        assert one.flips.tolist() == slow_flips(payloads, max(map(len, payloads)))
        assert one.first_s == (times[0] - start) / 1e9
        assert one.last_s == (times[-1] - start) / 1e9
        if gaps:
            nearest = [gaps[round(share * (len(gaps) - 1))] / 1e6 for share in (0.05, 0.5, 0.95)]
            assert [one.early_ms, one.period_ms, one.late_ms, one.worst_gap_ms] == [*nearest, gaps[-1] / 1e6]
        else:
            assert math.isnan(one.period_ms)
    for number, bus in enumerate(found.buses):
        on_bus = [i for i in range(len(capture)) if capture.bus[i] == number]
        assert bus.frames == len(on_bus)
        assert bus.error_frames == sum(bool(capture.flags[i] & ERROR) for i in on_bus)
        assert bus.remote_frames == sum(bool(capture.flags[i] & REMOTE) for i in on_bus)
        seconds: Counter[int] = Counter()
        for i in on_bus:
            seconds[(int(capture.time_ns[i]) - start) // 10**9] += int(bits[i]) * 2000
        assert bus.load_second.tolist() == sorted(seconds)
        assert bus.load.tolist() == [seconds[second] / 1e9 for second in sorted(seconds)]
    json.dumps(found.to_dict(), allow_nan=False)


@pytest.mark.parametrize("count", [0, 1, 254, 255, 256, 16_320, 16_321, 40_000])
@pytest.mark.parametrize("width", [1, 8])
def test_bits_are_counted_as_by_taking_them_apart(count: int, width: int) -> None:
    """By numpy's own unpacking; all ones fill every lane to the brim."""
    for buffer in (np.random.default_rng(count).bytes(8 * count * width), b"\xff" * (8 * count * width)):
        payload = np.frombuffer(buffer, np.uint8).reshape(count, 8 * width)
        ones = np.unpackbits(payload, axis=1, bitorder="little").astype(np.int64)
        third = count // 3
        expected = [part.sum(axis=0).tolist() for part in (ones[:third], ones[third:])]
        words = payload.view(np.uint64)
        assert bit_counts([words[:third], words[third:]], width).tolist() == expected


def stream(
    identifier: int, period_ms: float, seconds: float, begin_s: float = 0.0, payload: bytes = bytes(8)
) -> list[Row]:
    count = int(seconds * 1000 / period_ms)
    return [(round((begin_s + i * period_ms / 1000) * 1e9), identifier, 0, 0, payload) for i in range(count)]


def merged(*streams: list[Row]) -> Capture:
    return capture_of(sorted((row for rows in streams for row in rows), key=lambda row: row[0]))


def test_ways_of_sending() -> None:
    rng = np.random.default_rng(1)
    events = [(int(t * 1e9), 0x300, 0, 0, bytes(8)) for t in np.cumsum(rng.exponential(0.2, 300))]
    found = survey(
        merged(stream(0x100, 10, 60), stream(0x200, 1500, 60), events, stream(0x400, 100, 0.3), stream(0x500, 1000, 60))
    )
    assert {one.identifier: one.sending for one in found.identifiers} == {
        0x100: "cyclic",
        0x200: "rare",
        0x300: "event",
        0x400: "wake-up",
        0x500: "cyclic",
    }
    assert [one.identifier for one in found.of("rare")] == [0x200]


def test_sleep_is_no_gap_and_wakes_are_known() -> None:
    """Two drives with the bus asleep between: what comes only at each start is set apart."""
    parts = []
    for begin in (0.0, 100.0):
        parts += [stream(0x100, 10, 40, begin), stream(0x7A0, 50, 0.2, begin + 0.5)]
        # modules wake one after the other, each in a rhythm of its own, and fall asleep so too
        late = 0.013 if begin else 0.0
        parts += [stream(i, 20, 39.3 - i / 8192, begin + 0.1 * n + late) for n, i in enumerate((0x200, 0x210, 0x220))]
    found = survey(merged(*parts))
    bus = found.buses[0]
    assert len(bus.asleep) == 1
    assert bus.asleep[0] == pytest.approx((39.99, 100.0))
    assert bus.awake_s == pytest.approx(79.98)
    cyclic, *_, once = found.identifiers
    assert cyclic.worst_gap_ms == pytest.approx(10.0)
    assert (cyclic.sending, once.sending) == ("cyclic", "wake-up")


def test_the_load_is_exact() -> None:
    """A thousand frames a second of known length; the bound for 8 bytes is 135 bits (Davis et al. 2007)."""
    capture = merged(stream(0x123, 1, 10, payload=b"\x55" * 8))
    bits = int(frame_lengths_in_bits(capture)[0])
    assert 111 <= bits <= 135
    bus = survey(capture, bit_rate=500_000).buses[0]
    assert bus.load.tolist() == [1000 * bits * 2000 / 1e9] * 10
    assert bus.mean_load == pytest.approx(bits / 500, rel=2e-3)
    slow = survey(capture, bit_rate={"can0": 83_333})
    assert slow.buses[0].peak_load > 1
    assert "state its true bit rate" in slow.remarks[0]


def test_hints_name_plain_counters_and_checksums() -> None:
    rng = np.random.default_rng(2)
    crc = Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7)), before=b"\x12")
    rows, sums = [], []
    for i in range(200):
        payload = bytearray(rng.integers(0, 256, 6).astype(np.uint8).tobytes() + bytes([0xA0 | i % 15]))
        rows.append(bytes(payload) + bytes([crc.value(bytes(payload))]))
        sums.append(bytes([(sum(payload) + 9) % 256]) + bytes(payload))
    found = hints(np.array([[list(row) for row in rows]], np.uint8))[0]
    assert found == ("counter in byte 6, low nibble", "checksum in byte 7 (CRC-8, polynomial 1D)")
    assert hints(np.array([[list(row) for row in sums]], np.uint8))[0][1] == "checksum in byte 0 (sum)"


@st.composite
def summed(draw: st.DrawFn) -> tuple[str, list[bytes]]:
    """Random payloads of 4 to 8 bytes whose byte (or nibble) `at` is a known function of all others, and its name."""
    size, rng = draw(st.integers(4, 8)), np.random.default_rng(draw(st.integers(0, 2**32)))
    at, constant = draw(st.integers(0, size - 1)), draw(st.integers(0, 255))
    kind = draw(st.sampled_from(["sum", "XOR", "CRC-8, polynomial 2F"]))
    crc = Crc(8, 0x2F, constant, False, 0xFF, tuple(i for i in range(size) if i != at))
    rows = []
    for _ in range(80):
        row = rng.integers(0, 256, size).astype(np.uint8)
        others = [int(v) for i, v in enumerate(row) if i != at]
        if kind == "sum":
            row[at] = (sum(others) + constant) % 256
        elif kind == "XOR":
            row[at] = int(np.bitwise_xor.reduce(others)) ^ constant
        else:
            row[at] = crc.value(row.tobytes())
        rows.append(row.tobytes())
    return (f"checksum in byte {at} ({kind})" if kind != "XOR" else "XOR"), rows


@settings(deadline=None)
@given(summed())
def test_hints_name_the_byte_that_was_computed(case: tuple[str, list[bytes]]) -> None:
    """By the slow checksums of `core.integrity`; an XOR holds for every byte alike, so only that it is one is asked."""
    expected, rows = case
    found = hints(np.array([[list(row) for row in rows]], np.uint8))[0]
    assert [hint for hint in found if expected in hint] == [hint for hint in found if hint.startswith("checksum")]
    assert any(expected in hint for hint in found)


def test_hints_are_not_given_for_ramps_and_copies() -> None:
    ramp = np.zeros((200, 8), np.uint8)
    ramp[:, 0] = np.arange(200)  # climbs one step a frame, but never comes round
    ramp[:, 3] = ramp[:, 4] = np.random.default_rng(3).integers(0, 256, 200)
    assert hints(ramp[None]) == ((),)


def test_a_fuzzed_bus_lists_the_busiest_and_says_so() -> None:
    n = MOST_IDENTIFIERS + 500
    identifier = np.concatenate((np.arange(n), np.full(50, 7))).astype(np.uint32)
    capture = Capture(
        np.arange(len(identifier), dtype=np.int64) * 1000,
        identifier,
        np.full(len(identifier), EXTENDED, np.uint8),
        np.zeros(len(identifier), np.uint8),
        np.zeros(len(identifier), np.uint8),
        np.zeros((len(identifier), 8), np.uint8),
    )
    found = survey(capture)
    assert len(found.identifiers) == MOST_IDENTIFIERS
    assert found.buses[0].identifiers == n
    assert any("no vehicle has that many" in remark for remark in found.remarks)
    assert next(one for one in found.identifiers if one.identifier == 7).frames == 51


def test_what_can_not_be_surveyed() -> None:
    with pytest.raises(InputError, match="holds no frames"):
        survey(capture_of([]))
    with pytest.raises(InputError, match="positive"):
        survey(capture_of([(0, 1, 0, 0, b"")]), bit_rate=0)


def test_progress_is_told() -> None:
    shares: list[float] = []
    survey(merged(*(stream(i, 10, 1) for i in range(1, 40))), progress=lambda share, _: shares.append(share))
    assert shares == sorted(shares)
    assert len(shares) > 2


def test_threads_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A survey shared by threads is the survey of one thread, frame lengths of every kind included."""
    rng = np.random.default_rng(3)
    count = 60_000
    length = rng.choice(np.array([0, 3, 8, 12], np.uint8), count)
    payload = rng.integers(0, 256, (count, 16), dtype=np.uint8)
    payload[np.arange(16) >= length[:, None]] = 0
    wide = np.zeros((count, 64), np.uint8)
    wide[:, :16] = payload
    capture = Capture(
        time_ns=np.arange(count, dtype=np.int64) * 200_000,
        identifier=rng.integers(0x100, 0x110, count).astype(np.uint32),
        flags=np.where(length > 8, FD, 0).astype(np.uint8),
        bus=rng.integers(0, 2, count).astype(np.uint8),
        length=length,
        payload=wide,
        bus_names=("a", "b"),
    )
    alone = survey(capture).to_dict()
    monkeypatch.setattr(threads, "WORTH_THREADS", 1)
    shared = survey(capture).to_dict()
    assert shared == alone
    assert len(alone["identifiers"]) == 32
