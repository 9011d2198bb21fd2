"""Signal map room: findings, as guessing fills them and accepting reads them.

`Findings.to_dict` is the format of `swapbridge guess --json` (version 1); `findings_from_json` reads it back.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import identifier_word
from swapbridge.core.layout import Layout

FINDINGS_VERSION = 1
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
            "alternatives": [plain_data(a) for a in self.alternatives],
            "evidence": plain_data(self.evidence),
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
class FoundGroup:
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
    group: FoundGroup | None = None

    def to_dict(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "id": self.identifier,
            "extended": self.extended,
            "bus": self.bus,
            "length": self.length,
            "period_ms": plain_data(self.period_ms),
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
            "version": FINDINGS_VERSION,
            "messages": [m.to_dict() for m in self.messages],
            "advice": list(self.advice),
            "channels": plain_data(self.channels),
        }


def findings_from_json(text: str) -> Findings:
    """Read findings.

    Parameters
    ----------
    text : str
        JSON, as `swapbridge guess --json` writes it.

    Returns
    -------
    Findings
        What no number stands for (infinity) is None.

    Raises
    ------
    InputError
        No JSON, no findings, another version, or a message that can't be: which one is named.
    """
    try:
        data = json.loads(text, parse_constant=lambda _: None)
        if "\\ud" in text.lower():
            json.dumps(data, ensure_ascii=False).encode("utf-8")  # half a character would fail wherever it is printed
    except (ValueError, RecursionError):
        raise InputError(f"these are not JSON: {_REMEDY}") from None
    return findings_from_dict(data)


def findings_from_dict(data: object) -> Findings:
    """Read what `Findings.to_dict` gives, from JSON or not.

    Parameters
    ----------
    data : object
        A mapping; anything else is refused.

    Returns
    -------
    Findings

    Raises
    ------
    InputError
        No findings, another version, or a message that can't be: which one is named.
    """
    messages = data.get("messages") if isinstance(data, Mapping) else None
    if not isinstance(data, Mapping) or not isinstance(messages, list):
        raise InputError(f"these are not findings: {_REMEDY}")
    if data.get("version") != FINDINGS_VERSION:
        raise InputError(f"findings of version {data.get('version')!r} can't be read: {_REMEDY}")
    out = []
    for number, entry in enumerate(messages, 1):
        try:
            out.append(_message(entry))
        except KeyError as error:
            raise InputError(f"message {number} of the findings has no {error}: {_REMEDY}") from None
        except (TypeError, ValueError, AttributeError, InputError) as error:
            raise InputError(f"message {number} of the findings can't be read ({error}): {_REMEDY}") from None
    advice = data.get("advice") or ()
    return Findings(tuple(out), tuple(str(line) for line in advice), dict(data.get("channels") or {}))


_REMEDY = "write them with `swapbridge guess CAPTURE --json FILE`"


def _message(entry: Mapping[str, Any]) -> FoundMessage:
    identifier, extended = entry["id"], entry["extended"]
    _check_identifier(identifier, extended)
    period, group = entry.get("period_ms"), entry.get("j1939")
    constant = entry.get("constant")
    return FoundMessage(
        identifier=identifier,
        extended=extended,
        bus=str(entry.get("bus", "")),
        length=int(entry["length"]),
        period_ms=math.nan if period is None else _number(period, "period_ms"),
        frames=int(entry.get("frames", 0)),
        fields=tuple(_field(item) for item in entry["signals"]),
        constant=None if constant is None else _constant(constant),
        group=None if not group else FoundGroup(*(group[key] for key in ("group", "source", "name", "words"))),
    )


def _field(item: Mapping[str, Any]) -> FoundField:
    name, kind, mux = item["name"], item["kind"], item.get("mux")
    if not isinstance(name, str):
        raise TypeError(f"{name!r} is not a name")
    if kind not in get_args(FieldKind):
        raise ValueError(f"field {name} is of kind {kind!r}, not one of {', '.join(get_args(FieldKind))}")
    return FoundField(
        name=name,
        layout=Layout(item["start"], item["length"], item["byte_order"], bool(item["signed"])),
        kind=kind,
        layout_confidence=_share(item["layout_confidence"], name),
        confidence=_share(item["confidence"], name),
        scale=_number(item["scale"], name),
        offset=_number(item["offset"], name),
        unit=str(item["unit"] or ""),
        stimulus=item["stimulus"],
        lag_s=None if item.get("lag_s") is None else _number(item["lag_s"], name),
        copy_of=item.get("copy_of"),
        mux=None if mux is None else (str(mux["signal"]), int(mux["value"])),
        method=item.get("method"),
        alternatives=tuple(item.get("alternatives") or ()),
        evidence=dict(item.get("evidence") or {}),
    )


def _constant(known: Mapping[str, Any]) -> ConstantBits:
    pages = known.get("pages")
    selector: Layout | None = None
    found: tuple[tuple[int, ConstantBits], ...] = ()
    if pages is not None:
        selector = Layout(int(pages["start"]), int(pages["length"]), pages["byte_order"])
        found = tuple((int(value), _constant(one)) for value, one in pages["values"].items())
    payload, mask = bytes.fromhex(known["payload"]), bytes.fromhex(known["mask"])
    return ConstantBits(payload, mask, int(known.get("frames", 0)), selector, found)


def _check_identifier(identifier: Any, extended: Any) -> None:
    if type(identifier) is not int or type(extended) is not bool:
        raise TypeError(f"{identifier!r} is not an identifier")
    identifier_word(identifier, extended)


def _number(value: Any, name: str) -> float:
    """A number as it was written: an integer stays one, so that what is written again reads the same."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{name} has {value!r} where a number belongs")
    return value


def _share(value: Any, name: str) -> float:
    share = _number(value, name)
    if not 0 <= share <= 1:
        raise ValueError(f"{name} has {share!r} where a share from 0 to 1 belongs")
    return share


def plain_data(value: Any) -> Any:
    """The same with None for what JSON has no number for: a margin over no rival at all is infinite."""
    if isinstance(value, dict):
        return {key: plain_data(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_data(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
