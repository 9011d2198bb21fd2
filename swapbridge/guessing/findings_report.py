"""Guessing room: findings as text and rows for people: claims in order, integrity bytes, one message in full."""

from __future__ import annotations

from collections.abc import Iterator

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier
from swapbridge.core.layout import Layout
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage

SHOWN = 0.05
"""Claims under this probability are not shown among the best."""


def sureness(confidence: float) -> str:
    """A probability in a word: what a person may do with it."""
    for least, word in ((0.95, "sure"), (0.8, "likely"), (0.5, "perhaps"), (0.2, "doubtful")):
        if confidence >= least:
            return word
    return "a hint"


def claims_in_order(findings: Findings) -> list[tuple[FoundMessage, FoundField]]:
    """Fields that follow a channel: channels by their best claim, the best first within each."""
    claims = [(m, f) for m in findings.messages for f in m.fields if f.stimulus and f.confidence >= SHOWN]
    best: dict[str, float] = {}
    for _, field in claims:
        best[field.stimulus or ""] = max(best.get(field.stimulus or "", 0.0), field.confidence)
    return sorted(
        claims,
        key=lambda c: (-best[c[1].stimulus or ""], c[1].stimulus or "", -c[1].confidence, c[1].copy_of is not None),
    )


def public_in_order(findings: Findings) -> list[tuple[FoundMessage, FoundField]]:
    """Parameters of public J1939 groups, group by group."""
    known = [(m, f) for m in findings.messages for f in m.fields if f.evidence.get("public")]
    return sorted(known, key=lambda c: (c[0].bus, c[0].group.number if c[0].group else 0, c[0].identifier))


def where(layout: Layout) -> str:
    """Where a field stands, in bytes where it fills them: ``bytes 2-3 big``, ``byte 4 bits 2-0``."""
    positions = layout.positions
    first, last = min(positions) // 8, max(positions) // 8
    if first == last:
        bits = sorted(p % 8 for p in positions)
        if len(bits) == 8:
            return f"byte {first}"
        return f"byte {first} bit {bits[0]}" if len(bits) == 1 else f"byte {first} bits {bits[-1]}-{bits[0]}"
    order = "little" if layout.byte_order == "little_endian" else "big"
    whole = len(positions) % 8 == 0 and len(positions) == 8 * (last - first + 1)
    return f"bytes {first}-{last} {order}" if whole else f"{len(positions)} bits, bytes {first}-{last} {order}"


def formula(field: FoundField) -> str:
    """How the raw value becomes the channel's: ``raw x 0.25 - 40``."""
    table = field.evidence.get("choices")
    if isinstance(table, dict):
        return ", ".join(f"{raw}={word}" for raw, word in table.items())
    sign = "-" if field.offset < 0 else "+"
    scaled = "raw" if field.scale == 1 else f"raw x {field.scale:.7g}"
    return scaled if field.offset == 0 else f"{scaled} {sign} {abs(field.offset):.7g}"


def message_name(message: FoundMessage) -> str:
    """Identifier as the command line takes it."""
    return format_identifier(message.identifier, message.extended)


def integrity_in_order(findings: Findings) -> list[tuple[FoundMessage, FoundField, str]]:
    """Counters and checksums with words on what they are."""
    out = []
    for message in findings.messages:
        for field in message.fields:
            if field.kind in ("counter", "checksum"):
                out.append((message, field, found_method(field)))
    return out


def found_method(field: FoundField) -> str:
    """A counter's or checksum's parameters in a few words."""
    method = field.method or {}
    if field.kind == "counter":
        step = int(method.get("step", 1))
        pace = "" if step == 1 else f", step {step}"
        return f"counts {method.get('low', 0)} to {method.get('high', (1 << field.layout.length) - 1)}{pace}"
    kind = method.get("kind")
    if kind == "crc":
        name = method.get("name") or f"CRC-{method.get('width')} polynomial 0x{int(method.get('polynomial', 0)):X}"
        extra = " with constant bytes" if method.get("before") or method.get("after") else ""
        return f"{name}{extra}"
    if kind == "sum":
        unit = {8: "bytes", 4: "nibbles", 1: "bits"}.get(int(method.get("unit_bits", 8)), "units")
        turned = "complement of the " if int(method.get("factor", 1)) == -1 else ""
        constant = int(method.get("constant", 0))
        return f"{turned}sum of {unit}" + (f", {constant:+d}" if constant else "")
    if kind == "field_sum":
        return f"sum of {len(method.get('terms', ()))} fields" + (" folded" if method.get("fold") else "")
    if kind == "affine":
        return str(method.get("name") or "XOR of payload bits (no catalogue name)")
    return "method unknown"


LETTERS = "abcdefghijklnopqrstuvwxyz"


