"""Page room: what the page's scripts are answered, by path. mypy holds the views to it, and TypeScript the scripts.

`python -m tests.page.write_types` writes `static/answers.d.ts` from here; a test compares.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypedDict

from swapbridge.core.layout import ByteOrder
from swapbridge.page.requests import HealthRows, NeedRow


class StripLine(TypedDict):
    """A line over time: None breaks it, `states` names numbers that are words."""

    name: str
    unit: str
    step: bool
    states: Mapping[str, str]
    times: Sequence[float]
    values: Sequence[float | None]


class IdentifierRow(TypedDict):
    """One identifier of a capture; `named` says which map has it."""

    text: str
    bus: str
    count: int
    period_ms: float | None
    live_bits: int
    named: str


class CaptureAnswer(TypedDict):
    """A capture at a glance."""

    notes: Sequence[str]
    identifiers: Sequence[IdentifierRow]


class ReadingAnswer(TypedDict):
    """How much of a capture has been read, 0 to 1; None while it is not being read."""

    share: float | None


class Gap(TypedDict):
    """A stretch of which nothing was recorded, and why."""

    begin: float
    end: float
    words: str
    bus: str


class BusLoad(TypedDict):
    """Load of a bus in percent, second by second."""

    bus: str
    times: Sequence[float]
    values: Sequence[float]


class Blocks(TypedDict):
    """A channel of words: stretches from, to, and the word."""

    name: str
    blocks: Sequence[tuple[float, float, str]]


class AxisAnswer(TypedDict):
    """What lies over the whole recording; `start` is its first frame in seconds by the logger's clock."""

    start: float
    span: Sequence[float]
    gaps: Sequence[Gap]
    loads: Sequence[BusLoad]
    channels: Sequence[StripLine]
    blocks: Sequence[Blocks]
    trouble: str


class Lane(TypedDict):
    """How often an identifier's payload changes: a digit a column."""

    text: str
    bus: str
    cells: str


class LanesAnswer(TypedDict):
    """All identifiers over a stretch."""

    span: Sequence[float]
    lanes: Sequence[Lane]


class BitPicture(TypedDict):
    """Bits over time: a digit a cell, column after column."""

    columns: int
    bits: int
    moves: str
    ones: str


class StripsAnswer(TypedDict):
    """One identifier over a stretch."""

    span: Sequence[float]
    source: str
    fields: Sequence[StripLine]
    left_out: int
    period: StripLine
    picture: BitPicture


class RawFrame(TypedDict):
    """One frame as it came."""

    number: int
    of: int
    time_s: float
    data: str
    bits: str
    age_s: float


class FrameAnswer(TypedDict):
    """The frame at a moment, or None before the first."""

    frame: RawFrame | None


class FieldRow(TypedDict):
    """A field that the search found."""

    name: str
    start: int
    length: int
    byte_order: ByteOrder
    signed: bool
    kind: str
    scale: float
    offset: float
    unit: str
    stimulus: str | None
    lag_s: float | None
    confidence: float
    layout_confidence: float
    copy_of: str | None
    mux: Any
    id: str
    bus: str
    label: str
    sure: str
    positions: Sequence[int]
    words: str
    evidence: Any
    alternatives: Any


class ClaimRow(FieldRow):
    """A field, and the maps that have it already."""

    in_maps: Sequence[str]


class IdentifierAnswer(TypedDict):
    """One identifier in words, and its fields."""

    words: str
    fields: Sequence[FieldRow]


class ChecksAnswer(TypedDict):
    """Counters and checksums of an identifier, in words."""

    checks: Sequence[str]


class MapState(TypedDict):
    """A map in the folder: its version, and the step that undo would take back."""

    name: str
    version: str
    undo: str


class MapsAnswer(TypedDict):
    """The folder's maps."""

    maps: Sequence[MapState]


class ClaimsAnswer(MapsAnswer):
    """What was found in a capture."""

    claims: Sequence[ClaimRow]
    advice: Sequence[str]
    guessed: bool


class ChannelLine(TypedDict):
    """A stimulus channel beside a field."""

    name: str
    unit: str
    times: Sequence[float]
    values: Sequence[float | None]
    dots: Sequence[Sequence[float]]
    median_error: float


