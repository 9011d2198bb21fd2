"""Surveying room: `survey`: who speaks, how often and how regularly, which bits move, how full the bus is."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress
from swapbridge.surveying.bus_load import bus_survey, load_pieces
from swapbridge.surveying.frame_bits import slow_and_fast_bits
from swapbridge.surveying.groups_heard import faults_heard, groups_heard
from swapbridge.surveying.identifiers import Groups, batches, identifiers
from swapbridge.surveying.lost import frames_lost
from swapbridge.surveying.survey_result import BusSurvey, IdentifierSurvey, Survey
from swapbridge.surveying.threads import on_threads

MOST_IDENTIFIERS = 10_000
"""Beyond this many the busiest are listed: no vehicle has so many, a fuzzed bus or a wrong bit rate does."""


def survey(
    capture: Capture,
    *,
    bit_rate: int | Mapping[str, int] = 500_000,
    data_bit_rate: int = 2_000_000,
    progress: Progress | None = None,
) -> Survey:
    """Inventory of a capture.

    Parameters
    ----------
    capture : Capture
        One recording, of any number of buses.
    bit_rate : int or mapping of bus name to int
        Bit rate in bit/s, for the bus load. Most powertrain buses use 500,000 (common practice, no source).
    data_bit_rate : int
        Data bit rate in bit/s of CAN FD frames with bit rate switching.
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.

    Returns
    -------
    Survey
        Buses with their load per second, and identifiers with period in ms, jitter and the bits that change.

    Raises
    ------
    InputError
        The capture has no frames, or a bit rate is not positive.
    """
    if not len(capture):
        raise InputError(f"{capture.source or 'the capture'} holds no frames: name another capture")
    rates = [bit_rate if isinstance(bit_rate, int) else bit_rate.get(name, 500_000) for name in capture.bus_names]
    if min(*rates, data_bit_rate) <= 0:
        raise InputError("a bit rate is a positive number of bits a second, for example 500000")
    start_ns = int(capture.time_ns.min())
    if progress:
        progress(0.0, "frame lengths")
    words, edges, rows = capture.grouped()
    slow, fast = slow_and_fast_bits(capture)
    listed, remarks = _listed(words, edges)
    remarks = [*capture.notes.sentences(), *remarks]
    if progress:
        progress(0.3, "bus load")
    order = None if (capture.time_ns[1:] >= capture.time_ns[:-1]).all() else np.argsort(capture.time_ns, kind="stable")

    def bus_of(number: int) -> tuple[BusSurvey, npt.NDArray[np.int64]]:
        parts = load_pieces(capture, number, slow, fast, order, (rates[number], data_bit_rate))
        return bus_survey(capture.bus_names[number], parts, rates[number], start_ns, words, number)

    buses, wakes = zip(*on_threads(bus_of, range(len(rates)), len(capture)), strict=True)
    for bus in buses:
        if bus.peak_load > 1:
            remarks.append(
                f"bus {bus.name} would be {bus.peak_load:.0%} full at {bus.bit_rate:,} bit/s: state its true bit rate"
            )
    second = fast if fast.any() else None
    lost = None
    if any(bus.unclear for bus in buses):
        lost = frames_lost(capture)
        buses = tuple(bus.with_silences(lost.silences) for bus in buses)
    groups = Groups(capture, words, edges, rows, slow, second, data_bit_rate, order is None, start_ns, buses, wakes)
    found: list[IdentifierSurvey] = []
    for some in on_threads(lambda batch: identifiers(groups, batch), batches(groups, listed), len(capture)):
        found += some
        if progress:
            progress(0.3 + 0.7 * len(found) / len(listed), "identifiers")
    heard = groups_heard(capture)
    return Survey(
        capture.source,
        len(capture),
        capture.duration_s,
        start_ns,
        buses,
        tuple(found),
        tuple(remarks),
        lost,
        heard,
        faults_heard(capture, heard),
    )


def _listed(words: npt.NDArray[np.uint64], edges: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.intp], list[str]]:
    if len(words) <= MOST_IDENTIFIERS:
        return np.arange(len(words)), []
    frames = np.diff(edges)
    busiest = np.sort(np.argsort(-frames, kind="stable")[:MOST_IDENTIFIERS])
    return busiest, [
        f"{len(words):,} identifiers: no vehicle has that many (a fuzzed bus, or a wrong bit rate); the "
        f"{MOST_IDENTIFIERS:,} busiest are listed"
    ]
