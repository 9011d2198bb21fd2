"""Guessing room: counters and checksums alone, for those who judge form and not content (`survey`, `prove`)."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.identifier_words import BusIdentifier
from swapbridge.core.integrity import Counter, counter_from_dict
from swapbridge.core.layout import Layout
from swapbridge.core.progress import Progress
from swapbridge.guessing.coding.bit_columns import FEW_FRAMES, bit_columns_of, make_columns, whole_stretches
from swapbridge.guessing.findings_report import found_method, where
from swapbridge.guessing.integrity.integrity_fields import NOT_APART
from swapbridge.guessing.integrity.vehicle_formulas import vehicle_checks
from swapbridge.guessing.layout.study import exact_fields, exact_study, one_length
from swapbridge.guessing.layout.vehicle_studies import with_vehicle_formulas
from swapbridge.signalmap.findings import FoundField

FRAMES_USED = 16_000
"""Frames of one identifier that are looked at, in evenly spread stretches: a few minutes of its fastest sender."""
MOST_IDENTIFIERS = 500
"""Of a bus with more (a fuzzed one) the busiest are studied."""
WORTH_PROCESSES = 40
"""Identifiers below which starting processes costs more than they save: some 30 to 100 ms each."""


def find_integrity(
    payload: npt.NDArray[np.uint8],
    time_ns: npt.NDArray[np.int64],
    length: npt.NDArray[np.uint8],
    *,
    identifier: int = 0,
    extended: bool = False,
) -> list[FoundField]:
    """Counters and checksums of one identifier.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads in time order, zero beyond their length.
    time_ns : (N,) int64
        When each came.
    length : (N,) uint8
        Payload bytes of each.
    identifier, extended
        The identifier, which some checksums include.

    Returns
    -------
    list of FoundField
        Of kind counter or checksum, each with its `method` (`swapbridge.core.integrity`); empty where there are none.
    """
    if len(time_ns) < FEW_FRAMES:
        return []
    return exact_fields(exact_study(make_columns(identifier, extended, time_ns, length, payload)))


def integrity_fields(
    capture: Capture,
    *,
    only: Collection[BusIdentifier] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> dict[BusIdentifier, list[FoundField]]:
    """Counters and checksums of a whole capture.

    Parameters
    ----------
    only : collection of (bus, identifier, extended), optional
        Those to look at; by default all, or the busiest `MOST_IDENTIFIERS`.
    progress : callable, optional
        Told the share done and a few words.
    executor : Executor, optional
        Where identifiers are studied, one task each; here in this process by default.

    Returns
    -------
    dict
        An entry for every identifier that was studied, empty where it has none.
    """
    wanted = [
        (key, rows)
        for key, rows in capture.groups()
        if len(rows) >= FEW_FRAMES
        and (only is None or (capture.bus_names[key.bus], key.identifier, key.extended) in only)
    ]
    wanted = sorted(wanted, key=lambda pair: -len(pair[1]))[:MOST_IDENTIFIERS]
    columns = [whole_stretches(bit_columns_of(capture, key, rows), FRAMES_USED, stretches=16) for key, rows in wanted]
    studies = []
    given = vehicle_checks([one_length(c) for c in columns])
    results = map(exact_study, columns, given) if executor is None else executor.map(exact_study, columns, given)
    for done, (found, own) in enumerate(zip(results, columns, strict=True), 1):
        studies.append(replace(found, columns=one_length(own)))  # another process sends copies of them
        if progress is not None:
            progress(done / len(wanted), f"identifier {done} of {len(wanted)}")
    names = [(capture.bus_names[key.bus], key.identifier, key.extended) for key, _ in wanted]
    return dict(zip(names, map(exact_fields, with_vehicle_formulas(studies, exact_study)), strict=True))


def integrity_words(
    capture: Capture, *, only: Collection[BusIdentifier] | None = None, progress: Progress | None = None
) -> dict[BusIdentifier, tuple[str, ...]]:
    """The same in words, for `swapbridge.surveying.survey_result.Survey.with_integrity`."""
    return integrity_field_words(integrity_fields(capture, only=only, progress=progress))


def integrity_field_words(found: Mapping[BusIdentifier, Sequence[FoundField]]) -> dict[BusIdentifier, tuple[str, ...]]:
    """What `integrity_fields` found in words."""
    return {name: _words(fields) for name, fields in found.items()}


def counters_of(
    found: Mapping[BusIdentifier, Sequence[FoundField]],
) -> dict[BusIdentifier, list[tuple[Layout, Counter]]]:
    """Its counters, for `swapbridge.surveying.lost.frames_lost`; those that count every other frame are left out."""
    return {
        name: [
            (f.layout, counter_from_dict(f.method))
            for f in fields
            if f.kind == "counter" and f.method is not None and "every" not in f.evidence
        ]
        for name, fields in found.items()
    }


def _words(found: Sequence[FoundField]) -> tuple[str, ...]:
    counters = [f for f in found if f.kind == "counter"]
    words = [f"counter in {where(f.layout)} ({found_method(f).removeprefix('counts ')})" for f in counters]
    words += [f"checksum in {where(f.layout)} ({found_method(f)})" for f in found if f.kind == "checksum"]
    if any(f.evidence.get("note") == NOT_APART for f in found):
        words.append("which of the two is which cannot be told apart")
    return tuple(words)