class FieldAnswer(TypedDict):
    """A field over time."""

    times: Sequence[float]
    values: Sequence[float | None]
    step: bool
    frames: int
    stimulus: ChannelLine | None
    note: str


class AcceptAnswer(TypedDict):
    """A field is in a map."""

    accepted: str
    map: str
    version: str
    by_hand: bool


class AcceptAllAnswer(TypedDict):
    """All that is sure enough is in a map."""

    map: str
    version: str
    named: int
    bare: int
    confirmed: int
    constants: int
    left_out: int
    conflicts: Sequence[str]


class CompilerMessage(TypedDict):
    """The compiler's message on a line."""

    level: str
    line: int | None
    column: int
    words: str


class RowSource(TypedDict):
    """A signal that another is made from."""

    name: str
    sure: str


class BridgeRow(TypedDict):
    """A signal that is sent."""

    message: str
    every: str
    signal: str
    unit: str
    kind: str
    made_from: str
    sources: Sequence[RowSource]
    doubt: str
    note: str


class TableCurve(TypedDict):
    """A gauge table."""

    name: str
    x: str
    y: str
    points: Sequence[Sequence[float]]


class Pickable(TypedDict):
    """A signal that an expression can name."""

    name: str
    bus: str
    unit: str
    kind: str
    sure: str


class Usage(TypedDict):
    """A function of the language."""

    name: str
    usage: str
    words: str


class CheckAnswer(TypedDict):
    """The compiler's messages on a bridge text."""

    faults: Sequence[CompilerMessage]
    rows: Sequence[BridgeRow]
    tables: Sequence[TableCurve]
    names: Sequence[Pickable]
    functions: Sequence[Usage]


class BridgeAnswer(CheckAnswer):
    """The bridge file."""

    text: str
    version: str
    undo: str


class SaveAnswer(TypedDict):
    """The bridge file is written."""

    saved: str
    version: str


class TextAnswer(TypedDict):
    """A bridge text with one thing changed."""

    text: str


class DraftRow(TypedDict):
    """A signal's line of the bridge file, draft's comment on it, and whether it is open, waits for a review, or may be
    accepted together with others; `unseen` is draft's comment on it where it was."""

    name: str
    message: str
    signal: str
    value: str
    fallback: str
    role: str
    sentence: str
    sure: float
    open: bool
    waits: bool
    together: bool
    unseen: str


class DraftAnswer(TypedDict):
    """Every line, the names that wait for a review (messages as a whole too), and why some of it can't be known; the
    last draft's outlook."""

    version: str
    undo: str
    waiting: Sequence[str]
    trouble: str
    lines: Sequence[DraftRow]
    outlook: Sequence[str]


class DraftTogetherAnswer(TypedDict):
    """What was accepted together, and the view after it."""

    accepted: Sequence[str]
    view: DraftAnswer


class DrawnAnswer(TypedDict):
    """A drafted rule beside what was recorded, in the field's unit; no times where it was not drawn, no `made` where
    nobody knows how it is made."""

    value: str
    unit: str
    held_out: bool
    times: Sequence[float]
    recorded: Sequence[float]
    made: Sequence[float] | None


class UndoAnswer(TypedDict):
    """A step is taken back."""

    undone: str
    version: str


class Change(TypedDict):
    """What changed of an identifier."""

    words: str
    sure: bool


class ChangedRow(TypedDict):
    """An identifier that changed."""

    id: str
    bus: str
    changes: Sequence[Change]


class MissingRow(TypedDict):
    """An identifier that appeared or vanished."""

    id: str
    bus: str
    frames: int
    period_ms: float | None
    length: int
    sure: bool
    hints: Sequence[str]


class CompareAnswer(TypedDict):
    """Two captures compared."""

    appeared: Sequence[MissingRow]
    vanished: Sequence[MissingRow]
    changed: Sequence[ChangedRow]
    same: int
    remarks: Sequence[str]


class BitsSide(TypedDict):
    """An identifier's bits in one capture: a character a bit, 0 and 1 where it stands still and ~ where it moves."""

    frames: int
    states: str
    span: Sequence[float]
    picture: BitPicture


