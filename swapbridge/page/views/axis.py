"""Page room: what the capture view's time axis asks for: lanes, strips of a stretch of time, the frame at a moment."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.capture.capture import Capture, FrameKey
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, identifier_word, parse_identifier
from swapbridge.core.layout import Layout
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.page.answers import (
    AxisAnswer,
    BitPicture,
    Blocks,
    BusLoad,
    FrameAnswer,
    Gap,
    Lane,
    LanesAnswer,
    StripLine,
    StripsAnswer,
)
from swapbridge.page.pictures import envelope
from swapbridge.page.site import Site, answer
from swapbridge.page.strips import (
    MOST_STEPPED_BITS,
    STRIP_POINTS,
    field_strips,
    frame_at,
    identifier_bits,
    lanes,
    period_strip,
    strip,
    text_blocks,
    window,
)
from swapbridge.page.views.capture import surveyed
from swapbridge.page.views.guess import claimed_fields, finite, read_maps

MOST_FIELDS = 16
MOST_SECONDS = 1e9
MOST_CHANNELS = 30
MOST_BLOCKS = 400


def routes(site: Site) -> list[Route]:
    """Routes of the time axis."""

    def axis(request: Request) -> Response:
        return answer(_axis(site, asked_of(site, request)))

    def all_lanes(request: Request) -> Response:
        asked = asked_of(site, request)
        frames = asked.frames
        text = lanes(frames, asked.span_s)
        keys = [format_identifier(key.identifier, key.extended) for key in frames.keys]
        names = [asked.capture.bus_names[key.bus] for key in frames.keys]
        rows: list[Lane] = [{"text": k, "bus": b, "cells": c} for k, b, c in zip(keys, names, text, strict=True)]
        reply: LanesAnswer = {"span": asked.span_s, "lanes": rows}
        return answer(reply)

    def some_strips(request: Request) -> Response:
        return answer(_strips(site, asked_of(site, request)))

    def frame(request: Request) -> Response:
        asked = asked_of(site, request)
        at_s = finite(request.query_params.get("at", ""), "the moment")
        reply: FrameAnswer = {"frame": frame_at(asked.capture, asked.frames, asked.key, at_s)}
        return answer(reply)

    return [
        Route("/api/axis", axis),
        Route("/api/lanes", all_lanes),
        Route("/api/strips", some_strips),
        Route("/api/frame", frame),
    ]


class Asked:
    """A question about a capture: which, which stretch of it, which identifier.

    Parameters
    ----------
    site : Site
    values : mapping of str to str
        What the address asks: ``from`` and ``to`` in seconds, ``id`` and ``bus``, each only where it is wanted.
    name : str
        The capture's file name.
    """

    def __init__(self, site: Site, values: Mapping[str, str], name: str) -> None:
        self.name = name
        self.capture: Capture = site.folder_files.capture(self.name)
        self.frames = site.frames(self.name)
        whole = self.capture.duration_s
        first = max(-MOST_SECONDS, finite(values.get("from", "0"), "the beginning"))
        last = min(MOST_SECONDS, finite(values.get("to", f"{whole!r}"), "the end"))
        if not first < last:
            first, last = 0.0, max(whole, 1e-6)
        self.span_s = (first, last)
        self.id, self.bus = values.get("id", ""), values.get("bus", "")

    @property
    def found(self) -> FrameKey | None:
        """The identifier asked about; None where this capture does not have it."""
        identifier, extended = parse_identifier(self.id)
        if self.bus not in self.capture.bus_names:
            return None
        key = FrameKey(self.capture.bus_names.index(self.bus), identifier, extended)
        return key if key in self.frames.keys else None

    @property
    def key(self) -> FrameKey:
        """The identifier asked about.

        Raises
        ------
        InputError
            It is none, or not in this capture.
        """
        found = self.found
        if found is None:
            raise InputError(f"{self.id} is not in this capture; load the page again")
        return found

    def bits(self, key: FrameKey) -> BitPicture:
        """The bits of an identifier over the stretch."""
        return identifier_bits(self.capture, self.frames, key, self.span_s)


def asked_of(site: Site, request: Request) -> Asked:
    """What a request asks about the capture that it names."""
    return Asked(site, request.query_params, request.query_params.get("file", ""))


def _axis(site: Site, asked: Asked) -> AxisAnswer:
    found = surveyed(site, asked.name)
    gaps: list[Gap] = [
        {"begin": round(a, 3), "end": round(b, 3), "words": words, "bus": bus.name}
        for bus in found.buses
        for words, spans in (
            ("the recording missed frames", bus.dropouts),
            ("the bus slept", bus.asleep),
            ("nothing came, and the frames do not tell why", bus.unclear),
        )
        for a, b in spans
    ]
    loads: list[BusLoad] = [
        {"bus": bus.name, "times": bus.load_second.astype(float).tolist(), "values": (bus.load * 100).round(2).tolist()}
        for bus in found.buses
    ]
    channels, blocks, trouble = _channels(site, asked, found.start_ns)
    span = [0.0, found.duration_s]
    return {
        "start": found.start_ns / 1e9,
        "span": span,
        "gaps": gaps,
        "loads": loads,
        "channels": channels,
        "blocks": blocks,
        "trouble": trouble,
    }


def _channels(site: Site, asked: Asked, start_ns: int) -> tuple[list[StripLine], list[Blocks], str]:
    """Stimulus channels over the whole recording; words as blocks."""
    try:
        track = site.folder_files.stimulus(asked.name)
        channels = list(track.on_clock_of(asked.capture).channels.values()) if track is not None else []
    except InputError as error:
        return [], [], f"The stimulus file is not shown: {error}."
    numbers: list[StripLine] = []
    blocks: list[Blocks] = []
    for channel in channels[:MOST_CHANNELS]:
        time_s = channel.time_s - start_ns / 1e9
        if channel.texts:
            some = text_blocks(time_s, channel.value, channel.texts, asked.capture.duration_s)
            blocks.append({"name": channel.name[:80], "blocks": some[:MOST_BLOCKS]})
        else:
            step = not set(channel.value.tolist()) - {0.0, 1.0}
            states = {"0": "off", "1": "on"} if step else {}
            numbers.append(strip(channel.name[:80], channel.unit, time_s, channel.value, step=step, states=states))
    more = len(channels) - MOST_CHANNELS
    trouble = f"{more} more channels of the stimulus file are not shown." if more > 0 else ""
    return numbers, blocks, trouble


def _strips(site: Site, asked: Asked) -> StripsAnswer:
    """One identifier over a stretch of time: its fields, its period, its bits."""
    key, frames, capture = asked.key, asked.frames, asked.capture
    word = identifier_word(key.identifier, key.extended)
    fields: list[StripLine] = []
    source = ""
    for name, signal_map in read_maps(site).items():
        message = signal_map.by_word(word)
        if message is not None and message.signals:
            fields, source = field_strips(capture, frames, key, message, asked.span_s), f"{message.name} in {name}"
            break
    if not fields:
        fields = _found(site, asked, key)
        source = "as guessed" if fields else ""
    return {
        "span": asked.span_s,
        "source": source,
        "fields": fields[:MOST_FIELDS],
        "left_out": max(0, len(fields) - MOST_FIELDS),
        "period": period_strip(frames, key, asked.span_s),
        "picture": asked.bits(key),
    }


def _found(site: Site, asked: Asked, key: FrameKey) -> list[StripLine]:
    """Fields as the search found them, where no map has the message."""
    part = asked.frames.of(key)
    near = window(asked.frames.time_s[part], asked.span_s)
    time_s, payload = asked.frames.time_s[part][near], asked.capture.payload[asked.frames.rows[part][near]]
    out: list[StripLine] = []
    for item in claimed_fields(site, asked.name, key.identifier, key.extended, asked.bus):
        layout = Layout(item["start"], item["length"], item["byte_order"], item["signed"])
        if item["kind"] in ("counter", "checksum", "constant") or item["mux"] or not layout.fits(payload.shape[1]):
            continue
        values = raw_values(payload, layout).astype(np.float64) * item["scale"] + item["offset"]
        times, shown = envelope(time_s, values, STRIP_POINTS)
        step = item["kind"] in ("flag", "enum", "mux") or layout.length <= MOST_STEPPED_BITS
        name = item["stimulus"] or item["label"]
        line: StripLine = {
            "name": name,
            "unit": item["unit"],
            "step": step,
            "states": {},
            "times": times,
            "values": shown,
        }
        out.append(line)
    return out
