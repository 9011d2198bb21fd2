"""Page room: what the page's scripts send; msgspec holds each request to its type before a view sees it."""

from __future__ import annotations

from typing import Annotated, Literal, TypeVar

import msgspec

from swapbridge.core.errors import InputError

Short = Annotated[str, msgspec.Meta(max_length=300)]
Version = Annotated[str, msgspec.Meta(max_length=64)]
MapName = Annotated[str, msgspec.Meta(max_length=120)]
BridgeText = Annotated[str, msgspec.Meta(max_length=400_000)]
Rule = Annotated[str, msgspec.Meta(max_length=4000)]


class Sent(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A request; one that says nothing more is empty."""


class Versioned(Sent, frozen=True):
    """The version of the file that the person looked at, without which nothing is written."""

    version: Version


class Undo(Versioned, frozen=True):
    """A file's last step is taken back."""

    file: Short


class BridgeCheck(Sent, frozen=True):
    """A bridge text to look at."""

    text: BridgeText


class BridgeSave(Versioned, frozen=True):
    """A bridge text to write."""

    text: BridgeText


class BridgeCurve(Sent, frozen=True):
    """A gauge table's points, to be put into a bridge text."""

    text: BridgeText
    table: Annotated[str, msgspec.Meta(max_length=80)]
    points: list[list[float]]


class BridgePick(Sent, frozen=True):
    """A signal of a bridge text, to be made from another."""

    text: BridgeText
    message: Short
    signal: Short
    source: Short


class OfCapture(Sent, frozen=True):
    """Work over one capture."""

    file: Short


class DraftSay(Versioned, frozen=True):
    """An answer to a drafted line; an edit has both its rule and its safe answer."""

    name: Short
    say: Literal["accept", "refuse", "edit"]
    value: Rule | None = None
    fallback: Rule | None = None


class DraftBeside(Sent, frozen=True):
    """A drafted line whose recordings are wanted."""

    name: Short


class Edit(Sent, frozen=True):
    """What a person typed instead of what was found; numbers as text or as numbers."""

    start: Short | int
    length: Short | int
    byte_order: Literal["little_endian", "big_endian"]
    signed: bool
    scale: Short | float = "1"
    offset: Short | float = "0"
    unit: Annotated[str, msgspec.Meta(max_length=40)] = ""


class Accept(Versioned, frozen=True):
    """A found field, to be taken into a map."""

    file: Short
    id: Annotated[str, msgspec.Meta(max_length=12)]
    bus: Short
    field: Short
    name: MapName
    map: MapName
    edit: Edit | None = None


class AcceptAll(Versioned, frozen=True):
    """Every claim at least this sure, to be taken into a map."""

    file: Short
    map: MapName
    confidence: Annotated[float, msgspec.Meta(ge=0.5, le=1)]
    bus: Short = ""


class Prove(Sent, frozen=True):
    """A proof to run: a capture for each bus, and how thoroughly."""

    captures: dict[str, str]
    thoroughness: Short
    model: Short = ""


class Record(Sent, frozen=True):
    """A recording to begin."""

    buses: Annotated[str, msgspec.Meta(max_length=2000)]
    name: Annotated[str, msgspec.Meta(max_length=64)]
    script: bool = False
    active: bool = False
    scan_tool: Short | None = None


class Run(Sent, frozen=True):
    """A plan to run: to watch only, unless sending is asked for."""

    buses: Annotated[str, msgspec.Meta(max_length=2000)] = ""
    sending: bool = False
    acknowledged: bool = False
    unproved: bool = False
    against: Short = ""
    against_bus: Annotated[str, msgspec.Meta(max_length=60)] = ""


class Press(Sent, frozen=True):
    """A key of the person at the page."""

    key: Annotated[str, msgspec.Meta(max_length=20)]
    text: Short = ""


T = TypeVar("T", bound=Sent)


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
            raise InputError(f"the request does not fit ({error}); load the page again") from None
        raise InputError("the text holds half a character (a lone surrogate); delete it and type it anew") from None
