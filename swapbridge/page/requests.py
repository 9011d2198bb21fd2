"""Page room: what the page's scripts send; msgspec holds each request to its type before a view sees it."""

from __future__ import annotations

import re
from typing import Annotated, Literal, TypeVar

import msgspec

from swapbridge.core.errors import InputError

ShortText = Annotated[str, msgspec.Meta(max_length=300)]
Version = Annotated[str, msgspec.Meta(max_length=64)]
MapName = Annotated[str, msgspec.Meta(max_length=120)]
BridgeText = Annotated[str, msgspec.Meta(max_length=400_000)]
Confidence = Annotated[float, msgspec.Meta(ge=0.5, le=1)]
Rule = Annotated[str, msgspec.Meta(max_length=4000)]


class PageRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A request; one that says nothing more is empty."""


class Versioned(PageRequest, frozen=True):
    """The version of the file that the person looked at, without which nothing is written."""

    version: Version


class Undo(Versioned, frozen=True):
    """A file's last step is taken back."""

    file: ShortText


class BridgeCheck(PageRequest, frozen=True):
    """A bridge text to look at."""

    text: BridgeText


class BridgeSave(Versioned, frozen=True):
    """A bridge text to write."""

    text: BridgeText


class BridgeCurve(PageRequest, frozen=True):
    """A gauge table's points, to be put into a bridge text."""

    text: BridgeText
    table: Annotated[str, msgspec.Meta(max_length=80)]
    points: list[list[float]]


class BridgePick(PageRequest, frozen=True):
    """A signal of a bridge text, to be made from another."""

    text: BridgeText
    message: ShortText
    signal: ShortText
    source: ShortText


class OfCapture(PageRequest, frozen=True):
    """Work over one capture."""

    file: ShortText


class DraftDecision(Versioned, frozen=True):
    """An answer to a drafted line; an edit has both its rule and its safe answer."""

    name: ShortText
    decision: Literal["accept", "refuse", "edit"]
    value: Rule | None = None
    fallback: Rule | None = None


class DraftTogether(Versioned, frozen=True):
    """Every drafted line at least this sure that needs no separate look, to be accepted."""

    confidence: Confidence


class DraftTakeBack(Versioned, frozen=True):
    """Lines that were accepted together, to be draft's again."""

    names: list[ShortText]


class DraftBeside(PageRequest, frozen=True):
    """A drafted line whose recordings are wanted."""

    name: ShortText


class Edit(PageRequest, frozen=True):
    """What a person typed instead of what was found; numbers as text or as numbers."""

    start: ShortText | int
    length: ShortText | int
    byte_order: Literal["little_endian", "big_endian"]
    signed: bool
    scale: ShortText | float = "1"
    offset: ShortText | float = "0"
    unit: Annotated[str, msgspec.Meta(max_length=40)] = ""


class Accept(Versioned, frozen=True):
    """A found field, to be taken into a map."""

    file: ShortText
    id: Annotated[str, msgspec.Meta(max_length=12)]
    bus: ShortText
    field: ShortText
    name: MapName
    map: MapName
    edit: Edit | None = None


class AcceptAll(Versioned, frozen=True):
    """Every claim at least this sure, to be taken into a map."""

    file: ShortText
    map: MapName
    confidence: Confidence
    bus: ShortText = ""


class NeedRow(PageRequest, frozen=True):
    """A need as its form has it: texts as typed, and its position in the file when the form was loaded."""

    was: int | None
    module: ShortText
    bus: ShortText
    id: ShortText
    period_ms: ShortText
    length: ShortText
    how: ShortText
    role: ShortText
    signal: ShortText
    note: Rule
    codes: Rule
    codes_found: ShortText


class CylinderRow(PageRequest, frozen=True):
    """A cylinder's readings as typed, and the how-manieth of its engine in the file it was."""

    was: int | None
    number: ShortText
    supply: ShortText
    cylinder: ShortText
    compression: ShortText
    air_heard: ShortText


