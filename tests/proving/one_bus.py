"""Prove room's tests: a stand-in for a case: one bus whose signals are given as roles, times and values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np

from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.proving.case import Track
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap


@dataclass
class OneBus:
    """What judges of maps ask a case: signals by role, their tracks, the stimulus beside them."""

    names: list[str] = field(default_factory=lambda: ["bus"])
    stimuli: dict[str, StimulusTrack] = field(default_factory=dict)
    tracks: dict[str, Track] = field(default_factory=dict)
    messages: list[MapMessage] = field(default_factory=list)
    maps: Any = field(default_factory=dict)
    made: list[Any] = field(default_factory=list)
    checks: list[Any] = field(default_factory=list)
    bridge: Any = field(default_factory=lambda: SimpleNamespace(sources=(), units={}, constants={}))

    def says(self, alias: str, time_s: Any, values: Any, unit: str, name: str = "", **more: Any) -> OneBus:
        """Give the bus a signal of a role, 16 bits and 0.1 a bit unless told otherwise."""
        more = {"scale": Fraction(1, 10), "offset": Fraction(-1000), "layout": Layout(0, 16), **more}
        signal = MapSignal(name or alias.title(), role=find_role(alias).name, unit=unit, **more)
        raw = np.rint((np.asarray(values, float) - float(signal.offset)) / float(signal.scale)).astype(np.int64)
        time_s = np.asarray(time_s, float)
        self.tracks[signal.name] = Track(time_s, raw, np.ones(len(raw), bool), signal)
        number = 0x100 + len(self.messages)
        self.messages.append(MapMessage(f"M{number:X}", number, False, 8, (signal,), period_ms=Fraction(20)))
        self.maps = {"bus": SignalMap(tuple(self.messages), ())}
        return self

    def beside(self, channel: str, time_s: Any, values: Any, unit: str, texts: tuple[str, ...] = ()) -> OneBus:
        """Give the recording a stimulus channel."""
        known = self.stimuli["bus"].channels if "bus" in self.stimuli else {}
        one = Channel(channel, np.asarray(time_s, float), np.asarray(values, float), unit, texts)
        self.stimuli["bus"] = StimulusTrack({**known, channel: one}, "bus")
        return self

    def by_role(self, bus: int, alias: str) -> Iterator[tuple[MapMessage, MapSignal]]:
        role = find_role(alias).name
        for message in self.messages:
            for signal in message.signals:
                if signal.role == role:
                    yield message, signal

    def recorded_track(self, bus: int, message: MapMessage, signal: MapSignal) -> Track | None:
        return self.tracks.get(signal.name)

    def role_track(self, bus: int, alias: str) -> Track | None:
        return next((self.tracks[s.name] for _, s in self.by_role(bus, alias)), None)