class BitsAnswer(TypedDict):
    """An identifier's bits in two captures; None where it is not there."""

    seconds: float
    before: BitsSide | None
    after: BitsSide | None


class Proof(TypedDict):
    """The proof beside the plan."""

    proved: bool
    words: str
    counts: Mapping[str, int]


class ProofAnswer(TypedDict):
    """Whether the plan is proved now."""

    proof: Proof | None
    report: bool
    report_version: str


class LikelyAnswer(TypedDict):
    """The captures that a proof would take."""

    captures: Mapping[str, str]


class Dial(TypedDict):
    """A signal that is sent, at each moment."""

    name: str
    message: str
    bus: str
    unit: str
    ticks: Sequence[float]
    numeric: bool
    values: Sequence[float | None]
    words: Sequence[str]
    sources: Sequence[DialSource]


class DialSource(TypedDict):
    """A signal that a dial is made from."""

    name: str
    unit: str
    values: Sequence[float | None]
    words: Sequence[str]


class Dials(TypedDict):
    """The result of driving the dials."""

    times: Sequence[float]
    dials: Sequence[Dial]
    left_out: int


class PhoneAnswer(TypedDict):
    """A link for one phone, and its QR code row by row."""

    link: str
    code: Sequence[str]


class NeedsAnswer(TypedDict):
    """The needs list as its form; `found` is what a comparison found while there is no list.

    `trouble` says why the file can't be shown.
    """

    version: str
    undo: str
    trouble: str
    needs: Sequence[NeedRow]
    found: Sequence[NeedRow]


class HealthAnswer(TypedDict):
    """The health sheet as its form; `trouble` says why the file can't be shown."""

    version: str
    undo: str
    trouble: str
    sheet: HealthRows


class EngineJudgement(TypedDict):
    """What an engine's readings say, and each cylinder's leak in words, by its number."""

    which: str
    grade: str
    words: Sequence[str]
    leaks: Mapping[str, str]


class JudgementAnswer(TypedDict):
    """What a health sheet says, or the fault in it."""

    fault: str
    engines: Sequence[EngineJudgement]


class JobKey(TypedDict):
    """Work that was begun."""

    job: str


ANSWERS: dict[str, type] = {
    "/api/accept": AcceptAnswer,
    "/api/accept-all": AcceptAllAnswer,
    "/api/axis": AxisAnswer,
    "/api/bridge": BridgeAnswer,
    "/api/bridge/check": CheckAnswer,
    "/api/bridge/compile": JobKey,
    "/api/bridge/curve": TextAnswer,
    "/api/bridge/dials": JobKey,
    "/api/bridge/pick": TextAnswer,
    "/api/bridge/save": SaveAnswer,
    "/api/capture": CaptureAnswer,
    "/api/checks": ChecksAnswer,
    "/api/claims": ClaimsAnswer,
    "/api/compare": CompareAnswer,
    "/api/compare/bits": BitsAnswer,
    "/api/draft": DraftAnswer,
    "/api/draft/beside": JobKey,
    "/api/draft/drawn": DrawnAnswer,
    "/api/draft/make": JobKey,
    "/api/draft/decide": DraftAnswer,
    "/api/draft/take-back": DraftAnswer,
    "/api/draft/together": DraftTogetherAnswer,
    "/api/field": FieldAnswer,
    "/api/frame": FrameAnswer,
    "/api/guess": JobKey,
    "/api/health": HealthAnswer,
    "/api/health/check": JudgementAnswer,
    "/api/health/save": HealthAnswer,
    "/api/identifier": IdentifierAnswer,
    "/api/lanes": LanesAnswer,
    "/api/live/phone": PhoneAnswer,
    "/api/maps": MapsAnswer,
    "/api/needs": NeedsAnswer,
    "/api/needs/save": NeedsAnswer,
    "/api/proof": ProofAnswer,
    "/api/prove": JobKey,
    "/api/prove/likely": LikelyAnswer,
    "/api/reading": ReadingAnswer,
    "/api/strips": StripsAnswer,
    "/api/undo": UndoAnswer,
}
"""Every path whose answer has a type; those of running programs (`/api/live`, `/api/jobs`) have none."""
