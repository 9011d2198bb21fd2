"""Guessing room, meaning side: a claim (this field follows that channel) and its evidence, written into the field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from swapbridge.capture.capture import Capture, payloads_at
from swapbridge.core.identifier_words import format_identifier
from swapbridge.guessing.layout.message_fields import MessageFields, raw_values
from swapbridge.guessing.meaning.align import PreparedChannel
from swapbridge.guessing.meaning.chance import Chance
from swapbridge.guessing.meaning.matching import Match
from swapbridge.guessing.meaning.simple_numbers import Snapped, simplest_numbers
from swapbridge.guessing.meaning.top_bits import add_top_bits
from swapbridge.signalmap.findings import FoundField, FoundMessage

LEAST_CLAIM = 0.05
"""A field that follows a channel with less probability than this claims none."""
SURE_COPY = 0.9
"""Fields that follow one channel this likely are copies of one quantity."""
WORTH_WIDENING = 0.5
"""Fields with a meaning at least this likely get the still bits above them."""


@dataclass(frozen=True, slots=True)
class Claim:
    """One field and one channel, weighed."""

    message: int
    match: Match
    snapped: Snapped | None
    probability: float
    features: tuple[float, ...] = ()


def with_meaning(
    index: int,
    all_claims: Sequence[Claim],
    targets: dict[str, PreparedChannel],
    chances: dict[str, Chance],
    message_fields: Sequence[MessageFields],
    capture: Capture,
    doubts: dict[tuple[int, int], float],
) -> FoundMessage:
    """One message's fields with the channel that each follows.

    Parameters
    ----------
    index : int
        Which of `message_fields`.
    all_claims : sequence of Claim
        Of all messages, likeliest first.
    doubts : dict
        Factor on the doubt about a layout, by message and field (`low_bits.doubt_left`).
    """
    fields = message_fields[index]
    claims = [c for c in all_claims if c.message == index]
    out: list[FoundField] = []
    for k, field in enumerate(fields.fields):
        mine = [c for c in claims if c.match.field == k]
        if mine and mine[0].probability >= LEAST_CLAIM:
            doubt = (1 - field.layout_confidence) * doubts.get((index, k), 1.0)
            surer = replace(field, layout_confidence=1 - doubt)
            claimed = _claimed(surer, mine, all_claims, targets, chances, message_fields)
            out.append(_with_top_bits(claimed, mine[0], targets, fields, [*out, *fields.fields[k + 1 :]], capture))
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


def _odds(chance: float) -> str:
    """A small probability as people say it."""
    return "less than 1 in a million" if chance < 1e-6 else f"1 in {1 / chance:,.0f}"


def _claimed(
    field: FoundField,
    mine: Sequence[Claim],
    all_claims: Sequence[Claim],
    targets: dict[str, PreparedChannel],
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
    if copy_of is None and claim.probability >= SURE_COPY:
        finest = max((claim, *others), key=_fineness)
        copy_of = None if finest is claim else _name(finest, message_fields)
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


def _fineness(claim: Claim) -> tuple[bool, int, float]:
    """Of fields that carry one quantity the finest is the original, the others are its copies."""
    levels = claim.match.fit.levels if claim.match.fit else 0
    return claim.probability >= SURE_COPY, levels, claim.probability


def _with_top_bits(
    field: FoundField,
    claim: Claim,
    targets: dict[str, PreparedChannel],
    message: MessageFields,
    others: Sequence[FoundField],
    capture: Capture,
) -> FoundField:
    """The field with the still bits above it, where those belong to it (`add_top_bits`)."""
    if claim.probability < WORTH_WIDENING or claim.match.fit is None or claim.snapped is None:
        return field
    payload = payloads_at(capture.payload, message.rows)
    if field.mux is not None:
        chooser = next((f for f in message.fields if f.name == field.mux[0]), None)
        if chooser is None:
            return field
        payload = payload[raw_values(payload, chooser.layout) == field.mux[1]]
    wider = add_top_bits(field, others, payload, message.length)
    if wider is None:
        return field
    evidence = {**field.evidence, "top_bits_never_moved": wider.added}
    if wider.raw_added == 0:
        return replace(field, layout=wider.layout, evidence=evidence)
    fit, target = claim.match.fit, targets[claim.match.channel]
    again = simplest_numbers(
        fit.scale,
        fit.offset - fit.scale * wider.raw_added,
        fit.scale_error,
        fit.middle + wider.raw_added,
        fit.middle_error,
        unit=target.unit,
        quantum=target.quantum,
    )
    if again.saved_bits < claim.snapped.saved_bits:
        return field
    return replace(field, layout=wider.layout, scale=again.scale, offset=again.offset, evidence=evidence)


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


def _evidence(claim: Claim, target: PreparedChannel, chance: Chance | None) -> dict[str, Any]:
    fit, table, snapped = claim.match.fit, claim.match.table, claim.snapped
    if table is not None:
        return {
            "samples": table.samples,
            "lag_s": round(table.lag_s, 3),
            "right_share": round(table.right, 4),
            "gain_held_out": round(table.held, 4),
            "changes": table.changes,
            "choices": {str(raw): word for raw, word in table.table},
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


def _words(claim: Claim, target: PreparedChannel, evidence: dict[str, Any]) -> str:
    fit, table = claim.match.fit, claim.match.table
    if table is not None:
        return (
            f"its values match the words of {target.name} in {table.right:.1%} of {table.samples} samples, "
            f"{table.lag_s:.2f} s later, over {table.changes} changes"
        )
    assert fit is not None
    luck = evidence["chance"]
    by_luck = "luck can't be tested in this recording" if luck is None else f"a fit this good by luck: {_odds(luck)}"
    left = (
        "nothing but noise is left"
        if fit.shape < 1e-4
        else f"{np.sqrt(fit.shape):.1%} of its movement is left unexplained"
    )
    return (
        f"explains {max(fit.r2_held, 0):.2%} of {target.name} on held-out stretches, {fit.lag_s:.2f} s before the "
        f"tool; {left}; {by_luck}"
    )
