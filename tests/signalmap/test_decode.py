"""Bulk decoding against a loop over cantools, the independent reader, equal to the last bit."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path
from typing import Any

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import ERROR, EXTENDED, REMOTE, Capture
from swapbridge.capture.read import read_capture
from swapbridge.core.errors import InputError
from swapbridge.core.layout import ByteOrder, Layout
from swapbridge.demo.vehicle_maps import donor_map, host_map
from swapbridge.signalmap.dbc_read import parse_map
from swapbridge.signalmap.dbc_write import format_map
from swapbridge.signalmap.decode import decode_columns, raw_columns
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

CAPTURES = Path(__file__).parent.parent.parent / "captures"


def capture_of(frames: list[tuple[int, bool, bytes]], width: int = 8) -> Capture:
    count = len(frames)
    payload = b"".join(data.ljust(width, b"\0") for _, _, data in frames)
    return Capture(
        time_ns=np.arange(count, dtype=np.int64) * 1_000_000 + 5,
        identifier=np.array([i for i, _, _ in frames], dtype=np.uint32),
        flags=np.array([EXTENDED if x else 0 for _, x, _ in frames], dtype=np.uint8),
        bus=np.zeros(count, dtype=np.uint8),
        length=np.array([len(d) for _, _, d in frames], dtype=np.uint8),
        payload=np.frombuffer(payload, dtype=np.uint8).reshape(count, width).copy(),
    )


def oracle(capture: Capture, text: str) -> dict[tuple[str, str], tuple[list[float], list[float]]]:
    """A plain loop over cantools, frame by frame."""
    database: Any = cantools.database.load_string(text, "dbc")
    out: dict[tuple[str, str], tuple[list[float], list[float]]] = {}
    for i in range(len(capture)):
        identifier, extended = int(capture.identifier[i]), bool(capture.flags[i] & EXTENDED)
        if capture.flags[i] & (ERROR | REMOTE):
            continue
        try:
            message = database.get_message_by_frame_id(identifier, force_extended_id=extended)
        except KeyError:
            continue
        if message.is_extended_frame != extended:
            continue
        data = capture.payload[i, : capture.length[i]].tobytes()
        for name, value in message.decode(data, decode_choices=False, allow_truncated=True).items():
            times, values = out.setdefault((message.name, name), ([], []))
            times.append(int(capture.time_ns[i]) / 1e9)
            values.append(float(value))
    return out


def assert_same(capture: Capture, signal_map: SignalMap, text: str) -> None:
    ours, theirs = decode_columns(capture, signal_map), oracle(capture, text)
    assert {key for key, column in ours.items() if len(column.values)} == set(theirs)
    for key, (times, values) in theirs.items():
        expected = np.array(values)
        both_nan = np.isnan(expected) & np.isnan(ours[key].values)
        same = (ours[key].values.view(np.uint64) == expected.view(np.uint64)) | both_nan
        assert same.all(), (key, ours[key].values[~same][:3], expected[~same][:3])
        assert ours[key].time_s.tolist() == times


def test_demo_captures_decode_as_cantools_decodes_them() -> None:
    """Multiplexed and big-endian messages included, every value equal to the last bit."""
    maps = {"host_old_engine": host_map(), "host_unplugged": host_map(), "donor_own_vehicle": donor_map()}
    for name in maps:
        some = read_capture(CAPTURES / f"{name}.log.gz").select(slice(0, None, 9))
        assert_same(some, maps[name], format_map(maps[name]))


SCALES = st.sampled_from(
    ["1", "0.1", "0.5", "0.25", "0.0078125", "0.03937", "2", "1000", "-1", "-0.1", "3", "1.0", "0.001", "123456789012"]
)
OFFSETS = st.sampled_from(["0", "-40", "0.5", "-273.15", "1", "9007199254740993", "-0.0", "100000"])


@st.composite
def messages(draw: st.DrawFn) -> MapMessage:
    """A message of one to four signals that do not overlap, any layout up to 64 bits, perhaps multiplexed."""
    length = draw(st.sampled_from([1, 2, 5, 7, 8, 8, 8, 12, 64]))
    free = set(range(8 * length))
    signals: list[MapSignal] = []
    mux: MapSignal | None = None
    for number in range(draw(st.integers(1, 4))):
        bits = draw(st.integers(1, min(64, 8 * length)))
        order: ByteOrder = "big_endian" if draw(st.booleans()) else "little_endian"
        layout = Layout(draw(st.integers(0, 8 * length - 1)), bits, order, draw(st.booleans()))
        if not set(layout.positions) <= free:
            continue
        free -= set(layout.positions)
        floating = bits in (32, 64) and draw(st.booleans())
        as_mux = mux is None and bits <= 4 and draw(st.booleans())
        pages = tuple(draw(st.sets(st.integers(0, 3), min_size=1))) if mux is not None and draw(st.booleans()) else ()
        signal = MapSignal(
            f"S{number}",
            Layout(layout.start, bits, order, False) if as_mux else layout,
            Fraction(1) if as_mux else Fraction(draw(SCALES)),
            Fraction(0) if as_mux else Fraction(draw(OFFSETS)),
            is_float=floating and not as_mux,
            is_multiplexer=as_mux,
            mux_signal=mux.name if mux is not None and pages else None,
            mux_values=tuple(sorted(pages)),
        )
        signals.append(signal)
        mux = signal if as_mux else mux
    if mux is not None:  # cantools refuses frames of a page it does not know, so every page has a signal
        spare = sorted(free)
        if len(spare) > 1:
            bits_of_mux = 1 << mux.layout.length
            every = tuple(range(bits_of_mux))
            signals.append(MapSignal("All", Layout(spare[0], 1), mux_signal=mux.name, mux_values=every))
        else:
            signals = [MapSignal("S0", Layout(0, 1))]
    return MapMessage("M", 0x123, draw(st.booleans()), length, tuple(signals), is_fd=length > 8)


@settings(max_examples=60, deadline=None)
@given(message=messages(), data=st.data())
def test_any_layout_decodes_as_cantools_decodes_it(message: MapMessage, data: st.DataObject) -> None:
    signal_map = SignalMap((message,))
    text = format_map(signal_map)
    count = data.draw(st.integers(1, 12))
    short = data.draw(st.booleans())
    frames = []
    for _ in range(count):
        size = data.draw(st.integers(0, message.length)) if short else message.length
        frames.append((0x123, message.extended, data.draw(st.binary(min_size=size, max_size=size))))
    if short and any(s.is_multiplexer for s in message.signals):
        frames = [(i, x, d.ljust(message.length, b"\0")) for i, x, d in frames]  # cantools can't choose a page then
    width = 64 if message.length > 8 else 8
    assert parse_map(text).messages == signal_map.messages
    assert_same(capture_of(frames, width), parse_map(text), text)


@settings(max_examples=100, deadline=None)
@given(message=messages(), payload=st.binary(min_size=64, max_size=64))
def test_raw_values_are_the_bits(message: MapMessage, payload: bytes) -> None:
    """Against the obvious bit-by-bit reader."""
    data = payload[: message.length]
    capture = capture_of([(0x123, message.extended, data)], 64 if message.length > 8 else 8)
    for (_, name), column in raw_columns(capture, SignalMap((message,))).items():
        signal = message.signal(name)
        assert signal is not None
        layout = signal.layout
        if signal.is_float:
            layout = Layout(layout.start, layout.length, layout.byte_order)
        assert [int(v) for v in column.values] in ([], [layout.unpack(data)])


def test_wide_integers_keep_every_bit() -> None:
    """cantools computes with whole numbers where scale and offset are whole; so do we, beyond 2**53 too."""
    message = MapMessage(
        "W",
        1,
        False,
        8,
        (MapSignal("All", Layout(0, 64), Fraction(3), Fraction(7)),),
    )
    text = format_map(SignalMap((message,)))
    data = (2**63 + 12345).to_bytes(8, "little")
    assert_same(capture_of([(1, False, data)]), SignalMap((message,)), text)
    raw = raw_columns(capture_of([(1, False, data)]), SignalMap((message,)))["W", "All"]
    assert raw.values.dtype == np.uint64
    assert int(raw.values[0]) == 2**63 + 12345


def test_error_and_remote_frames_are_left_out() -> None:
    capture = capture_of([(0x123, False, b"\x01"), (0x123, False, b"\x02"), (0x123, False, b"\x03")])
    capture.flags[0] |= ERROR
    capture.flags[1] |= REMOTE
    signal_map = SignalMap((MapMessage("M", 0x123, False, 1, (MapSignal("S", Layout(0, 8)),)),))
    assert decode_columns(capture, signal_map)["M", "S"].values.tolist() == [3.0]


def test_only_the_signals_asked_for() -> None:
    capture = read_capture(CAPTURES / "host_old_engine.log.gz")
    wanted = {("EngineData", "EngineSpeed")}
    assert set(decode_columns(capture, host_map(), signals=wanted)) == wanted


def test_bus_is_chosen_by_name() -> None:
    capture = capture_of([(0x123, False, b"\x01"), (0x123, False, b"\x02")])
    capture.bus[1] = 1
    two = Capture(
        capture.time_ns,
        capture.identifier,
        capture.flags,
        capture.bus,
        capture.length,
        capture.payload,
        ("engine", "body"),
    )
    signal_map = SignalMap((MapMessage("M", 0x123, False, 1, (MapSignal("S", Layout(0, 8)),)),))
    assert decode_columns(two, signal_map, bus="body")["M", "S"].values.tolist() == [2.0]
    with pytest.raises(InputError, match=r"on the buses engine and body: name the bus"):
        decode_columns(two, signal_map)
    with pytest.raises(InputError, match="has no bus 'chassis'"):
        decode_columns(two, signal_map, bus="chassis")


def test_empty_capture_gives_nothing() -> None:
    assert decode_columns(capture_of([]), host_map()) == {}


def test_nested_multiplexers() -> None:
    inner = MapSignal("Inner", Layout(4, 4), is_multiplexer=True, mux_signal="Outer", mux_values=(1,))
    signals = (
        MapSignal("Outer", Layout(0, 4), is_multiplexer=True),
        inner,
        MapSignal("Deep", Layout(8, 8), mux_signal="Inner", mux_values=(2,)),
        MapSignal("Other", Layout(8, 8), mux_signal="Outer", mux_values=(0,)),
    )
    signal_map = SignalMap((MapMessage("M", 1, False, 2, signals),))
    frames = [(1, False, bytes([a | b << 4, 50 + a * 10 + b])) for a, b in ((0, 0), (1, 2), (1, 2), (0, 2))]
    out = decode_columns(capture_of(frames), signal_map)
    assert out["M", "Deep"].values.tolist() == [62.0, 62.0]
    assert out["M", "Other"].values.tolist() == [50.0, 52.0]
    assert out["M", "Inner"].values.tolist() == [2.0, 2.0]
    assert_same(capture_of(frames), signal_map, format_map(signal_map))


def test_minus_zero_is_cantools_minus_zero() -> None:
    signal_map = parse_map(
        format_map(SignalMap((MapMessage("M", 1, False, 1, (MapSignal("S", Layout(0, 8), Fraction("-0.1")),)),)))
    )
    value = decode_columns(capture_of([(1, False, b"\0")]), signal_map)["M", "S"].values[0]
    assert math.copysign(1.0, value) == 1.0


@pytest.mark.parametrize("order", ["little_endian", "big_endian"])
@pytest.mark.parametrize(("first", "length"), [(60, 8), (56, 64), (8, 16)])
def test_a_signal_beyond_every_frame_is_in_none(order: ByteOrder, first: int, length: int) -> None:
    """A CAN FD map over a capture of classic frames: the columns end before the signal does."""
    start = 8 * first + (7 if order == "big_endian" else 0)
    beyond = MapSignal("Beyond", Layout(start, length, order))
    within = MapSignal("Within", Layout(7, 16, "big_endian"))
    behind = MapSignal("Behind", Layout(16, 8), mux_signal="Selector", mux_values=(1,))
    selector = MapSignal("Selector", Layout(30 * 8, 1), is_multiplexer=True)
    signals = (within, behind, beyond, selector)
    signal_map = SignalMap((MapMessage("M", 0x123, False, 64, signals, is_fd=True),))
    capture = capture_of([(0x123, False, b"\x12\x34\x56")] * 3)
    columns = decode_columns(capture, signal_map)
    assert columns["M", "Within"].values.tolist() == [0x1234] * 3
    assert [len(columns["M", name].values) for name in ("Beyond", "Behind", "Selector")] == [0, 0, 0]
    assert len(raw_columns(capture, signal_map)["M", "Beyond"].values) == 0
