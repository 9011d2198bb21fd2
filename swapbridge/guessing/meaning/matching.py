"""Guessing room, meaning side: one identifier against all channels: the unit of work that an executor is given."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, payloads_at
from swapbridge.core.layout import Layout
from swapbridge.guessing.layout.message_fields import MessageFields, raw_values
from swapbridge.guessing.meaning.align import FieldSeries, Floats, PreparedChannel, coarse_match
from swapbridge.guessing.meaning.chance import shifted_best
from swapbridge.guessing.meaning.fit import Fit, fit
from swapbridge.guessing.meaning.word_channels import TableFit, fit_words
from swapbridge.signalmap.findings import FoundField

CANDIDATES = ("analogue", "flag", "enum", "mux")
"""Kinds that may follow a channel: a counter or a checksum follows nothing."""
WORTH_FITTING = 0.4
"""Squared correlation from which a fit is worth making; the best field of a message is fitted from half of that."""
FEWEST_FRAMES = 12
MOST_SWITCH_VALUES = 4
"""A field with more values than this is no switch, whatever it moves with."""


@dataclass(frozen=True, slots=True)
class Work:
    """Series of one identifier: groups of fields that stand in the same frames.

    `members` says for every series which fields of the message its rows are, and `flips` which rows are the same field
    read with the other sign.
    """

    series: tuple[FieldSeries, ...]
    members: tuple[tuple[int, ...], ...]
    flips: tuple[tuple[bool, ...], ...]
    held: tuple[tuple[bool, ...], ...]


@dataclass(frozen=True, slots=True)
class Match:
    """One field fitted to one channel; `flipped` when the field's sign had to be read the other way."""

    field: int
    channel: str
    coarse_r2: float
    fit: Fit | None
    table: TableFit | None = None
    flipped: bool = False


def work_of(fields: MessageFields, capture: Capture) -> Work | None:
    """Cut an identifier's fields out of the capture; None where nothing in it can follow a channel."""
    rows = fields.rows
    if len(rows) < FEWEST_FRAMES:
        return None
    time = capture.time_ns[rows].astype(np.float64) / 1e9
    payload = payloads_at(capture.payload, rows)
    by_name = {f.name: f for f in fields.fields}
    length = capture.length[rows]
    groups: dict[tuple[tuple[str, int] | None, int], list[int]] = {}
    for k, field in enumerate(fields.fields):
        if field.kind in CANDIDATES and field.method is None:
            reach = 1 + (max(field.layout.positions) >> 3)
            groups.setdefault((field.mux, reach if reach > length.min() else 0), []).append(k)
    series, members, flips, held = [], [], [], []
    for (mux, reach), indices in groups.items():
        frames = _frames_of(mux, by_name, payload) & (length >= reach)
        if frames.sum() < FEWEST_FRAMES:
            continue
        part, moments = payloads_at(payload, frames), time[frames]
        order = np.argsort(moments, kind="stable") if (np.diff(moments) < 0).any() else slice(None)
        part, moments = part[order], moments[order]
        raw, good, who, turned, hold = [], [], [], [], []
        for k in indices:
            field = fields.fields[k]
            for values, fine, flipped in _readings(part, field):
                raw.append(values)
                good.append(fine)
                who.append(k)
                turned.append(flipped)
                hold.append(field.kind != "analogue")
        if raw:
            period = float(np.median(np.diff(moments)))
            all_good = np.array(good)
            series.append(FieldSeries(moments, np.array(raw), period, None if all_good.all() else all_good))
            members.append(tuple(who))
            flips.append(tuple(turned))
            held.append(tuple(hold))
    return Work(tuple(series), tuple(members), tuple(flips), tuple(held)) if series else None


def _frames_of(
    mux: tuple[str, int] | None, by_name: dict[str, FoundField], payload: npt.NDArray[np.uint8]
) -> npt.NDArray[np.bool_]:
    if mux is None or mux[0] not in by_name:
        return np.ones(len(payload), bool)
    return np.asarray(raw_values(payload, by_name[mux[0]].layout) == mux[1])


