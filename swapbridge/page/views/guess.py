"""Page room: the guess view: claims best first, each with its overlay, scatter and sentence; accept, rename, edit."""

from __future__ import annotations

import json
import math
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec import structs
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.capture.capture import Capture, FrameKey
from swapbridge.capture.naming import recording_stem
from swapbridge.capture.stimulus import Channel
from swapbridge.core.errors import InputError, SwapbridgeError
from swapbridge.core.identifier_words import format_identifier, identifier_word, parse_identifier
from swapbridge.core.layout import Layout
from swapbridge.core.progress import Progress
from swapbridge.guessing.findings_report import sureness
from swapbridge.guessing.guess import guess
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.page.accepting import check_map, taken_into
from swapbridge.page.answers import (
    AcceptAllAnswer,
    AcceptAnswer,
    ChannelLine,
    ClaimRow,
    ClaimsAnswer,
    FieldAnswer,
    FieldRow,
    MapState,
)
from swapbridge.page.pictures import envelope
from swapbridge.page.requests import Accept, AcceptAll, Edit, OfCapture
from swapbridge.page.site import Posted, Site, answer, stamp_of
from swapbridge.page.strips import MOST_STEPPED_BITS
from swapbridge.signalmap.accept import accept_findings
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import encode_map
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage, findings_from_json, plain_data
from swapbridge.signalmap.signal_map import SignalMap

MOST_DOTS = 800


def routes(site: Site) -> list[Route]:
    """Routes of the guess view."""

    def show(request: Request) -> Response:
        return site.page(request, "guess.html", maps=[path.name for path in site.folder_files.maps()])

    def claims(request: Request) -> Response:
        name = request.query_params.get("file", "")
        found = findings(site, name)
        reply: ClaimsAnswer = {
            "claims": _claims(found, read_maps(site)),
            "advice": found.advice if found is not None else (),
            "guessed": found is not None,
            "maps": map_states(site),
        }
        return answer(reply)

    def states(request: Request) -> Response:
        return answer({"maps": map_states(site)})

    def start(request: Request, asked: OfCapture) -> Response:
        name = asked.file
        path = findings_path(site, name)
        site.folder_files.capture_file(name)

        def work(progress: Progress) -> dict[str, Any]:
            capture = site.folder_files.capture(name)
            found = guess(capture, site.folder_files.stimulus(name), progress=progress)
            content = json.dumps(found.to_dict(), indent=1, allow_nan=False).encode("utf-8")
            site.keeper.derive(path, content, _read_findings)
            return {"messages": len(found.messages)}

        return answer({"job": site.jobs.start("Guessing", work).key})

    def field(request: Request) -> Response:
        return answer(_field_picture(site, dict(request.query_params)))

    def accept(request: Request, asked: Accept) -> Response:
        return answer(_accept(site, asked))

    def accept_all(request: Request, asked: AcceptAll) -> Response:
        return answer(_accept_all(site, asked))

    return [
        Route("/guess", show),
        Route("/api/claims", claims),
        Route("/api/maps", states),
        Posted("/api/accept-all", AcceptAll, accept_all),
        Posted("/api/guess", OfCapture, start),
        Route("/api/field", field),
        Posted("/api/accept", Accept, accept),
    ]


def findings_path(site: Site, capture: str) -> Path:
    """Where findings of `captures/NAME.log` are kept: `findings/NAME.json`, from here or from the command line."""
    return site.folder_files.path("findings", f"{recording_stem(capture)}.json")


def findings(site: Site, capture: str) -> Findings | None:
    """What was found in a capture, as `guess --json` wrote it; None where it was not guessed yet.

    Raises
    ------
    InputError
        The file is there but is no such thing.
    """
    path = findings_path(site, capture)
    if not path.is_file():
        return None
    found = site.remember(f"findings {capture}", stamp_of(path), lambda: _read_findings(path))
    assert isinstance(found, Findings)
    return found


def claimed_fields(site: Site, capture: str, identifier: int, extended: bool, bus: str) -> list[FieldRow]:
    """Found fields of one identifier, with their bit positions."""
    found = findings(site, capture)
    for message in found.messages if found is not None else ():
        if (message.identifier, message.extended, message.bus) == (identifier, extended, bus):
            return [_described(message, item) for item in message.fields]
    return []


