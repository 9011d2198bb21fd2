"""Guessing room: several captures of one vehicle as one, laid end to end: evidence adds up, a field must fit in all.

Everything downstream (layouts, lag, fit, held-out stretches, chance) then works on the one long recording; the seams
are gaps like any other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.errors import InputError

GAP_NS = 5_000_000_000
"""Silence between two captures: longer than any lag, shorter than what would look like another day."""


def pool(captures: Sequence[Capture], stimuli: Sequence[StimulusTrack | None]) -> tuple[Capture, StimulusTrack | None]:
    """Lay captures end to end, their stimulus tracks with them.

    Parameters
    ----------
    captures : sequence of Capture
        Recordings of one vehicle; the first keeps its clock.
    stimuli : sequence of StimulusTrack or None
        One a capture, in order, on any clock that `StimulusTrack.on_clock_of` understands.

    Raises
    ------
    InputError
        No capture, not one stimulus a capture, or a channel with two units.
    """
    if not captures or len(captures) != len(stimuli):
        raise InputError(
            f"{len(captures)} captures and {len(stimuli)} stimulus tracks: give one for every capture, in order"
        )
    if len(captures) == 1:
        return captures[0], stimuli[0]
    names = tuple(dict.fromkeys(name for c in captures for name in c.bus_names))
    width = max(c.payload.shape[1] for c in captures)
    shifts = _shifts(captures)
    joined = Capture(
        np.concatenate([c.time_ns + shift for c, shift in zip(captures, shifts, strict=True)]),
        np.concatenate([c.identifier for c in captures]),
        np.concatenate([c.flags for c in captures]),
        np.concatenate([np.array([names.index(n) for n in c.bus_names], np.uint8)[c.bus] for c in captures]),
        np.concatenate([c.length for c in captures]),
        np.concatenate([np.pad(c.payload, ((0, 0), (0, width - c.payload.shape[1]))) for c in captures]),
        names,
        " and ".join(c.source for c in captures),
        captures[0].notes,
    )
    return joined, _joined_track(captures, stimuli, shifts)


def _shifts(captures: Sequence[Capture]) -> list[int]:
    shifts, end = [], None
    for capture in captures:
        first = int(capture.time_ns.min()) if len(capture) else 0
        last = int(capture.time_ns.max()) if len(capture) else 0
        shift = 0 if end is None else end + GAP_NS - first
        shifts.append(shift)
        end = last + shift
    return shifts


def _joined_track(
    captures: Sequence[Capture], stimuli: Sequence[StimulusTrack | None], shifts: Sequence[int]
) -> StimulusTrack | None:
    parts: dict[str, list[Channel]] = {}
    for capture, stimulus, shift in zip(captures, stimuli, shifts, strict=True):
        if stimulus is None:
            continue
        for name, channel in stimulus.on_clock_of(capture).channels.items():
            parts.setdefault(name, []).append(replace(channel, time_s=channel.time_s + shift / 1e9))
    if not parts:
        return None
    return StimulusTrack({name: _joined(name, channels) for name, channels in parts.items()})


def _joined(name: str, channels: list[Channel]) -> Channel:
    units = {c.unit for c in channels if c.unit}
    if len(units) > 1:
        raise InputError(f"channel {name} is in {' and '.join(sorted(units))}: give it one unit in all stimulus files")
    texts = tuple(dict.fromkeys(word for c in channels for word in c.texts))
    if texts and not all(c.texts for c in channels):
        raise InputError(f"channel {name} has words in one stimulus file and numbers in another: write both alike")
    values = [np.array([texts.index(c.texts[int(v)]) for v in c.value], float) if texts else c.value for c in channels]
    return Channel(
        name,
        np.concatenate([c.time_s for c in channels]),
        np.concatenate(values),
        next(iter(units), ""),
        texts,
    )
