"""Demo room: values into frames, by a signal map: scaling, counters, checksums, one multiplexer page after another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from swapbridge.core.integrity import Checksum, Counter
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

Values = Mapping[str, float | int]


@dataclass(frozen=True, slots=True)
class _PlacedSignal:
    """One signal, ready to be placed: little-endian bits count from the first byte, big-endian ones from the last."""

    name: str
    little: bool
    shift: int
    mask: int
    scale: float
    offset: float
    low: int
    high: int
    page: int | None


@dataclass(slots=True)
class FrameMaker:
    """Makes one message's frames in a row: counters step, checksums fit, multiplexer pages take turns."""

    message: MapMessage
    _slots: list[_PlacedSignal] = field(default_factory=list)
    _counters: list[tuple[_PlacedSignal, Counter]] = field(default_factory=list)
    _checksums: list[Checksum] = field(default_factory=list)
    _page: _PlacedSignal | None = None
    _pages: tuple[int, ...] = ()
    _frames: int = 0

    def __post_init__(self) -> None:
        for signal in self.message.signals:
            slot = _slot(signal, self.message.length)
            if signal.checksum is not None:
                self._checksums.append(signal.checksum)
            elif signal.counter is not None:
                self._counters.append((slot, signal.counter))
            elif signal.is_multiplexer:
                self._page = slot
            else:
                self._slots.append(slot)
        self._pages = tuple(sorted({p for s in self.message.signals for p in s.mux_values}))

    def frame(self, values: Values) -> bytes:
        """The next frame; signals that `values` does not name are at raw zero."""
        little = big = 0
        page = self._pages[self._frames % len(self._pages)] if self._page is not None else None
        placed = [(slot, raw_value(slot, values[slot.name])) for slot in self._slots if slot.name in values]
        placed += [(slot, counter.after(counter.low, self._frames)) for slot, counter in self._counters]
        if self._page is not None and page is not None:
            placed.append((self._page, page))
        for slot, raw in placed:
            if slot.page is not None and slot.page != page:
                continue
            if slot.little:
                little |= (raw & slot.mask) << slot.shift
            else:
                big |= (raw & slot.mask) << slot.shift
        self._frames += 1
        length = self.message.length
        whole = little | int.from_bytes(big.to_bytes(length, "big"), "little")
        payload = bytearray(whole.to_bytes(length, "little"))
        for checksum in self._checksums:
            checksum.insert(payload)
        return bytes(payload)


def raw_value(slot: _PlacedSignal, value: float) -> int:
    """Raw value nearest to a physical one, half away from zero, kept inside the signal's valid range."""
    steps = (value - slot.offset) / slot.scale
    raw = int(steps + 0.5) if steps >= 0 else -int(0.5 - steps)
    return min(slot.high, max(slot.low, raw))


def _slot(signal: MapSignal, length: int) -> _PlacedSignal:
    layout = signal.layout
    low, high = layout.raw_range
    if signal.minimum is not None and signal.maximum is not None:
        ends = [(v - signal.offset) / signal.scale for v in (signal.minimum, signal.maximum)]
        low, high = max(low, int(min(ends))), min(high, int(max(ends)))
    little = layout.byte_order == "little_endian"
    last = layout.positions[0]
    shift = layout.start if little else 8 * (length - 1 - last // 8) + last % 8
    page = signal.mux_values[0] if signal.mux_values else None
    mask = (1 << layout.length) - 1
    scale, offset = float(signal.scale), float(signal.offset)
    return _PlacedSignal(signal.name, little, shift, mask, scale, offset, low, high, page)