def _read_findings(path: Path) -> Findings:
    try:
        return findings_from_json(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, InputError) as error:
        raise InputError(f"{path.name} can't be read as findings ({error}); guess this capture again") from None


def read_maps(site: Site) -> dict[str, SignalMap]:
    """The folder's maps that can be read, by file name; what is wrong with the others, the first view says."""
    out = {}
    for path in site.folder_files.maps():
        try:
            found = site.remember(f"map {path.name}", stamp_of(path), partial(load_map, path))
        except (SwapbridgeError, OSError, RecursionError):
            continue
        assert isinstance(found, SignalMap)
        out[path.name] = found
    return out


def map_states(site: Site) -> list[MapState]:
    """Every map's name, its version, and the step that undo would take back."""
    return [
        {"name": path.name, "version": site.keeper.version(path), "undo": site.keeper.last_step(path)}
        for path in site.folder_files.maps()
    ]


def _described(message: FoundMessage, item: FoundField) -> FieldRow:
    page = "" if item.mux is None else f" (when {item.mux[0]} = {item.mux[1]})"
    evidence: dict[str, Any] = plain_data(item.evidence)
    return {
        "name": item.name,
        "start": item.layout.start,
        "length": item.layout.length,
        "byte_order": item.layout.byte_order,
        "signed": item.layout.signed,
        "kind": item.kind,
        "scale": item.scale,
        "offset": item.offset,
        "unit": item.unit,
        "stimulus": item.stimulus,
        "lag_s": item.lag_s,
        "confidence": item.confidence,
        "layout_confidence": item.layout_confidence,
        "copy_of": item.copy_of,
        "mux": None if item.mux is None else {"signal": item.mux[0], "value": item.mux[1]},
        "id": format_identifier(message.identifier, message.extended),
        "bus": message.bus,
        "label": item.name + page,
        "sure": sureness(item.confidence),
        "positions": list(item.layout.positions),
        "words": str(evidence.get("words", "")),
        "evidence": evidence,
        "alternatives": plain_data(item.alternatives),
    }


def _claims(found: Findings | None, maps: dict[str, SignalMap]) -> list[ClaimRow]:
    out: list[ClaimRow] = [
        {**_described(m, f), "in_maps": _in_maps(m, f, maps)}
        for m in (found.messages if found is not None else ())
        for f in m.fields
        if f.kind != "constant"
    ]
    out.sort(key=lambda c: (c["stimulus"] is None, -c["confidence"], c["id"], c["start"]))
    return out


def _in_maps(message: FoundMessage, item: FoundField, maps: dict[str, SignalMap]) -> list[str]:
    """Maps that have a signal at these bits already, and what it is called there."""
    word = identifier_word(message.identifier, message.extended)
    bits = item.layout.positions
    out = []
    for name, signal_map in maps.items():
        known = signal_map.by_word(word)
        out += [f"{s.name} in {name}" for s in (known.signals if known else ()) if s.layout.positions == bits]
    return out


def _field_picture(site: Site, asked: dict[str, str]) -> FieldAnswer:
    name = asked.get("file", "")
    capture, frames = site.folder_files.capture(name), site.frames(name)
    identifier, extended = parse_identifier(asked.get("id", ""))
    layout, scale, offset = _layout(asked)
    bus = capture.bus_names.index(asked["bus"]) if asked.get("bus") in capture.bus_names else -1
    part = frames.of(FrameKey(bus, identifier, extended))
    rows, time_s = frames.rows[part], frames.time_s[part]
    if not len(rows):
        raise InputError(f"{asked.get('id')} is not in this capture")
    if "mux_bits" in asked:
        chosen = _selected(capture, rows, asked["mux_bits"])
        rows, time_s = rows[chosen], time_s[chosen]
    if not layout.fits(capture.payload.shape[1]):
        raise InputError(
            f"start bit {layout.start} with {layout.length} bits lies outside the payload: choose bits inside it"
        )
    start_ns = int(capture.time_ns.min())
    value: npt.NDArray[np.float64] = raw_values(capture.payload[rows], layout).astype(np.float64) * scale + offset
    times, values = envelope(time_s, value)
    out: FieldAnswer = {
        "times": times,
        "values": values,
        "step": layout.length <= MOST_STEPPED_BITS or asked.get("kind") in ("flag", "enum", "mux"),
        "frames": len(rows),
        "stimulus": None,
        "note": "",
    }
    try:
        track = site.folder_files.stimulus(asked.get("file", ""))
        channel = track.on_clock_of(capture).channels.get(asked.get("channel", "")) if track else None
    except InputError as error:
        channel, out["note"] = None, f"The stimulus file is not shown: {error}."
    if channel is not None and not channel.texts:
        out["stimulus"] = _beside(channel, start_ns, time_s, value, finite(asked.get("lag") or "0", "the lag"))
    return out


