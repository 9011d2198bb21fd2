"""Guessing room: what guessing says, as data. `to_dict` is the format of `swapbridge guess --json` (version 1)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

from swapbridge.core.layout import Layout

FieldKind = Literal["analogue", "flag", "enum", "counter", "checksum", "constant", "mux"]


@dataclass(frozen=True, slots=True)
class FoundField:
    """One field of a message: its layout first, its meaning where one was found.

    `stimulus` is the channel it follows; `scale` and `offset` map the raw value to that channel's `unit`. `confidence`
    is the probability that layout and channel are both right (that of the layout alone where there is no channel).
    `method` holds a counter's or a checksum's parameters (`swapbridge.core.integrity`).
    """

    name: str
    layout: Layout
    kind: FieldKind
    layout_confidence: float
    confidence: float
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    stimulus: str | None = None
    lag_s: float | None = None
    copy_of: str | None = None
    mux: tuple[str, int] | None = None
    method: dict[str, Any] | None = None
    alternatives: tuple[dict[str, Any], ...] = ()
    evidence: dict[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "name": self.name,
            "start": self.layout.start,
            "length": self.layout.length,
            "byte_order": self.layout.byte_order,
            "signed": self.layout.signed,
            "kind": self.kind,
            "scale": self.scale,
            "offset": self.offset,
            "unit": self.unit,
            "stimulus": self.stimulus,
            "lag_s": self.lag_s,
            "confidence": self.confidence,
            "layout_confidence": self.layout_confidence,
            "copy_of": self.copy_of,
            "mux": None if self.mux is None else {"signal": self.mux[0], "value": self.mux[1]},
            "alternatives": [_plain(a) for a in self.alternatives],
            "evidence": _plain(self.evidence),
        }
        if self.method is not None:
            out["method"] = self.method
        return out


@dataclass(frozen=True, slots=True)
class ConstantBits:
    """Bits that never moved, a mask of them, in how many frames; and the same for each page of a multiplexer."""

    payload: bytes
    mask: bytes
    frames: int
    selector: Layout | None = None
    pages: tuple[tuple[int, ConstantBits], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        out: dict[str, Any] = {"payload": self.payload.hex(), "mask": self.mask.hex(), "frames": self.frames}
        if self.selector is not None:
            place = {"start": self.selector.start, "length": self.selector.length}
            values = {str(value): known.to_dict() for value, known in self.pages}
            out["pages"] = {**place, "byte_order": self.selector.byte_order, "values": values}
        return out


@dataclass(frozen=True, slots=True)
class KnownGroup:
    """The J1939 group of an identifier: number, sender's address, short name ("" where it is not public), words."""

    number: int
    source: int
    name: str
    words: str

    def to_dict(self) -> dict[str, Any]:
        return {"group": self.number, "source": self.source, "name": self.name, "words": self.words}


@dataclass(frozen=True, slots=True)
class FoundMessage:
    """Fields of one identifier on one bus; fields never overlap in the same frames.

    `constant` is what of the payload never moved, and what of it on each page of its multiplexer. `group` is set on a
    bus that speaks SAE J1939; parameters of its public groups have ``public`` in their evidence.
    """

    identifier: int
    extended: bool
    bus: str
    length: int
    period_ms: float
    frames: int
    fields: tuple[FoundField, ...]
    constant: ConstantBits | None = None
    group: KnownGroup | None = None

    def to_dict(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "id": self.identifier,
            "extended": self.extended,
            "bus": self.bus,
            "length": self.length,
            "period_ms": _plain(self.period_ms),
            "frames": self.frames,
            "signals": [f.to_dict() for f in self.fields],
        }
        if self.constant is not None:
            out["constant"] = self.constant.to_dict()
        if self.group is not None:
            out["j1939"] = self.group.to_dict()
        return out


@dataclass(frozen=True, slots=True)
class Findings:
    """All that one call of `guess` found, with advice on what to record next."""

    messages: tuple[FoundMessage, ...]
    advice: tuple[str, ...] = ()
    channels: dict[str, dict[str, Any]] = field(default_factory=dict)

    def __repr__(self) -> str:
        fields = [f for m in self.messages for f in m.fields]
        named = sum(f.stimulus is not None for f in fields)
        return f"<Findings: {len(self.messages)} messages, {len(fields)} fields, {named} follow a channel>"

    def to_dict(self) -> dict[str, Any]:
        return {
            "version": 1,
            "messages": [m.to_dict() for m in self.messages],
            "advice": list(self.advice),
            "channels": _plain(self.channels),
        }


def _plain(value: Any) -> Any:
    """The same with None for what JSON has no number for: a margin over no rival at all is infinite."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
