"""Guessing room, meaning side: wheels of one message share one scale: a tyre's error is its own, not the layout's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from swapbridge.guessing.meaning.align import PreparedChannel
from swapbridge.guessing.meaning.claims import Claim
from swapbridge.guessing.meaning.simple_numbers import SPEED_UNITS, TYRE, TYRE_LIMIT, Snapped, common_scale

SURE_SIBLING = 0.8


def share_scales(claims: Sequence[Claim], targets: dict[str, PreparedChannel]) -> list[Claim]:
    """Give fields of one message that follow one speed a scale in common, where one lies within 1 % of all of them."""
    groups: dict[tuple[int, str], list[int]] = {}
    for k, claim in enumerate(claims):
        if (
            claim.match.fit is not None
            and claim.snapped is not None
            and claim.probability >= SURE_SIBLING
            and targets[claim.match.channel].unit in SPEED_UNITS
        ):
            groups.setdefault((claim.message, claim.match.channel), []).append(k)
    out = list(claims)
    for members in groups.values():
        sizes = [abs(fit.scale) for k in members if (fit := claims[k].match.fit) is not None]
        common = common_scale(sizes, TYRE, TYRE_LIMIT) if len(members) > 1 else None
        if common is None:
            continue
        for k in members:
            snapped = claims[k].snapped
            if snapped is not None and abs(snapped.scale) != common:
                out[k] = replace(claims[k], snapped=_scaled(snapped, common))
    return out


def _scaled(snapped: Snapped, common: float) -> Snapped:
    """The common scale; the raw value that means standstill stays."""
    factor = common / abs(snapped.scale)
    words = f"{common:g}, in common with the other fields of the message, tyre error allowed for"
    return replace(snapped, scale=snapped.scale * factor, offset=snapped.offset * factor, snapped=True, words=words)