def bit_map(message: FoundMessage, mux: tuple[str, int] | None = None) -> list[str]:
    """A map of one message's bits in plain characters.

    A row a byte, bit 7 on the left. A letter a field, its most significant bit in upper case; ``+`` counters, ``#``
    checksums, ``m`` the multiplexer, ``.`` bits that never changed.

    Parameters
    ----------
    message : FoundMessage
        The message.
    mux : (str, int), optional
        Show the fields of this multiplexer value; those without one are always shown.

    Returns
    -------
    list of str
        Lines: a heading, then a row a byte with the fields that end in it named behind.
    """
    cells = dict.fromkeys(range(8 * message.length), ".")
    marks: dict[str, str] = {}
    letters = iter(LETTERS * 4)
    for field in message.fields:
        if field.kind == "constant" or (field.mux is not None and field.mux != mux):
            continue
        mark = {"counter": "+", "checksum": "#", "mux": "m"}.get(field.kind) or next(letters)
        marks[field.name] = mark
        for k, position in enumerate(field.layout.positions):
            top = k == len(field.layout.positions) - 1 and mark.isalpha() and mark != "m"
            if position in cells:
                cells[position] = mark.upper() if top else mark
    lines = ["byte   7 6 5 4  3 2 1 0"]
    for byte in range(message.length):
        row = [cells[8 * byte + bit] for bit in range(7, -1, -1)]
        begun = [f for f in message.fields if f.name in marks and f.layout.start // 8 == byte]
        named = "; ".join(f"{marks[f.name]} {_short(f)}" for f in begun)
        lines.append(f"{byte:4d}   {' '.join(row[:4])}  {' '.join(row[4:])}   {named}".rstrip())
    return lines


def _short(field: FoundField) -> str:
    if field.stimulus:
        return field.stimulus
    return {"counter": "counter", "checksum": "checksum", "mux": "multiplexer"}.get(field.kind, field.name)


def story(findings: Findings, identifier: int, extended: bool) -> Iterator[str]:
    """Everything found about one identifier, as lines of at most 100 columns.

    Raises
    ------
    InputError
        The identifier is not among the findings.
    """
    messages = [m for m in findings.messages if (m.identifier, m.extended) == (identifier, extended)]
    if not messages:
        raise InputError(
            f"{format_identifier(identifier, extended)} is not in the capture: `swapbridge survey` lists its "
            "identifiers (write an x after one of 29 bits)"
        )
    for message in messages:
        yield (
            f"{message_name(message)} on bus {message.bus}: {message.frames:,} frames of {message.length} bytes, "
            f"one every {message.period_ms:.1f} ms"
        )
        values: list[tuple[str, int] | None] = [*sorted({f.mux for f in message.fields if f.mux is not None})]
        for mux in values or [None]:
            yield ""
            if mux is not None:
                yield f"when {mux[0]} is {mux[1]}:"
            yield from bit_map(message, mux)
        for field in message.fields:
            if field.kind != "constant":
                yield ""
                yield from _about(field)


def _about(field: FoundField) -> Iterator[str]:
    condition = f" (only when {field.mux[0]} is {field.mux[1]})" if field.mux else ""
    signed = ", signed" if field.layout.signed else ""
    yield f"{field.name}: {field.kind}, {where(field.layout)}, start bit {field.layout.start}{signed}{condition}"
    if field.kind in ("counter", "checksum"):
        yield f"  {found_method(field)}"
    if field.stimulus:
        yield (
            f"  follows {field.stimulus}: {formula(field)} {field.unit}".rstrip()
            + f"   {sureness(field.confidence)}, {field.confidence:.1%}"
        )
        if field.copy_of:
            yield f"  the same quantity as {field.copy_of}"
        yield from _wrapped(str(field.evidence.get("words", "")))
        for key in ("samples", "lag_s", "r2_held_out", "chance", "shaped_residual", "noise_ratio", "scale_from"):
            if field.evidence.get(key) is not None:
                yield f"    {key.replace('_', ' '):17s}{field.evidence[key]}"
        runner = field.evidence.get("runner_up")
        if isinstance(runner, dict):
            yield f"    {'runner-up':17s}{runner['field']}, held-out r2 {runner['r2_held_out']}"
    else:
        yield f"  layout {sureness(field.confidence)}, {field.confidence:.1%}"
        if field.copy_of:
            yield f"  the same quantity as {field.copy_of}"
        yield from _wrapped(str(field.evidence.get("words", "")))
        yield from _wrapped(str(field.evidence.get("note", "")))
    for other in field.alternatives[:3]:
        words = ", ".join(f"{k} {v}" for k, v in other.items() if not isinstance(v, dict))
        yield from _wrapped(f"or: {words}")


def _wrapped(text: str, width: int = 94) -> Iterator[str]:
    line = ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > width:
            yield f"    {line}"
            line = word
        else:
            line = f"{line} {word}" if line else word
    if line:
        yield f"    {line}"


def totals(findings: Findings) -> str:
    """One line of what was found."""
    fields = [f for m in findings.messages for f in m.fields if f.kind != "constant"]
    kinds = [
        (sum(f.kind == kind for f in fields), one, many)
        for kind, one, many in (
            ("analogue", "analogue field", "analogue fields"),
            ("enum", "enumeration", "enumerations"),
            ("flag", "flag", "flags"),
            ("counter", "counter", "counters"),
            ("checksum", "checksum", "checksums"),
            ("mux", "multiplexer", "multiplexers"),
        )
    ]
    parts = [f"{count} {one if count == 1 else many}" for count, one, many in kinds if count]
    sure = sum(f.stimulus is not None and f.confidence >= 0.95 for f in fields)
    messages = len(findings.messages)
    counted = f"{messages} identifier{'s' if messages != 1 else ''}: {', '.join(parts) or 'nothing that moves'}"
    return f"{counted}; {sure} sure of meaning"
