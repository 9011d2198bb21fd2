"""Page room: the capture view: load and stimulus over time, identifiers, the bit picture of one of them; uploads."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.capture.naming import RECORDING_SUFFIXES, is_recording
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import identifier_word, parse_identifier
from swapbridge.guessing.integrity_only import integrity_words
from swapbridge.page.answers import CaptureAnswer, ChecksAnswer, IdentifierAnswer, ReadingAnswer
from swapbridge.page.folder_files import MOST_CAPTURE_BYTES
from swapbridge.page.site import Site, answer, stamp_of
from swapbridge.page.unpacking import check_unpacked
from swapbridge.page.views.guess import claimed_fields, read_maps
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.survey_result import IdentifierSurvey, Survey
from swapbridge.swapfolder.paths import CAPTURES

MOST_IDENTIFIERS = 500
_PLAIN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._+()-]{0,120}")


def routes(site: Site) -> list[Route]:
    """Routes of the capture view."""

    def show(request: Request) -> Response:
        return site.page(request, "capture.html")

    def overview(request: Request) -> Response:
        return answer(_overview(site, request.query_params.get("file", "")))

    def reading(request: Request) -> Response:
        reply: ReadingAnswer = {"share": site.folder_files.share_read(request.query_params.get("file", ""))}
        return answer(reply)

    def identifier(request: Request) -> Response:
        asked = request.query_params
        return answer(_identifier(site, asked.get("file", ""), asked.get("id", ""), asked.get("bus", "")))

    def checks(request: Request) -> Response:
        asked = request.query_params
        return answer(_checks(site, asked.get("file", ""), asked.get("id", ""), asked.get("bus", "")))

    async def upload(request: Request) -> Response:
        return answer(await _upload(site, request))

    return [
        Route("/capture", show),
        Route("/api/capture", overview),
        Route("/api/reading", reading),
        Route("/api/identifier", identifier),
        Route("/api/checks", checks),
        Route("/api/upload", upload, methods=["POST"]),
    ]


def surveyed(site: Site, name: str) -> Survey:
    """The survey of a capture in the folder, made once."""
    found = site.remember(
        f"survey {name}",
        stamp_of(site.folder_files.capture_file(name).path),
        lambda: survey(site.folder_files.capture(name)),
    )
    assert isinstance(found, Survey)
    return found


def period_ms(seen: IdentifierSurvey) -> float | None:
    """Median period where the identifier is sent in step."""
    regular = seen.sending in ("cyclic", "mixed") and not math.isnan(seen.period_ms)
    return round(seen.period_ms, 3) if regular else None


def _overview(site: Site, name: str) -> CaptureAnswer:
    found = surveyed(site, name)
    named = {m.word: f"{m.name} in {name}" for name, known in read_maps(site).items() for m in known.messages}
    buses = "1 bus" if len(found.buses) == 1 else f"{len(found.buses)} buses"
    notes = [f"{found.frames:,} frames in {found.duration_s:,.1f} s on {buses}.", *found.remarks]
    shown = found.identifiers[:MOST_IDENTIFIERS]
    if len(found.identifiers) > len(shown):
        notes.append(f"{len(found.identifiers):,} identifiers; the first {len(shown)} are listed.")
    return {
        "notes": notes,
        "identifiers": [
            {
                "text": s.name,
                "bus": s.bus,
                "count": s.frames,
                "period_ms": period_ms(s),
                "live_bits": s.live_bits,
                "named": named.get(identifier_word(s.identifier, s.extended), ""),
            }
            for s in shown
        ],
    }


def _identifier(site: Site, name: str, text: str, bus: str) -> IdentifierAnswer:
    seen = _seen(site, name, text, bus)
    regular = period_ms(seen)
    every = f"every {regular:g} ms, worst gap {seen.worst_gap_ms:.1f} ms" if regular else f"sent as {seen.sending}"
    return {
        "words": f"{seen.length} bytes, {every}",
        "fields": claimed_fields(site, name, *seen.key[1:], bus),
    }


def _checks(site: Site, name: str, text: str, bus: str) -> ChecksAnswer:
    """Counters and checksums of one identifier, by the thorough search: asked for by itself, since it may take longer
    than a picture may."""
    key = _seen(site, name, text, bus).key
    words = site.remember(
        f"checks {name} {key}",
        stamp_of(site.folder_files.capture_file(name).path),
        lambda: integrity_words(site.folder_files.capture(name), only={key}).get(key, ()),
    )
    return {"checks": list(words)}


def _seen(site: Site, name: str, text: str, bus: str) -> IdentifierSurvey:
    key = (bus, *parse_identifier(text))
    seen = next((s for s in surveyed(site, name).identifiers if s.key == key), None)
    if seen is None:
        raise InputError(f"{text} is not in this capture; load the page again")
    return seen


async def _upload(site: Site, request: Request) -> dict[str, Any]:
    """Take one file into `captures/`, a map into `signal_maps/`; it is there whole and readable, or not at all."""
    name = request.query_params.get("name", "")
    is_map = name.lower().endswith(".dbc")
    if not _PLAIN_NAME.fullmatch(name) or not (is_map or name.lower().endswith(RECORDING_SUFFIXES)):
        raise InputError(
            f"a capture ends in one of {', '.join(RECORDING_SUFFIXES)}, a stimulus file in .csv, a signal map in .dbc, "
            "and its name has letters, digits, dots and dashes"
        )
    target = site.folder_files.map_path(name) if is_map else site.folder_files.path(CAPTURES, name)
    if target.exists():
        raise InputError(f"{target.parent.name}/ has a {name} already; rename one of them")
    with site.keeper.place_for(name) as place:
        await _received(request, place)
        is_capture = is_recording(place)
        await run_in_threadpool(_readable, place, name, is_capture)
        target.parent.mkdir(exist_ok=True)
        try:
            target.hardlink_to(place)  # never over a file that came meanwhile
        except FileExistsError:
            raise InputError(f"{target.parent.name}/ has a {name} already; rename one of them") from None
        except OSError:
            place.rename(target)  # a disk that knows no links
    return {"name": name, "capture": is_capture}


async def _received(request: Request, place: Path) -> None:
    size = 0
    with place.open("wb") as file:
        async for piece in request.stream():
            size += len(piece)
            if size > MOST_CAPTURE_BYTES:
                raise InputError("this file is larger than 512 MB; copy it into captures/ by hand")
            file.write(piece)


def _readable(place: Path, name: str, is_capture: bool) -> None:
    """Refuse what can't be read, or would not fit into memory once unpacked."""
    if not place.stat().st_size:
        raise InputError(f"{name} is empty; record it again")
    check_unpacked(place, name)
    if name.lower().endswith(".dbc"):
        load_map(place)
    elif not is_capture:
        read_stimulus(place)