def _readings(payload: npt.NDArray[np.uint8], field: FoundField) -> list[tuple[Floats, npt.NDArray[np.bool_], bool]]:
    """The field as it is, and with the other sign where its top bit moves: values, which are good, whether flipped."""
    raw = raw_values(payload, field.layout)
    if (raw == raw[0]).all():
        return []
    out = [(*_without_reserved(raw.astype(np.float64), field.layout), False)]
    if field.kind == "analogue" and 3 <= field.layout.length < 64:
        other = replace(field.layout, signed=not field.layout.signed)
        turned = raw_values(payload, other)
        if (turned != raw).any() and (turned == raw).any():
            out.append((*_without_reserved(turned.astype(np.float64), other), True))
    return out


def _without_reserved(raw: Floats, layout: Layout) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Replace 'not available' and 'error' codes (all ones and its neighbours) by the value before them.

    Only where they stand far from everything else: a field that runs to its top keeps its top.
    """
    everything = np.ones(len(raw), bool)
    if layout.signed or layout.length < 4:
        return raw, everything
    top = float((1 << layout.length) - 1)
    reserved = raw >= top - (top // 128 if layout.length >= 8 else 1)
    if not reserved.any() or reserved.mean() > 0.5:
        return raw, everything
    rest = raw[~reserved]
    if top - rest.max() < 0.15 * top or top - rest.max() < 0.5 * np.ptp(rest):
        return raw, everything
    good = np.flatnonzero(~reserved)
    last = good[np.clip(np.searchsorted(good, np.arange(len(raw)), side="right") - 1, 0, None)]
    return np.asarray(raw[last]), ~reserved


def match_message(work: Work, targets: tuple[PreparedChannel, ...]) -> tuple[list[Match], dict[str, Floats]]:
    """Fit every field of one identifier to every channel that it might follow.

    Returns
    -------
    matches : list of Match
        Fits worth looking at.
    luck : dict of str to (POINTS,) float64
        Best squared correlation at every shift, a channel (`chance.shifted_best`).
    """
    matches: list[Match] = []
    luck: dict[str, Floats] = {}
    for series, members, flips, held in zip(work.series, work.members, work.flips, work.held, strict=True):
        for target in targets:
            if target.is_text:
                matches += _tables(series, members, flips, target)
                continue
            shifted = shifted_best(series, target)
            luck[target.name] = np.maximum(luck[target.name], shifted) if target.name in luck else shifted
            matches += _fits(series, members, flips, held, target)
    return _better_sign(matches), luck


def _fits(
    series: FieldSeries,
    members: tuple[int, ...],
    flips: tuple[bool, ...],
    held: tuple[bool, ...],
    target: PreparedChannel,
) -> list[Match]:
    out = []
    r2, lag = coarse_match(series, target, hold=target.is_switch)
    worth = min(WORTH_FITTING, max(float(r2.max()), WORTH_FITTING / 2))
    for row in np.flatnonzero(r2 >= worth):
        if target.is_switch and (flips[row] or len(np.unique(series.raw[row])) > MOST_SWITCH_VALUES):
            continue
        hold = target.is_switch or held[row]
        found = fit(series, int(row), target, float(lag[row]), hold=hold)
        if found is not None:
            out.append(Match(members[row], target.name, float(r2[row]), found, None, flips[row]))
    return out


def _tables(
    series: FieldSeries, members: tuple[int, ...], flips: tuple[bool, ...], target: PreparedChannel
) -> list[Match]:
    out = []
    for row, (member, flipped) in enumerate(zip(members, flips, strict=True)):
        if flipped:
            continue
        table = fit_words(series, row, target)
        if table is not None and table.gain > 0.3:
            out.append(Match(member, target.name, table.gain, None, table))
    return out


def _better_sign(matches: list[Match]) -> list[Match]:
    """Of two readings of one field the one that fits better."""
    best: dict[tuple[int, str], Match] = {}
    for match in matches:
        key = (match.field, match.channel)
        if key not in best or _quality(match) > _quality(best[key]):
            best[key] = match
    return list(best.values())


def _quality(match: Match) -> float:
    return match.fit.r2 if match.fit is not None else match.table.gain if match.table is not None else 0.0
