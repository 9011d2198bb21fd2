"""Signal map room: bulk decoding: a capture's payloads into physical columns, equal to cantools to the last bit.

The eight payload bytes of a frame are one 64-bit word (byte-swapped once for big endian), a signal is a shift and a
mask of it, and small integers become floats by writing them into the mantissa of 2**52. Rows are worked on in blocks
that stay in the processor's cache.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import identifier_word
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.uint64]
Rows = npt.NDArray[np.intp]
SignalNames = Collection[tuple[str, str]]

BLOCK_ROWS = 1 << 14
_EXACT = 1 << 52
_MANTISSA_OF_2_52 = 0x4330_0000_0000_0000
"""Bits of the double 2**52: an integer below 2**52 written into its mantissa is that double plus the integer."""


class DecodedColumn(NamedTuple):
    """One signal over a capture: (N,) seconds on the capture's clock, and (N,) physical values."""

    time_s: Floats
    values: Floats


class RawColumn(NamedTuple):
    """One signal over a capture: (N,) rows of the capture, and (N,) raw values, int64 or (unsigned of 64 bits) uint64.

    A float signal's raw values are the bits of its IEEE 754 number.
    """

    rows: Rows
    values: npt.NDArray[np.int64] | npt.NDArray[np.uint64]


def decode_columns(
    capture: Capture, signal_map: SignalMap, *, bus: str | None = None, signals: SignalNames | None = None
) -> dict[tuple[str, str], DecodedColumn]:
    """Physical values of every signal of a map in a capture.

    A value is what cantools gives with ``decode_choices=False``, as a double. A signal is missing from frames that are
    too short for it or whose multiplexer selects others. Messages that the capture does not hold have no entry.

    Parameters
    ----------
    capture : Capture
        Error and remote frames are left out.
    signal_map : SignalMap
        The bus's map.
    bus : str or None
        Name of the bus the map is for; None where each of its identifiers is on one bus only.
    signals : collection of (message, signal) or None
        Only these; all by default.

    Returns
    -------
    dict
        (message, signal) to (time_s, values), in the map's order.

    Raises
    ------
    InputError
        No such bus, or an identifier on several buses while `bus` is None.
    """
    out: dict[tuple[str, str], DecodedColumn] = {}
    for message, rows in _frames(capture, signal_map, bus, signals):
        payload = _Payload(capture, rows)
        for chosen, condition in _conditions(message, signals):
            part = payload.where(condition)
            time_s = capture.time_ns[part.rows] / 1e9
            same = [s for s in chosen if s.layout.fits(part.shortest)]
            for signal, values in zip(same, _scaled(part, same), strict=True):
                out[message.name, signal.name] = DecodedColumn(time_s, values)
            for signal in chosen:
                if not signal.layout.fits(part.shortest):
                    longer = part.long_enough(signal)
                    (values,) = _scaled(longer, [signal])
                    out[message.name, signal.name] = DecodedColumn(capture.time_ns[longer.rows] / 1e9, values)
    return _in_map_order(signal_map, out)


def raw_columns(
    capture: Capture, signal_map: SignalMap, *, bus: str | None = None, signals: SignalNames | None = None
) -> dict[tuple[str, str], RawColumn]:
    """Raw values of every signal of a map in a capture; everything else as `decode_columns`."""
    out: dict[tuple[str, str], RawColumn] = {}
    for message, rows in _frames(capture, signal_map, bus, signals):
        payload = _Payload(capture, rows)
        for chosen, condition in _conditions(message, signals):
            part = payload.where(condition)
            for signal in chosen:
                fitting = part if signal.layout.fits(part.shortest) else part.long_enough(signal)
                out[message.name, signal.name] = RawColumn(fitting.rows, _raw(fitting, signal))
    return _in_map_order(signal_map, out)


def _in_map_order(signal_map: SignalMap, out: dict[tuple[str, str], Any]) -> dict[tuple[str, str], Any]:
    names = ((m.name, s.name) for m in signal_map.messages for s in m.signals)
    return {key: out[key] for key in names if key in out}


def _frames(
    capture: Capture, signal_map: SignalMap, bus: str | None, signals: SignalNames | None
) -> Iterator[tuple[MapMessage, Rows]]:
    """Messages of the map that the capture holds, each with its rows."""
    if bus is not None and bus not in capture.bus_names:
        names = ", ".join(capture.bus_names)
        raise InputError(f"{capture.source or 'the capture'} has no bus {bus!r}: it has {names}")
    names_wanted = None if signals is None else {m for m, _ in signals}
    by_word = {m.word: m for m in signal_map.messages if names_wanted is None or m.name in names_wanted}
    groups = [m for m in by_word.values() if m.is_group]
    together: dict[str, list[Rows]] = {}
    seen: dict[int, str] = {}
    for key, rows in capture.groups():
        name = capture.bus_names[key.bus]
        word = identifier_word(key.identifier, key.extended)
        message = by_word.get(word) or next((m for m in groups if m.fits(word)), None)
        if message is None or (bus is not None and name != bus):
            continue
        word = message.word
        if seen.get(word, name) != name:
            where = f"{capture.source or 'the capture'} holds {message.label} on the buses {seen[word]} and {name}"
            raise InputError(f"{where}: name the bus that the map belongs to")
        seen[word] = name
        if message.is_group:
            together.setdefault(message.name, []).append(rows)
        else:
            yield message, rows
    for message in groups:
        if message.name in together:
            yield message, np.sort(np.concatenate(together[message.name]))


