"""Signal map room: a map as rows of plain text, for tables on the screen, CSV and JSON."""

from __future__ import annotations

import csv
import io
import json
from fractions import Fraction

from swapbridge.core.identifier_words import format_identifier
from swapbridge.core.integrity import method_words
from swapbridge.core.layout import SplitLayout
from swapbridge.signalmap.dbc_write import exact_decimal, ranges_text
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

COLUMNS = (
    "message", "id", "bytes", "period_ms", "sender", "signal", "start", "length", "byte_order", "signed", "scale",
    "offset", "unit", "minimum", "maximum", "multiplexer", "choices", "role", "integrity", "confidence", "comment",
)  # fmt: skip


def map_rows(signal_map: SignalMap) -> list[dict[str, str]]:
    """One row a signal, every value as text, columns as `COLUMNS`."""
    return [_row(m, s) for m in signal_map.messages for s in m.signals]


def map_csv(signal_map: SignalMap) -> str:
    """The rows as CSV."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(map_rows(signal_map))
    return out.getvalue()


def map_json(signal_map: SignalMap) -> str:
    """The rows as a JSON list, with counter and checksum methods whole."""
    rows = []
    for m in signal_map.messages:
        for s in m.signals:
            row: dict[str, object] = dict(_row(m, s))
            row["evidence"] = dict(s.evidence)
            row["counter"] = s.counter.to_dict() if s.counter else None
            row["checksum"] = s.checksum.to_dict() if s.checksum else None
            rows.append(row)
    return json.dumps(rows, indent=1, ensure_ascii=False) + "\n"


def integrity_text(s: MapSignal) -> str:
    """A counter's or checksum's method in a few words."""
    if s.counter is not None:
        step = f" by {s.counter.step}" if s.counter.step != 1 else ""
        return f"counter {s.counter.low} to {s.counter.high}{step}"
    if s.checksum is not None:
        parts = ", in two parts" if isinstance(s.checksum.layout, SplitLayout) else ""
        listed = ", by a list of data IDs" if s.checksum.by_counter else ""
        return method_words(s.checksum.method) + listed + parts
    if s.constant is not None:
        return f"always {s.constant}"
    return "possibly authenticated" if s.authenticated else ""


def signal_words(s: MapSignal) -> str:
    """A signal in a line: name, bits, value, what it is."""
    order = "big" if s.layout.byte_order == "big_endian" else "little"
    bits = f"{s.layout.start}|{s.layout.length} {order} endian{', signed' if s.layout.signed else ''}"
    offset = f" {'-' if s.offset < 0 else '+'} {exact_decimal(abs(s.offset))}" if s.offset else ""
    scaled = s.scale != 1 or s.offset or s.unit
    parts = [
        bits,
        f"raw x {exact_decimal(s.scale)}{offset} {s.unit}".strip() if scaled else "",
        s.role,
        integrity_text(s),
        f"always {s.constant}" if s.constant is not None and (s.counter or s.checksum) else "",
        f"not available {ranges_text(s.not_available)}" if s.not_available else "",
        f"error {ranges_text(s.error_codes)}" if s.error_codes else "",
        f"100 % is {s.reference}" if s.reference else "",
        ", ".join(f"{raw} {name}" for raw, name in sorted(s.choices.items())),
    ]
    return f"{s.name}: {'; '.join(p for p in parts if p)}"


def _row(m: MapMessage, s: MapSignal) -> dict[str, str]:
    pages = "M" if s.is_multiplexer else ""
    if s.mux_signal is not None:
        pages = f"{s.mux_signal} = {', '.join(map(str, s.mux_values))}"
    has_meaning = bool(s.unit or s.choices or s.role or s.counter or s.checksum)
    confidence = s.evidence.get("confidence" if has_meaning else "layout_confidence")
    return {
        "message": m.name,
        "id": format_identifier(m.identifier, m.extended),
        "bytes": str(m.length),
        "period_ms": _number(m.period_ms),
        "sender": ", ".join(m.senders),
        "signal": s.name,
        "start": str(s.layout.start),
        "length": str(s.layout.length),
        "byte_order": s.layout.byte_order,
        "signed": "yes" if s.layout.signed else "no",
        "scale": _number(s.scale),
        "offset": _number(s.offset),
        "unit": s.unit,
        "minimum": _number(s.minimum),
        "maximum": _number(s.maximum),
        "multiplexer": pages,
        "choices": ", ".join(f"{raw} {name}" for raw, name in sorted(s.choices.items())),
        "role": s.role,
        "integrity": integrity_text(s),
        "confidence": f"{confidence:.3f}" if isinstance(confidence, int | float) else "",
        "comment": s.comment,
    }


def _number(value: Fraction | None) -> str:
    return "" if value is None else exact_decimal(value)
