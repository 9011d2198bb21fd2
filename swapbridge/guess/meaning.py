"""Guess room, meaning side: which field follows which stimulus channel, with what scale and offset, and how surely.

fields ──match (per identifier)──▶ fits ──luck, rivals, snapped numbers──▶ probability ──▶ one claim a field
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from swapbridge.capture import Capture, Channel, StimulusTrack
from swapbridge.core import obd
from swapbridge.core.frames import format_identifier
from swapbridge.guess.advice import advise, describe_channel
from swapbridge.guess.align import Target, prepare
from swapbridge.guess.chance import POINTS, Chance, judge_luck
from swapbridge.guess.confidence import features, probability, table_probability, unexplained
from swapbridge.guess.fields import MessageFields
from swapbridge.guess.findings import FoundField, FoundMessage
from swapbridge.guess.fit import Fit
from swapbridge.guess.matching import Match, match_message, work_of
from swapbridge.guess.obd_channels import obd_channels
from swapbridge.guess.snap import Snapped, snap

Progress = Callable[[float, str], None]

LEAST_CLAIM = 0.05
"""A field that follows a channel with less probability than this claims none; the channel is named in its evidence."""
WORTH_SNAPPING = 0.9
"""Below this r2 a scale means nothing and is left as it was fitted."""
FEWEST_SAMPLES = 12
GRID_S = 0.1
"""Channels of words and switches are held to the next; gaps are filled at this step."""


@dataclass(frozen=True, slots=True)
class Claim:
    """One field and one channel, weighed."""

    message: int
    match: Match
    snapped: Snapped | None
    probability: float
    features: tuple[float, ...] = ()


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
        Takes one task an identifier.

    Returns
    -------
    messages : tuple of FoundMessage
        The fields, meaning attached.
    advice : tuple of str
        What this capture can't tell, and what to record next.
    channels : dict
        A description of every channel: movement, chance, lag, how many fields follow it.
    """
    tell = progress or (lambda share, words: None)
    channels, tool = obd_channels(capture)
    told = _on_clock(stimulus, capture) if stimulus is not None else {}
    targets = prepare_targets({**channels, **told})
    from_tool = frozenset(channels) - frozenset(told)
    works = [None if m.key in tool else work_of(m, capture) for m in message_fields]
    results = _run([(w, tuple(targets.values())) for w in works if w is not None], executor, tell)
    matches: list[list[Match]] = [[] for _ in message_fields]
    luck = {name: np.zeros(POINTS) for name in targets}
    at = [k for k, w in enumerate(works) if w is not None]
    for k, (found, shifted) in zip(at, results, strict=True):
        matches[k] = found
        for name, best in shifted.items():
            luck[name] = np.maximum(luck[name], best)
    chances = {name: judge_luck(luck[name], t) for name, t in targets.items() if not t.is_text}
    claims = weigh(matches, targets)
    messages = tuple(
        _with_meaning(m, [c for c in claims if c.message == k], claims, targets, chances, message_fields)
        for k, m in enumerate(message_fields)
    )
    tell(1.0, "")
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


def prepare_targets(channels: dict[str, Channel]) -> dict[str, Target]:
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
    tasks: list[tuple[Any, tuple[Target, ...]]], executor: Executor | None, tell: Progress
) -> list[tuple[list[Match], dict[str, Any]]]:
    if executor is None:
        out = []
        for k, (work, targets) in enumerate(tasks):
            tell(k / max(len(tasks), 1), "comparing fields with channels")
            out.append(match_message(work, targets))
        return out
    waiting = [executor.submit(match_message, work, targets) for work, targets in tasks]
    out = []
    for k, future in enumerate(waiting):
        out.append(future.result())
        tell((k + 1) / len(waiting), "comparing fields with channels")
    return out


def weigh(matches: Sequence[Sequence[Match]], targets: dict[str, Target]) -> list[Claim]:
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


def _snapped(fit: Fit, target: Target) -> Snapped:
    if fit.r2 < WORTH_SNAPPING:
        return Snapped(fit.scale, fit.offset, False, 0.0, "")
    return snap(
        fit.scale,
        fit.offset,
        fit.scale_error,
        fit.middle,
        fit.middle_error,
        unit=target.unit,
        quantum=target.quantum,
    )


def _with_meaning(
    fields: MessageFields,
    claims: Sequence[Claim],
    all_claims: Sequence[Claim],
    targets: dict[str, Target],
    chances: dict[str, Chance],
    message_fields: Sequence[MessageFields],
) -> FoundMessage:
    out = []
    for index, field in enumerate(fields.fields):
        mine = [c for c in claims if c.match.field == index]
        if mine and mine[0].probability >= LEAST_CLAIM:
            out.append(_claimed(field, mine, all_claims, targets, chances, message_fields))
        else:
            out.append(field)
    return FoundMessage(
        fields.key.identifier,
        fields.key.extended,
        fields.bus_name,
        fields.length,
        fields.period_ms,
        len(fields.rows),
        tuple(out),
    )