@dataclass(frozen=True, slots=True)
class _MuxCondition:
    """Frames that hold some signals: each multiplexer with the raw values it must have; none for all frames."""

    steps: tuple[tuple[MapSignal, tuple[int, ...]], ...] = ()


def _conditions(message: MapMessage, wanted: SignalNames | None) -> Iterator[tuple[list[MapSignal], _MuxCondition]]:
    """Signals of a message by what must hold for them to be in a frame."""
    groups: dict[tuple[tuple[str, tuple[int, ...]], ...], list[MapSignal]] = {}
    steps: dict[tuple[tuple[str, tuple[int, ...]], ...], _MuxCondition] = {}
    for signal in message.signals:
        if wanted is not None and (message.name, signal.name) not in wanted:
            continue
        chain: list[tuple[MapSignal, tuple[int, ...]]] = []
        at: MapSignal | None = signal
        while at is not None and at.mux_signal is not None:
            mux = message.signal(at.mux_signal)
            if mux is None or len(chain) > len(message.signals):
                raise InputError(
                    f"{message.label}: signal {at.name} needs multiplexer {at.mux_signal}, which is missing: add it"
                )
            chain.append((mux, at.mux_values))
            at = mux
        key = tuple((m.name, v) for m, v in chain)
        groups.setdefault(key, []).append(signal)
        steps[key] = _MuxCondition(tuple(chain))
    for key, signals in groups.items():
        yield signals, steps[key]


class _Payload:
    """Payloads of chosen rows, read as 64-bit words at any byte."""

    def __init__(self, capture: Capture, rows: Rows) -> None:
        self.capture, self.rows = capture, rows
        lengths = capture.length[rows]
        self.shortest = int(lengths.min()) if len(rows) else 64
        self.width = capture.payload.shape[1]
        self._windows: dict[tuple[int, bool], Words] = {}
        whole = np.ascontiguousarray(capture.payload)
        self._bytes = whole if self.width >= 8 else np.pad(whole, ((0, 0), (0, 8 - self.width)))

    def word(self, first: int, big: bool) -> Words:
        """Eight bytes from byte `first` of every row; as a big-endian number when `big`."""
        found = self._windows.get((first, big))
        if found is None:
            if big:
                found = self.word(first, False).byteswap()
            else:
                stride = self._bytes.shape[1]
                count = len(self._bytes)
                at: Any = np.ndarray((count,), dtype="<u8", buffer=self._bytes, offset=first, strides=(stride,))
                found = at[self.rows] if count else np.empty(0, dtype=np.uint64)
            self._windows[first, big] = found
        return found

    @property
    def most_first(self) -> int:
        """Last byte at which a window of eight fits."""
        return int(self._bytes.shape[1]) - 8

    def byte(self, number: int) -> Words:
        """One byte of every row."""
        column: Words = self._bytes[self.rows, number].astype(np.uint64)
        return column

    def where(self, condition: _MuxCondition) -> _Payload:
        """Only the rows in which multiplexers hold the values wanted."""
        if not condition.steps:
            return self
        keep = np.ones(len(self.rows), dtype=bool)
        for mux, values in condition.steps:
            if not mux.layout.fits(self.shortest):
                return self.long_enough(mux).where(condition)
            raw = _raw(self, mux)
            keep &= (raw == values[0]) if len(values) == 1 else np.isin(raw, np.array(values, dtype=raw.dtype))
        return _Payload(self.capture, self.rows[keep])

    def long_enough(self, signal: MapSignal) -> _Payload:
        """Only the rows whose frames hold all bits of a signal."""
        bytes_needed = max(signal.layout.positions) // 8 + 1
        return _Payload(self.capture, self.rows[self.capture.length[self.rows] >= bytes_needed])


