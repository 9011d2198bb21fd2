"""Guessing room, meaning side: a scan tool's answers in a capture, read as stimulus channels without being asked."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import EXTENDED, Capture, FrameKey
from swapbridge.capture.stimulus import Channel
from swapbridge.core import obd

FEWEST_ANSWERS = 20
MOST_FRAMES = 400_000
"""Answers are read frame by frame; a capture with more is thinned to its first so many."""


def obd_channels(capture: Capture) -> tuple[dict[str, Channel], frozenset[FrameKey]]:
    """Channels of all service 01 answers, and the identifiers they came under.

    Messages longer than a frame are put together by ISO 15765-2. Where several modules answer the same PID the one
    that answers most often is taken.

    Returns
    -------
    channels : dict of str to Channel
        By the channel names of `swapbridge.core.obd`; times in seconds of the capture's clock; a PID with fewer than
        20 answers is left out.
    keys : frozenset of FrameKey
        Identifiers that carried service 01 answers: not vehicle traffic.
    """
    found: dict[str, tuple[list[float], list[float], str]] = {}
    keys = set()
    answers = capture.select(_answers(capture))  # few or none, so that the rest need not be put in groups
    for key, rows in answers.groups():
        readings = _readings(answers, rows[:MOST_FRAMES])
        if readings:
            keys.add(key)
        for name, (times, values, unit) in readings.items():
            if name not in found or len(times) > len(found[name][0]):
                found[name] = (times, values, unit)
    channels = {
        name: Channel(name, np.array(times), np.array(values), unit)
        for name, (times, values, unit) in found.items()
        if len(times) >= FEWEST_ANSWERS
    }
    return channels, frozenset(keys)


def _answers(capture: Capture) -> npt.NDArray[np.intp]:
    """Rows whose identifier a scan tool's answers come under."""
    found = []
    for extended, (first, last) in obd.ANSWERS.items():
        rows = np.flatnonzero((capture.identifier >= first) & (capture.identifier <= last))
        found.append(rows[((capture.flags[rows] & EXTENDED) != 0) == extended])
    return np.sort(np.concatenate(found))


def _readings(capture: Capture, rows: npt.NDArray[np.intp]) -> dict[str, tuple[list[float], list[float], str]]:
    reassembly = obd.Reassembly()
    out: dict[str, tuple[list[float], list[float], str]] = {}
    times = (capture.time_ns[rows] / 1e9).tolist()
    lengths = capture.length[rows].tolist()
    payloads = capture.payload[rows].tobytes()
    width = capture.payload.shape[1]
    for k, (time, length) in enumerate(zip(times, lengths, strict=True)):
        message = reassembly.on_frame(payloads[k * width : k * width + length])
        if message is None:
            continue
        for pid, value in obd.decode_answer(message):
            series = out.setdefault(pid.channel, ([], [], pid.unit))
            series[0].append(time)
            series[1].append(float(value))
    return out