def _claimed(
    field: FoundField,
    mine: Sequence[Claim],
    all_claims: Sequence[Claim],
    targets: dict[str, Target],
    chances: dict[str, Chance],
    message_fields: Sequence[MessageFields],
) -> FoundField:
    claim = mine[0]
    match, target = claim.match, targets[claim.match.channel]
    layout = field.layout if not match.flipped else replace(field.layout, signed=not field.layout.signed)
    others = [c for c in all_claims if c.match.channel == target.name and c is not claim]
    evidence = {
        **field.evidence,
        **_evidence(claim, target, chances.get(target.name)),
        "runner_up": _runner_up(others, message_fields),
    }
    others_mine = tuple(
        {"stimulus": c.match.channel, "confidence": round(c.probability * field.layout_confidence, 4)}
        for c in mine[1:4]
    )
    copy_of = field.copy_of
    better = [c for c in others if c.probability >= 0.9 and all_claims.index(c) < all_claims.index(claim)]
    if copy_of is None and claim.probability >= 0.9 and better:
        copy_of = _name(better[0], message_fields)
    snapped = claim.snapped
    evidence["words"] = _words(claim, target, evidence)
    return replace(
        field,
        layout=layout,
        stimulus=target.name,
        scale=snapped.scale if snapped else 1.0,
        offset=snapped.offset if snapped else 0.0,
        unit=target.unit,
        lag_s=round(match.fit.lag_s if match.fit else match.table.lag_s if match.table else 0.0, 4),
        confidence=claim.probability * field.layout_confidence,
        copy_of=copy_of,
        alternatives=(*field.alternatives, *others_mine),
        evidence=evidence,
    )


def _name(claim: Claim, message_fields: Sequence[MessageFields]) -> str:
    message = message_fields[claim.message]
    name = message.fields[claim.match.field].name
    return f"{format_identifier(message.key.identifier, message.key.extended)}.{name}"


def _runner_up(others: Sequence[Claim], message_fields: Sequence[MessageFields]) -> dict[str, Any] | None:
    if not others:
        return None
    best = others[0]
    r2 = best.match.fit.r2_held if best.match.fit else best.match.table.held if best.match.table else 0.0
    return {
        "field": _name(best, message_fields),
        "r2_held_out": round(r2, 5),
        "follows_with": round(best.probability, 4),
    }


def _evidence(claim: Claim, target: Target, chance: Chance | None) -> dict[str, Any]:
    fit, table, snapped = claim.match.fit, claim.match.table, claim.snapped
    if table is not None:
        return {
            "samples": table.samples,
            "lag_s": round(table.lag_s, 3),
            "right_share": round(table.right, 4),
            "gain_held_out": round(table.held, 4),
            "changes": table.changes,
            "table": {str(raw): word for raw, word in table.table},
            "follows_with": round(claim.probability, 4),
        }
    assert fit is not None
    assert snapped is not None
    luck = chance.p_value(claim.match.coarse_r2) if chance is not None else None
    return {
        "samples": fit.samples,
        "lag_s": round(fit.lag_s, 3),
        "r2": round(fit.r2, 6),
        "r2_held_out": round(fit.r2_held, 6),
        "shaped_residual": round(float(np.sqrt(fit.shape)), 5),
        "noise_ratio": round(fit.rough, 3),
        "chance": None if luck is None else float(f"{luck:.3g}"),
        "best_by_chance_r2": None if chance is None or not chance.testable else round(chance.high, 4),
        "fitted_scale": fit.scale,
        "fitted_offset": fit.offset,
        "scale_error": fit.scale_error,
        "scale_from": snapped.words or "the bare fit",
        "follows_with": round(claim.probability, 4),
    }


def _words(claim: Claim, target: Target, evidence: dict[str, Any]) -> str:
    fit, table = claim.match.fit, claim.match.table
    if table is not None:
        return (
            f"its values tell the word of {target.name} in {table.right:.1%} of {table.samples} samples, "
            f"{table.lag_s:.2f} s later, over {table.changes} changes"
        )
    assert fit is not None
    luck = evidence["chance"]
    by_luck = (
        "luck can't be tested in this recording"
        if luck is None
        else f"the luckiest of all fields would fit so well in {luck:.2g} of shifted recordings"
    )
    left = "nothing but noise is left" if fit.shape < 1e-4 else f"{np.sqrt(fit.shape):.1%} of its movement is not told"
    return (
        f"explains {max(fit.r2_held, 0):.2%} of {target.name} on held-out stretches, {fit.lag_s:.2f} s before the "
        f"tool; {left}; {by_luck}"
    )