def _beside(
    channel: Channel, start_ns: int, time_s: npt.NDArray[np.float64], value: npt.NDArray[np.float64], lag_s: float
) -> ChannelLine:
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
        return layout, finite(asked.get("scale", "1"), "the scale"), finite(asked.get("offset", "0"), "the offset")
    except (KeyError, ValueError):
        raise InputError("start bit and length are whole numbers, scale and offset are numbers") from None


def finite(text: str, what: str) -> float:
    """A number that a person typed.

    Raises
    ------
    InputError
        It is none, or infinite.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{what} {text[:40]!r} is not a number; write one such as 0.25")
    return value


def _selected(capture: Capture, rows: npt.NDArray[np.intp], text: str) -> npt.NDArray[np.bool_]:
    """Frames whose multiplexer (start,length,order) holds a value: ``start:length:byte_order:value``."""
    try:
        start, length, order, value = text.split(":")
        layout = Layout(int(start), int(length), order)  # type: ignore[arg-type]
        chosen: npt.NDArray[np.bool_] = raw_values(capture.payload[rows], layout) == int(value)
    except ValueError:
        raise InputError("the multiplexer's place can't be read; load the page again") from None
    return chosen


def _accept(site: Site, asked: Accept) -> AcceptAnswer:
    name, identifier, field = asked.file, asked.id, asked.field
    found = findings(site, name)
    wanted = parse_identifier(identifier)
    edits = asked.edit
    message = next(
        (
            m
            for m in (found.messages if found is not None else ())
            if (m.identifier, m.extended) == wanted and m.bus == asked.bus
        ),
        None,
    )
    if found is None or message is None or not any(f.name == field for f in message.fields):
        raise InputError(f"{identifier} has no field named {field!r} among the findings; guess this capture again")
    target = site.folder_files.map_path(asked.map)
    new_name = asked.name or field
    before = load_map(target) if target.is_file() else None
    taken, kept = taken_into(before, found, message, field, new_name, _edited(edits))
    try:
        content = encode_map(taken)
    except UnicodeEncodeError:
        raise InputError("a name or unit holds half a character (a lone surrogate); type it again") from None
    version = site.keeper.write(
        target,
        content,
        what=f"accept {new_name} into {target.name}",
        seen=asked.version,
        check=partial(check_map, taken),
    )
    return {"accepted": kept, "map": target.name, "version": version, "by_hand": bool(edits)}


def _accept_all(site: Site, asked: AcceptAll) -> AcceptAllAnswer:
    """What `swapbridge map accept --min-confidence` does, as one step."""
    least = asked.confidence
    target = site.folder_files.map_path(asked.map)
    before = load_map(target) if target.is_file() else None
    bus = asked.bus or None
    found = findings(site, asked.file)
    if found is None:
        raise InputError("this capture has not been guessed yet; guess it first")
    taken = accept_findings(found, before, min_confidence=least, bus=bus)
    version = site.keeper.write(
        target,
        encode_map(taken.signal_map),
        what=f"accept all from {100 * least:g} % on into {target.name}",
        seen=asked.version,
        check=partial(check_map, taken.signal_map),
    )
    return {
        "map": target.name,
        "version": version,
        "named": taken.named,
        "bare": taken.bare,
        "confirmed": taken.confirmed,
        "constants": taken.constants,
        "left_out": taken.left_out,
        "conflicts": taken.conflicts,
    }


def _edited(edits: Edit | None) -> dict[str, Any]:
    """What a person typed, as numbers where bits are counted and as text where a decimal is meant exactly."""
    if edits is None:
        return {}
    text = {key: str(value) for key, value in structs.asdict(edits).items()}
    layout, _, _ = _layout({**text, "signed": "true" if edits.signed else "false"})
    return {
        "start": layout.start,
        "length": layout.length,
        "byte_order": layout.byte_order,
        "signed": layout.signed,
        "scale": text["scale"],
        "offset": text["offset"],
        "unit": edits.unit,
    }
