"""Guessing room: what the order says in which a selector's values come: pages take turns, or come as if at random.

What jitters comes in no order either, and its low bits decide whatever copies it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from swapbridge.core.layout import layout_from_positions
from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.integrity.counters import frames_between
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.guessing.layout.multiplex import FoundMux

MUX_MEMORY_BITS = 0.05
"""How much each value of a selector in no order may predict of the next."""
MUX_STEP_FOR_STEP = 0.8
"""Correlation of steps from which on one quantity moves with another."""
FEWEST_LEVELS = 8
"""Values of a selector from which on its pages' contents do not stand in the order of its values by chance: of as many
levels in any order one set in fifty is as near to it, of four one in twelve."""
FEWEST_TURNS = 12
"""At least so many turns must have been predicted by those before."""
MUX_LOOKS_BACK = 3
"""Values before the next one that may be used to predict it."""


def at_random(columns: BitColumns, mux: FoundMux) -> bool:
    """Whether its values look random: each predicts hardly anything of the next. Contents have a memory."""
    value = raw_values(columns.payload, layout_from_positions(mux.positions))
    size = int(value.max()) + 1
    old, new = value[:-1][~columns.breaks[1:]], value[1:][~columns.breaks[1:]]
    both = np.zeros((size, size))
    np.add.at(both, (old, new), 1.0)
    share = both / both.sum()
    alone = share.sum(axis=1, keepdims=True) * share.sum(axis=0, keepdims=True)
    seen = share > 0
    shared = float((share[seen] * np.log2(share[seen] / alone[seen])).sum())
    by_luck = (size - 1) ** 2 / (2 * np.log(2) * len(old))
    return bool(shared <= MUX_MEMORY_BITS + 2 * by_luck)


def is_quantity(columns: BitColumns, cut: Sequence[tuple[int, ...]], mux: FoundMux) -> bool:
    """Whether a selector is a quantity or the end of one that others copy, step for step: so it decides them.

    Steps are compared by rank: a field that was invalid once made one large step. `cut` holds the fields of the message
    without pages; it may have given the selector by itself, or have laid its bits to what copies it.
    """
    if len(mux.values) < 4:
        return False
    follows = ~columns.breaks[1:]

    def ranked_steps(positions: tuple[int, ...]) -> npt.NDArray[np.float64]:
        raw = raw_values(columns.payload, layout_from_positions(positions)).astype(np.float64)
        _, place, count = np.unique(np.diff(raw)[follows], return_inverse=True, return_counts=True)
        return np.asarray((np.cumsum(count) - 0.5 * count)[place])

    bits = set(mux.positions)
    own = [f for f in cut if bits & set(f) and bits != set(f)]
    if len(mux.values) >= FEWEST_LEVELS:
        own.append(mux.positions)
    others = [f for f in cut if set(f) & set(mux.decides)]
    for one in own:
        steps = ranked_steps(one)
        for other in others:
            for copy in {other, tuple(p for p in other if p not in bits)}:
                if len(copy) < 4 or set(copy) & set(one):
                    continue
                its = ranked_steps(copy)
                if steps.std() and its.std() and abs(np.corrcoef(steps, its)[0, 1]) >= MUX_STEP_FOR_STEP:
                    return True
    return False


def takes_turns(columns: BitColumns, mux: FoundMux) -> bool:
    """Whether its values come in a fixed order, where no frame was lost in between.

    Each is nearly always followed by the same other one, or by the same one where those before it are known too: a
    page may come between all others. What jitters comes in no order.
    """
    step = np.flatnonzero(~columns.breaks[1:]) + 1
    follows = np.zeros(len(columns), bool)
    follows[step[frames_between(columns, step) == 1]] = True
    value = raw_values(columns.payload, layout_from_positions(mux.positions))
    size = max(mux.values) + 1
    value = np.where(value < size, value, 0)
    context = np.zeros(len(columns), np.int64)
    known = follows.copy()
    for back in range(1, MUX_LOOKS_BACK + 1):
        if size**back > len(columns):
            break
        context[back:] = context[back:] * size + value[:-back]
        if back > 1:
            known[back - 1 :] &= follows[: len(columns) - back + 1]
            known[: back - 1] = False
        after = np.zeros((size**back, size), np.int64)
        np.add.at(after, (context[known], value[known]), 1)
        if back == 1 and len(mux.values) > 2:  # a page may be sent several times; of two there is but one other
            np.fill_diagonal(after, 0)
        # the first time that a value follows foretells nothing: where frames are few nearly all would be such
        seen = after.sum(axis=1)
        seen = seen - (seen > 0)
        if seen.sum() >= FEWEST_TURNS and np.maximum(after.max(axis=1) - 1, 0).sum() > 0.9 * seen.sum():
            return True
    return False
