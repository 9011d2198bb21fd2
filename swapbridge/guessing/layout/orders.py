"""Guessing room: the byte order that a vehicle and each of its messages keep to, and the cuts made in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.coding.candidates import Candidates
from swapbridge.guessing.coding.history_costs import BIG, LITTLE
from swapbridge.guessing.integrity.counters import FoundCounter
from swapbridge.guessing.layout.cut import CutField, OrderPrices, best_cut, cut_bits

TEMPER = 0.3
"""Worth of one bit of code length when cuts are compared as probabilities; measured on planted layouts."""
ODD_ORDER_BITS = 9.0
MESSAGE_ORDERS = ((0.0, ODD_ORDER_BITS), (ODD_ORDER_BITS, 0.0))
"""Bits of a field over a byte border in a little-endian and in a big-endian message; of 1,242 messages of open maps
(opendbc 0.3.1) with several such fields two hold both orders."""
ORDER_DOUBT = 0.07
"""Messages of each order that a vehicle is taken to have had before any was seen: how open maps share them out."""
ORDER_SURE = 0.02
"""Chance of the other byte order from which on it is cut too, to say how sure each field is."""


@dataclass(frozen=True, slots=True)
class CutBits:
    """Bits that are cut together: those of all frames, or those that one multiplexer value decides.

    Attributes
    ----------
    mux_value : int or None
        Multiplexer value that selects the frames; None for all frames.
    live : (8 B,) bool
        Bits that change in these frames.
    fixed : (8 B,) bool
        Bits that are not this part's to cut.
    candidates : Candidates
        Fields that could be, with the bits that their histories take.
    counters : tuple of FoundCounter
        What counts in these frames.
    longer : Columns or None
        The frames, where these bits stand only in longer ones than the study's own.
    """

    mux_value: int | None
    live: npt.NDArray[np.bool_]
    fixed: npt.NDArray[np.bool_]
    candidates: Candidates
    counters: tuple[FoundCounter, ...]
    longer: BitColumns | None = None


def vehicle_order(messages: Sequence[Sequence[CutBits]]) -> OrderPrices:
    """The vehicle's habits, from all identifiers cut in either byte order.

    Makers keep to one byte order, in a message nearly without exception; a field whose order the frames leave open is
    then read in that order. Each message's preference for an order weighs as much as it is sure of it.
    """
    evidence = np.array([_order_evidence(parts) for parts in messages]).reshape(-1, 2)
    lead = TEMPER * (evidence[:, LITTLE] - evidence[:, BIG])
    sure = np.tanh(np.abs(lead) / 2)
    share = 0.5
    for _ in range(4):
        for_big = 1.0 / (1.0 + np.exp(-np.clip(lead + np.log(share / (1.0 - share)), -30.0, 30.0)))
        count = np.array([(sure * (1.0 - for_big)).sum(), (sure * for_big).sum()])
        share = float(2.0 ** -order_prices(count)[BIG])
    return OrderPrices(order_prices(count))


def _order_evidence(parts: Sequence[CutBits]) -> tuple[float, float]:
    """Bits of a message's best cut where its fields are little endian, and where they are big endian."""
    little, big = (
        sum(cut_bits(p.candidates, p.live, p.fixed, OrderPrices(bits)) for p in parts) for bits in MESSAGE_ORDERS
    )
    return little, big


def order_prices(count: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Bits that either byte order costs a message in a vehicle with so many messages of each."""
    share = np.clip((count + ORDER_DOUBT) / (count.sum() + 2 * ORDER_DOUBT), 0.002, 0.998)
    return float(-np.log2(share[0])), float(-np.log2(share[1]))


def message_cuts(parts: Sequence[CutBits], prices: OrderPrices) -> list[tuple[CutField, ...]]:
    """The cut of each part, in the byte order that the message and the vehicle speak for.

    How sure a field is takes in that the message may be of the other order.
    """
    bits = [cost + price for cost, price in zip(_order_evidence(parts), prices.order_bits, strict=True)]
    order = BIG if bits[BIG] < bits[LITTLE] else LITTLE
    cuts = [cut_of(part, OrderPrices(MESSAGE_ORDERS[order])) for part in parts]
    other = float(1.0 / (1.0 + np.exp(min(TEMPER * (bits[1 - order] - bits[order]), 700.0))))
    if other < ORDER_SURE:
        return cuts
    out = []
    for part, cut in zip(parts, cuts, strict=True):
        else_share = {f.positions: f.probability for f in cut_of(part, OrderPrices(MESSAGE_ORDERS[1 - order]))}
        out.append(
            tuple(
                replace(f, probability=(1.0 - other) * f.probability + other * else_share.get(f.positions, 0.0))
                for f in cut
            )
        )
    return out


def cut_of(part: CutBits, prices: OrderPrices) -> tuple[CutField, ...]:
    """The best cut of what counters, checksums and the multiplexer leave."""
    return best_cut(part.candidates, part.live, part.fixed, prices, TEMPER)