def _window(payload: _Payload, signal: MapSignal) -> tuple[Words, int, Words | None]:
    """Word that holds a signal, the shift that brings its lowest bit down, and a ninth byte where it needs one."""
    layout = signal.layout
    if not layout.fits(payload.width) and not len(payload.rows):
        return np.empty(0, dtype=np.uint64), 0, None  # the capture's columns end before it: no frame was so long
    lowest = layout.positions[0]
    if layout.byte_order == "little_endian":
        first = min(lowest // 8, payload.most_first)
        shift = lowest - 8 * first
        ninth = payload.byte(first + 8) if shift + layout.length > 64 else None
        return payload.word(first, False), shift, ninth
    first = max(0, lowest // 8 - 7)
    shift = 8 * (first + 7 - lowest // 8) + lowest % 8
    ninth = payload.byte(first - 1) if shift + layout.length > 64 else None
    return payload.word(first, True), shift, ninth


def _raw(payload: _Payload, signal: MapSignal) -> npt.NDArray[np.int64] | npt.NDArray[np.uint64]:
    word, shift, ninth = _window(payload, signal)
    raw = word >> np.uint64(shift)
    if ninth is not None:
        raw |= ninth << np.uint64(64 - shift)
    length = signal.layout.length
    if length < 64:
        raw &= np.uint64((1 << length) - 1)
    if not signal.layout.signed or signal.is_float:
        return raw if length == 64 else raw.view(np.int64)
    sign = np.int64(-1 << (length - 1)) if length == 64 else np.int64(1 << (length - 1))
    out = raw.view(np.int64)
    return out if length == 64 else (out ^ sign) - sign


def _scaled(payload: _Payload, signals: list[MapSignal]) -> list[Floats]:
    """Physical columns of signals that all rows hold."""
    steps: list[tuple[Words, Floats, Callable[[Words, Floats, Words], None]]] = []
    out: list[Floats] = []
    for signal in signals:
        quick = _quick(payload, signal)
        if quick is None:
            out.append(_slow(payload, signal))
            continue
        values = np.empty(len(payload.rows), dtype=np.float64)
        out.append(values)
        steps.append((quick[0], values, quick[1]))
    spare = np.empty(min(BLOCK_ROWS, len(payload.rows)), dtype=np.uint64)
    for start in range(0, len(payload.rows) if steps else 0, BLOCK_ROWS):
        end = min(start + BLOCK_ROWS, len(payload.rows))
        for word, values, step in steps:
            step(word[start:end], values[start:end], spare[: end - start])
    return out


def _factors(signal: MapSignal) -> tuple[float, float, bool]:
    """Scale and offset as doubles, and whether both are whole numbers, which cantools then keeps whole."""
    whole = signal.scale.denominator == 1 and signal.offset.denominator == 1
    return float(signal.scale), float(signal.offset), whole


def _quick(payload: _Payload, signal: MapSignal) -> tuple[Words, Callable[[Words, Floats, Words], None]] | None:
    """The block step of a signal whose every intermediate is exact in a double, or None."""
    length = signal.layout.length
    if signal.is_float or length > 52:
        return None
    scale, offset, _ = _factors(signal)
    low, high = signal.layout.raw_range
    reach = max(abs(low), abs(high))
    if signal.scale.denominator == 1 and (abs(scale) * reach >= _EXACT or (abs(offset) >= _EXACT)):
        return None
    word, shift, _ = _window(payload, signal)  # at most 52 bits never need a ninth byte
    bits, mask = np.uint64(shift), np.uint64((1 << length) - 1)
    sign = 1 << (length - 1) if signal.layout.signed else 0
    mark, base = np.uint64(_MANTISSA_OF_2_52 | sign), float(_EXACT + sign)
    plain = scale == 1.0
    unmoved = offset == 0.0 and scale > 0.0

    def step(block: Words, values: Floats, spare: Words) -> None:
        np.right_shift(block, bits, out=spare)
        np.bitwise_and(spare, mask, out=spare)
        np.bitwise_xor(spare, mark, out=spare)
        np.subtract(spare.view(np.float64), base, out=values)
        if not plain:
            np.multiply(values, scale, out=values)
        if not unmoved:
            np.add(values, offset, out=values)

    return word, step


def _slow(payload: _Payload, signal: MapSignal) -> Floats:
    """Wide integers and floating-point signals, the way cantools computes them."""
    raw = _raw(payload, signal)
    scale, offset, whole = _factors(signal)
    if signal.is_float:
        bits = raw.astype(np.uint32).view(np.float32) if signal.layout.length == 32 else raw.view(np.float64)
        values: Floats = bits.astype(np.float64)
        return values if scale == 1.0 and offset == 0.0 else values * scale + offset
    if signal.scale.denominator != 1:
        out: Floats = raw.astype(np.float64) * scale + offset
        return out
    if signal.scale == 1 and signal.offset == 0:
        return raw.astype(np.float64)
    factor = signal.scale.numerator
    shift: int | float = signal.offset.numerator if whole else offset
    return np.array([float(int(v) * factor + shift) for v in raw.tolist()], dtype=np.float64)