class OilRow(PageRequest, frozen=True):
    """A look at the oil, and the how-manieth of its engine in the file it was."""

    was: int | None
    after: ShortText
    seen: ShortText


class EngineRow(PageRequest, frozen=True):
    """An engine's readings as typed."""

    which: Literal["donor", "host"]
    unit: ShortText
    redline: ShortText
    idle: ShortText
    peak_torque: ShortText
    cylinders: Annotated[list[CylinderRow], msgspec.Meta(max_length=64)]
    oil: Annotated[list[OilRow], msgspec.Meta(max_length=64)]


class HealthRows(PageRequest, frozen=True):
    """The health sheet as typed: both engines, and what the host's gearbox bears."""

    engines: list[EngineRow]
    most_torque: ShortText
    shifts_at: ShortText


class HealthCheck(PageRequest, frozen=True):
    """A health sheet to judge."""

    sheet: HealthRows


class NeedsSave(Versioned, frozen=True):
    """A needs list to write."""

    needs: Annotated[list[NeedRow], msgspec.Meta(max_length=2000)]


class HealthSave(Versioned, frozen=True):
    """A health sheet to write."""

    sheet: HealthRows


class Prove(PageRequest, frozen=True):
    """A proof to run: a capture for each bus, and how thoroughly."""

    captures: dict[str, str]
    thoroughness: ShortText
    model: ShortText = ""


class BeginRecording(PageRequest, frozen=True):
    """A recording to begin."""

    buses: Annotated[str, msgspec.Meta(max_length=2000)]
    name: Annotated[str, msgspec.Meta(max_length=64)]
    script: bool = False
    active: bool = False
    scan_tool: ShortText | None = None


class BeginRun(PageRequest, frozen=True):
    """A plan to run: to watch only, unless sending is asked for."""

    buses: Annotated[str, msgspec.Meta(max_length=2000)] = ""
    sending: bool = False
    acknowledged: bool = False
    unproved: bool = False
    against: ShortText = ""
    against_bus: Annotated[str, msgspec.Meta(max_length=60)] = ""


class KeyPress(PageRequest, frozen=True):
    """A key of the person at the page."""

    key: Annotated[str, msgspec.Meta(max_length=20)]
    text: ShortText = ""


T = TypeVar("T", bound=PageRequest)

_PLACE = re.compile(r" - at `\$\.?(?P<place>.*)`$")
_TYPED = (
    (re.compile(r"Expected `str` of length <= (\d+)"), "is longer than {} characters: shorten it"),
    (re.compile(r"Expected `float` >= ([\d.]+?)(?:\.0)?(?= |$)"), "is less than {0}: write {0} or more"),
    (re.compile(r"Expected `float` <= ([\d.]+?)(?:\.0)?(?= |$)"), "is more than {0}: write {0} or less"),
    (re.compile(r"Expected `[^`]*(?:float|int)[^`]*`, got `(?:str|null)`"), "is not a number: write one such as 3"),
)
"""What a person can have typed, by msgspec's words for it; anything else was sent by a page of another version."""


def decoded(content: bytes, kind: type[T]) -> T:
    """A request's JSON as its type.

    Raises
    ------
    InputError
        It is no JSON, or does not fit the type.
    """
    try:
        return msgspec.json.decode(content.decode("utf-8"), type=kind)
    except (msgspec.DecodeError, UnicodeError, RecursionError) as error:
        if isinstance(error, msgspec.ValidationError) or b"\\ud" not in content.lower():
            raise InputError(f"{_sentence(str(error))}; nothing was done") from None
        raise InputError("the text holds half a character (a lone surrogate); delete it and type it again") from None


def _sentence(words: str) -> str:
    found = _PLACE.search(words)
    place = found["place"] if found else ""
    name = place.partition("[")[0].replace("_", " ")
    for pattern, fault in _TYPED:
        if fits := pattern.match(words):
            return f"what was typed for {name} {fault.format(*fits.groups())}"
    what = _PLACE.sub(f" in {place}" if place else "", words)
    return f"this page does not match the program behind it ({what}): load the page again"
