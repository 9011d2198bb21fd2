"""Guessing room, meaning side: which field follows which stimulus channel, with what scale and offset, and how surely.

fields ──match (per identifier)──▶ fits ──chance, rivals, snapped numbers──▶ probability ──▶ one claim a field
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core import obd
from swapbridge.core.progress import Progress
from swapbridge.guessing.layout.message_fields import MessageFields
from swapbridge.guessing.meaning.advice import advise, describe_channel
from swapbridge.guessing.meaning.align import PreparedChannel, prepare
from swapbridge.guessing.meaning.chance import POINTS, judge_luck
from swapbridge.guessing.meaning.claims import Claim, with_meaning
from swapbridge.guessing.meaning.confidence import features, probability, table_probability, unexplained
from swapbridge.guessing.meaning.fit import Fit
from swapbridge.guessing.meaning.low_bits import doubt_left, join_fields
from swapbridge.guessing.meaning.matching import Match, match_message, work_of
from swapbridge.guessing.meaning.obd_channels import obd_channels
from swapbridge.guessing.meaning.siblings import share_scales
from swapbridge.guessing.meaning.simple_numbers import Snapped, simplest_numbers
from swapbridge.guessing.meaning.switches import part_switches
from swapbridge.signalmap.findings import FoundMessage

WORTH_SNAPPING = 0.9
"""Below this r2 a scale means nothing and is left as it was fitted."""
WORTH_MENDING = 0.3
"""Followers as likely as this may win back low bits."""
WORTH_PARTING = 0.5
"""A switch is looked for inside fields where no field follows its channel as likely as this."""
FEWEST_SAMPLES = 12
GRID_S = 0.1
"""Channels of words and switches are held to the next; gaps are filled at this step."""


def attach_meaning(
    message_fields: Sequence[MessageFields],
    capture: Capture,
    stimulus: StimulusTrack | None,
    *,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> tuple[tuple[FoundMessage, ...], tuple[str, ...], dict[str, dict[str, Any]]]:
    """Say what each field follows.

    Parameters
    ----------
    message_fields : sequence of MessageFields
        Layouts of every identifier.
    capture : Capture
        The capture that the rows point into.
    stimulus : StimulusTrack or None
        What was done. Taken as on the capture's own clock where it overlaps the capture so, else as seconds since
        its first frame. A scan tool's answers in the capture are channels as well, without being asked.
    progress : callable, optional
        Share done and a few words.
    executor : concurrent.futures.Executor, optional
        Runs one task for each identifier.

    Returns
    -------
    messages : tuple of FoundMessage
        The fields, meaning attached.
    advice : tuple of str
        What this capture can't show, and what to record next.
    channels : dict
        A description of every channel: movement, chance, lag, how many fields follow it.
    """
    report = progress or (lambda share, words: None)
    channels, tool = obd_channels(capture)
    given = _on_clock(stimulus, capture) if stimulus is not None else {}
    targets = prepare_channels({**channels, **given})
    from_tool = frozenset(channels) - frozenset(given)
    # without a channel there is nothing to compare, and no need to hold every field's values
    works = [work_of(m, capture) if targets and m.key not in tool else None for m in message_fields]
    results = _run([(w, tuple(targets.values())) for w in works if w is not None], executor, report)
    matches: list[list[Match]] = [[] for _ in message_fields]
    luck = {name: np.zeros(POINTS) for name in targets}
    at = [k for k, w in enumerate(works) if w is not None]
    for k, (found, shifted) in zip(at, results, strict=True):
        matches[k] = found
        for name, best in shifted.items():
            luck[name] = np.maximum(luck[name], best)
    chances = {name: judge_luck(luck[name], t) for name, t in targets.items() if not t.is_text}
    claims = weigh(matches, targets)
    message_fields, again = give_back_low_bits(message_fields, capture, claims, targets)
    message_fields, parted = part(message_fields, capture, claims, targets)
    again = sorted({*again, *parted})
    for k in again:
        work = work_of(message_fields[k], capture)
        matches[k] = match_message(work, tuple(targets.values()))[0] if work is not None else []
    claims = weigh(matches, targets) if again else claims
    claims = share_scales(claims, targets)
    doubts = _doubts(message_fields, capture, claims, targets)
    messages = tuple(
        with_meaning(k, claims, targets, chances, message_fields, capture, doubts) for k in range(len(message_fields))
    )
    report(1.0, "")
    described = {
        name: describe_channel(t, chances.get(name), messages, name in from_tool) for name, t in targets.items()
    }
    return messages, advise(messages, targets, chances), described


def _on_clock(stimulus: StimulusTrack, capture: Capture) -> dict[str, Channel]:
    if not len(capture):
        return {}
    first, last = float(capture.time_ns.min()) / 1e9, float(capture.time_ns.max()) / 1e9
    if any(((c.time_s >= first) & (c.time_s <= last)).any() for c in stimulus.channels.values()):
        return dict(stimulus.channels)
    return dict(stimulus.on_clock_of(capture).channels)


def prepare_channels(channels: dict[str, Channel]) -> dict[str, PreparedChannel]:
    """Channels ready for comparing; those without movement or with hardly a sample are kept out."""
    out = {}
    for name, channel in channels.items():
        channel = _held(channel)
        if not channel.unit and not channel.texts and name in obd.BY_CHANNEL:
            channel = replace(channel, unit=obd.BY_CHANNEL[name].unit)
        if len(channel.time_s) >= FEWEST_SAMPLES:
            out[name] = prepare(channel)
    return {name: t for name, t in out.items() if len(np.unique(t.value)) > 1}


def _held(channel: Channel) -> Channel:
    """A channel of words or of on and off that says only its changes, filled up in between."""
    if not channel.texts and len(np.unique(channel.value)) > 2:
        return channel
    time, value = channel.time_s, channel.value
    if len(time) < 2 or np.diff(time).max() <= 5 * GRID_S:
        return channel
    grid = np.union1d(time, np.arange(time[0], time[-1] + 5.0, GRID_S))
    return replace(channel, time_s=grid, value=value[np.searchsorted(time, grid, side="right") - 1])


def _run(
    tasks: list[tuple[Any, tuple[PreparedChannel, ...]]], executor: Executor | None, report: Progress
) -> list[tuple[list[Match], dict[str, Any]]]:
    if executor is None:
        out = []
        for k, (work, targets) in enumerate(tasks):
            report(k / max(len(tasks), 1), "comparing fields with channels")
            out.append(match_message(work, targets))
        return out
    waiting = [executor.submit(match_message, work, targets) for work, targets in tasks]
    out = []
    for k, future in enumerate(waiting):
        out.append(future.result())
        report((k + 1) / len(waiting), "comparing fields with channels")
    return out


def give_back_low_bits(
    message_fields: Sequence[MessageFields],
    capture: Capture,
    claims: Sequence[Claim],
    targets: dict[str, PreparedChannel],
) -> tuple[Sequence[MessageFields], list[int]]:
    """Join likely followers with low bits that were cut off; also which messages changed."""
    meanings: dict[int, dict[int, tuple[Fit, PreparedChannel]]] = {}
    for claim in claims:
        if claim.probability >= WORTH_MENDING and claim.match.fit is not None and not claim.match.flipped:
            mine = meanings.setdefault(claim.message, {})
            mine.setdefault(claim.match.field, (claim.match.fit, targets[claim.match.channel]))
    out, again = list(message_fields), []
    for k, found in meanings.items():
        joined = join_fields(out[k], capture, found)
        if joined is not None:
            out[k] = joined
            again.append(k)
    return out, again


def part(
    message_fields: Sequence[MessageFields],
    capture: Capture,
    claims: Sequence[Claim],
    targets: dict[str, PreparedChannel],
) -> tuple[Sequence[MessageFields], list[int]]:
    """Cut switches that no field follows out of enumerations; also which messages changed."""
    followed = {claim.match.channel for claim in claims if claim.probability >= WORTH_PARTING}
    open_targets = [t for name, t in targets.items() if name not in followed]
    out, again = list(message_fields), []
    for k, message in enumerate(message_fields):
        parted = part_switches(message, capture, open_targets)
        if parted is not None:
            out[k] = parted
            again.append(k)
    return out, again


def _doubts(
    message_fields: Sequence[MessageFields],
    capture: Capture,
    claims: Sequence[Claim],
    targets: dict[str, PreparedChannel],
) -> dict[tuple[int, int], float]:
    """Factor on the doubt about the layout of every likely follower (`give_back_low_bits.doubt_left`)."""
    out: dict[tuple[int, int], float] = {}
    for claim in claims:
        where = (claim.message, claim.match.field)
        if claim.probability >= WORTH_MENDING and claim.match.fit is not None and where not in out:
            message = message_fields[claim.message]
            out[where] = doubt_left(message, capture, claim.match.field, claim.match.fit, targets[claim.match.channel])
    return out


def weigh(matches: Sequence[Sequence[Match]], targets: dict[str, PreparedChannel]) -> list[Claim]:
    """Probability of every match, rivals for the same channel looked at together.

    Returns
    -------
    list of Claim
        Likeliest first.
    """
    claims: list[Claim] = []
    for name, target in targets.items():
        here = [(k, m) for k, found in enumerate(matches) for m in found if m.channel == name]
        numeric = [(k, m, m.fit) for k, m in here if m.fit is not None]
        left = sorted(unexplained(f, target) for _, _, f in numeric)
        for k, match, fit in numeric:
            snapped = _snapped(fit, target)
            rival = left[0] if unexplained(fit, target) > left[0] else None
            values = features(fit, target, rival, snapped.saved_bits)
            claims.append(Claim(k, match, snapped, probability(values), tuple(values.tolist())))
        claims += [Claim(k, m, None, table_probability(m.table)) for k, m in here if m.table is not None]
    return sorted(claims, key=lambda c: -c.probability)


def _snapped(fit: Fit, target: PreparedChannel) -> Snapped:
    if fit.r2 < WORTH_SNAPPING:
        return Snapped(fit.scale, fit.offset, False, 0.0, "")
    return simplest_numbers(
        fit.scale,
        fit.offset,
        fit.scale_error,
        fit.middle,
        fit.middle_error,
        unit=target.unit,
        quantum=target.quantum,
    )
