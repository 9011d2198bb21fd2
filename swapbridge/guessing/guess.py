"""Guessing room: the driver: from captures and stimulus tracks to findings."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, FrameKey, payloads_at
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.core.identifier_words import BusIdentifier
from swapbridge.core.progress import Progress, part_of
from swapbridge.guessing.coding.bit_columns import BitColumns, bit_columns_of
from swapbridge.guessing.integrity.vehicle_formulas import vehicle_checks
from swapbridge.guessing.layout.constant import constant_bits
from swapbridge.guessing.layout.message_fields import MessageFields
from swapbridge.guessing.layout.orders import vehicle_order
from swapbridge.guessing.layout.study import fields_of_study, one_length, study
from swapbridge.guessing.layout.vehicle_studies import with_vehicle_formulas
from swapbridge.guessing.meaning.meaning import attach_meaning
from swapbridge.guessing.meaning.pooling import pool
from swapbridge.guessing.meaning.public_groups import with_public_groups
from swapbridge.signalmap.findings import ConstantBits, Findings, FoundMessage

Rows = npt.NDArray[np.intp]


def guess(
    captures: Capture | Sequence[Capture],
    stimuli: StimulusTrack | Sequence[StimulusTrack | None] | None = None,
    *,
    ids: Collection[tuple[int, bool]] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> Findings:
    """Find fields, counters, checksums and what each field measures.

    Parameters
    ----------
    captures : Capture or sequence of Capture
        One recording, or several of the same vehicle.
    stimuli : StimulusTrack, None or sequence
        What was done during each.
    ids : collection of (int, bool), optional
        Only these identifiers (and whether each has 29 bits).
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.
    executor : Executor, optional
        Runs one task per identifier; by default all run in this process.

    Returns
    -------
    Findings
        One message per identifier and bus.

    Raises
    ------
    InputError
        There is no capture, not one stimulus for each, or a channel has two units.

    Examples
    --------
    >>> from swapbridge.capture.read import read_capture
    >>> from swapbridge.capture.stimulus import read_stimulus
    >>> capture = read_capture("captures/host_old_engine.log.gz")
    >>> stimulus = read_stimulus("captures/host_old_engine.csv").on_clock_of(capture)
    >>> guess(capture, stimulus, ids=[(0x0C8, False)]).messages[0].fields[0].stimulus
    'engine_speed'
    """
    many = [captures] if isinstance(captures, Capture) else list(captures)
    tracks = [stimuli] * len(many) if stimuli is None or isinstance(stimuli, StimulusTrack) else list(stimuli)
    capture, track = pool(many, tracks)
    fields = find_layouts([capture], ids=ids, progress=part_of(progress, 0.0, 0.6), executor=executor)
    messages, advice, channels = attach_meaning(
        fields, capture, track, progress=part_of(progress, 0.6, 1.0), executor=executor
    )
    rows = {(f.bus_name, f.key.identifier, f.key.extended): f.rows for f in fields}
    whole = tuple(replace(m, constant=_constant(m, capture, rows)) for m in messages)
    return Findings(with_public_groups(whole, capture), tuple(advice), channels)


def _constant(message: FoundMessage, capture: Capture, rows: Mapping[BusIdentifier, Rows]) -> ConstantBits | None:
    mine = rows.get((message.bus, message.identifier, message.extended))
    if mine is None:
        return None
    selector = next((f.layout for f in message.fields if f.kind == "mux" and f.mux is None), None)
    return constant_bits(payloads_at(capture.payload, mine), capture.length[mine], selector)


def find_layouts(
    captures: Sequence[Capture],
    *,
    ids: Collection[tuple[int, bool]] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> list[MessageFields]:
    """Layouts of every identifier: the part of `guess` that needs no stimulus."""
    tasks: list[tuple[FrameKey, Rows, BitColumns]] = []
    capture = captures[0]
    for key, rows in capture.groups():
        if ids is None or (key.identifier, key.extended) in ids:
            tasks.append((key, rows, bit_columns_of(capture, key, rows)))
    all_columns = [t[2] for t in tasks]
    studies = []
    given = vehicle_checks([one_length(c) for c in all_columns])
    results = map(study, all_columns, given) if executor is None else executor.map(study, all_columns, given)
    for done, (result, columns) in enumerate(zip(results, all_columns, strict=True), 1):
        studies.append(replace(result, columns=one_length(columns)))  # another process sends copies of them
        if progress is not None:
            progress(done / len(tasks), f"identifier {done} of {len(tasks)}")
    studies = with_vehicle_formulas(studies)
    prices = vehicle_order([s.parts for s in studies])
    return [
        MessageFields(
            key,
            capture.bus_names[key.bus],
            rows,
            columns.payload.shape[1],
            columns.period_ns / 1e6,
            fields_of_study(result, prices),
        )
        for (key, rows, columns), result in zip(tasks, studies, strict=True)
    ]
