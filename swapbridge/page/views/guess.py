"""Page room: the guess view: claims best first, each with its overlay, scatter and sentence; accept, rename, edit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.capture.capture import Capture
from swapbridge.capture.naming import recording_stem
from swapbridge.capture.stimulus import Channel
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.core.frames import format_identifier, parse_identifier
from swapbridge.core.layout import Layout
from swapbridge.core.progress import Progress
from swapbridge.guessing.guess import guess
from swapbridge.guessing.layout.fields import raw_values
from swapbridge.guessing.report import sureness
from swapbridge.page.bench import Bench, answer, posted, stamp_of, text_of
from swapbridge.page.pictures import envelope, payload_rows
from swapbridge.signalmap.accept import accept_findings
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import encode_map

MOST_DOTS = 800


def routes(bench: Bench) -> list[Route]:
    """Routes of the guess view."""

    def show(request: Request) -> Response:
        return bench.page(request, "guess.html", maps=[path.name for path in bench.shelf.maps()])

    def claims(request: Request) -> Response:
        name = request.query_params.get("file", "")
        found = findings(bench, name)
        return answer({"claims": _claims(found), "advice": found.get("advice", []), "guessed": bool(found)})

    def start(request: Request, asked: dict[str, Any]) -> Response:
        name = text_of(asked, "file")
        path = findings_path(bench, name)
        bench.shelf.capture_file(name)

        def work(progress: Progress) -> dict[str, Any]:
            capture = bench.shelf.capture(name)
            found = guess(capture, bench.shelf.stimulus(name), progress=progress)
            path.parent.mkdir(exist_ok=True)
            with written_whole(path) as place:
                place.write_text(json.dumps(found.to_dict(), indent=1, allow_nan=False), encoding="utf-8")
            return {"messages": len(found.messages)}

        return answer({"job": bench.jobs.start("Guessing", work).key})

    def field(request: Request) -> Response:
        return answer(_field_picture(bench, dict(request.query_params)))

    def accept(request: Request, asked: dict[str, Any]) -> Response:
        return answer(_accept(bench, asked))

    return [
        Route("/guess", show),
        Route("/api/claims", claims),
        Route("/api/guess", posted(start), methods=["POST"]),
        Route("/api/field", field),
        Route("/api/accept", posted(accept), methods=["POST"]),
    ]


def findings_path(bench: Bench, capture: str) -> Path:
    """Where findings of `captures/NAME.log` are kept: `findings/NAME.json`, from here or from the command line."""
    return bench.shelf.path("findings", f"{recording_stem(capture)}.json")


def findings(bench: Bench, capture: str) -> dict[str, Any]:
    """What was found in a capture, as `guess --json` wrote it; empty where it was not guessed yet.

    Raises
    ------
    InputError
        The file is there but is no such thing.
    """
    path = findings_path(bench, capture)
    if not path.is_file():
        return {}
    found = bench.remember(f"findings {capture}", stamp_of(path), lambda: _read_findings(path))
    assert isinstance(found, dict)
    return found


def fields_of(bench: Bench, capture: str, identifier: int, extended: bool, bus: str) -> list[dict[str, Any]]:
    """Found fields of one identifier, with their bit positions."""
    for message in findings(bench, capture).get("messages", []):
        if (message["id"], message["extended"], message["bus"]) == (identifier, extended, bus):
            return [_described(message, item) for item in message["signals"]]
    return []


def _read_findings(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"), parse_constant=lambda _: None)
        if found["version"] != 1 or not isinstance(found["messages"], list):
            raise ValueError("it is not version 1")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"{path.name} can't be read as findings ({error}); guess this capture again") from None
    assert isinstance(found, dict)
    return found


def _described(message: dict[str, Any], item: dict[str, Any]) -> dict[str, Any]:
    layout = Layout(item["start"], item["length"], item["byte_order"], item["signed"])
    label = (
        item["name"]
        if item["mux"] is None
        else f"{item['name']} (when {item['mux']['signal']} = {item['mux']['value']})"
    )
    return {
        **{k: item[k] for k in ("name", "start", "length", "byte_order", "signed", "kind", "scale", "offset", "unit")},
        **{k: item[k] for k in ("stimulus", "lag_s", "confidence", "layout_confidence", "copy_of", "mux")},
        "id": format_identifier(message["id"], message["extended"]),
        "bus": message["bus"],
        "label": label,
        "sure": sureness(item["confidence"]),
        "positions": list(layout.positions),
        "words": str(item.get("evidence", {}).get("words", "")),
        "evidence": item.get("evidence", {}),
        "alternatives": item.get("alternatives", []),
    }


def _claims(found: dict[str, Any]) -> list[dict[str, Any]]:
    out = [_described(m, s) for m in found.get("messages", []) for s in m["signals"] if s["kind"] != "constant"]
    out.sort(key=lambda c: (c["stimulus"] is None, -c["confidence"], c["id"], c["start"]))
    return out


def _field_picture(bench: Bench, asked: dict[str, str]) -> dict[str, Any]:
    capture = bench.shelf.capture(asked.get("file", ""))
    identifier, extended = parse_identifier(asked.get("id", ""))
    layout, scale, offset = _layout(asked)
    rows = payload_rows(capture, identifier, extended, asked.get("bus"))
    if not len(rows):
        raise InputError(f"{asked.get('id')} is not in this capture")
    if "mux_bits" in asked:
        rows = rows[_selected(capture, rows, asked["mux_bits"])]
    if not layout.fits(capture.payload.shape[1]):
        raise InputError(f"start bit {layout.start} with {layout.length} bits leaves the payload: mend start or length")
    start_ns = int(capture.time_ns.min())
    time_s = (capture.time_ns[rows] - start_ns) / 1e9
    value: npt.NDArray[np.float64] = raw_values(capture.payload[rows], layout).astype(np.float64) * scale + offset
    times, values = envelope(time_s, value)
    out: dict[str, Any] = {"times": times, "values": values, "frames": len(rows), "stimulus": None}
    track = bench.shelf.stimulus(asked.get("file", ""))
    channel = track.on_clock_of(capture).channels.get(asked.get("channel", "")) if track else None
    if channel is not None and not channel.texts:
        out["stimulus"] = _beside(channel, start_ns, time_s, value, float(asked.get("lag") or 0.0))
    return out


def _beside(
    channel: Channel, start_ns: int, time_s: npt.NDArray[np.float64], value: npt.NDArray[np.float64], lag_s: float
) -> dict[str, Any]:
    """The channel shifted by its lag, and dots of field against channel."""
    when = channel.time_s - start_ns / 1e9 - lag_s
    times, values = envelope(when, channel.value)
    inside = (when >= time_s[0]) & (when <= time_s[-1])
    at = np.clip(np.searchsorted(time_s, when[inside], side="right") - 1, 0, len(time_s) - 1)
    pick = np.linspace(0, len(at) - 1, min(len(at), MOST_DOTS)).astype(int) if len(at) else np.zeros(0, int)
    dots_x, dots_y = channel.value[inside][pick], value[at][pick]
    error = np.median(np.abs(dots_x - dots_y)) if len(pick) else 0.0
    return {
        "name": channel.name,
        "unit": channel.unit,
        "times": times,
        "values": values,
        "dots": [np.round(dots_x, 6).tolist(), np.round(dots_y, 6).tolist()],
        "median_error": float(error),
    }


def _layout(asked: dict[str, str]) -> tuple[Layout, float, float]:
    try:
        order = asked.get("byte_order", "")
        layout = Layout(int(asked["start"]), int(asked["length"]), order, asked.get("signed") == "true")  # type: ignore[arg-type]
        return layout, float(asked.get("scale", "1")), float(asked.get("offset", "0"))
    except (KeyError, ValueError):
        raise InputError("start bit and length are whole numbers, scale and offset are numbers") from None


def _selected(capture: Capture, rows: npt.NDArray[np.intp], text: str) -> npt.NDArray[np.bool_]:
    """Frames whose multiplexer (start,length,order) holds a value: ``start:length:byte_order:value``."""
    try:
        start, length, order, value = text.split(":")
        layout = Layout(int(start), int(length), order)  # type: ignore[arg-type]
        chosen: npt.NDArray[np.bool_] = raw_values(capture.payload[rows], layout) == int(value)
    except ValueError:
        raise InputError("the multiplexer's place can't be read; load the page again") from None
    return chosen


def _accept(bench: Bench, asked: dict[str, Any]) -> dict[str, Any]:
    name, identifier, field = text_of(asked, "file"), text_of(asked, "id", 12), text_of(asked, "field")
    found = findings(bench, name)
    wanted = parse_identifier(identifier)
    edits = asked.get("edit") or {}
    message = next(
        (m for m in found.get("messages", []) if (m["id"], m["extended"]) == wanted and m["bus"] == asked.get("bus")),
        None,
    )
    if message is None or not any(s["name"] == field for s in message["signals"]):
        raise InputError(f"{identifier} has no field named {field!r} among the findings; guess this capture again")
    target = bench.shelf.map_path(text_of(asked, "map", 120))
    signal = {**next(s for s in message["signals"] if s["name"] == field), **_edited(edits)}
    muxer = [s for s in message["signals"] if signal["mux"] and s["name"] == signal["mux"]["signal"]]
    chosen = {**found, "messages": [{**message, "signals": [*muxer, signal]}]}
    before = load_map(target) if target.is_file() else None
    new_name = text_of(asked, "name", 120) or field
    taken = accept_findings(chosen, before, min_confidence=0.0, names={f"{identifier}.{field}": new_name})
    if taken.conflicts:
        raise InputError("; ".join(taken.conflicts))
    bench.write(f"accept {new_name} into {target.name}", {target: encode_map(taken.signal_map)})
    return {"accepted": new_name, "map": target.name}


def _edited(edits: dict[str, Any]) -> dict[str, Any]:
    if not edits:
        return {}
    text = {key: str(value) for key, value in edits.items()}
    layout, scale, offset = _layout({**text, "signed": "true" if edits.get("signed") else "false"})
    return {
        "start": layout.start,
        "length": layout.length,
        "byte_order": layout.byte_order,
        "signed": layout.signed,
        "scale": scale,
        "offset": offset,
        "unit": text.get("unit", "")[:40],
    }
