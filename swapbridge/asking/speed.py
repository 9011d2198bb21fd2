"""Asking room: the vehicle's speed from its own traffic, where a signal map says which signal it is."""

from __future__ import annotations

from collections.abc import Iterable

from swapbridge.asking.session import SpeedOf
from swapbridge.core.errors import InputError
from swapbridge.core.roles import find_role
from swapbridge.core.units import find_unit
from swapbridge.signalmap.signal_map import MapSignal, SignalMap


def speed_reader(maps: Iterable[SignalMap]) -> SpeedOf | None:
    """What reads the speed of these maps' vehicle; None where no map has a signal of that role."""
    role, wanted = find_role("vehicle_speed").name, find_unit("km/h")
    known: dict[int, list[MapSignal]] = {}
    for one in maps:
        for message in one.messages:
            for signal in message.signals:
                if signal.role == role and signal.mux_signal is None and not signal.is_float:
                    known.setdefault(message.word, []).append(signal)
    if not known:
        return None

    def speed_of(word: int, data: bytes) -> float | None:
        for signal in known.get(word, ()):
            if not signal.layout.fits(len(data)):
                continue
            raw = signal.layout.unpack(data)
            if raw in signal.not_available or raw in signal.error_codes:
                continue
            try:
                return float(find_unit(signal.unit).convert(signal.physical(raw), wanted))
            except InputError:  # without a declared unit there is no speed
                continue
        return None

    return speed_of
