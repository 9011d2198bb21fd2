"""Guessing room: counters that rest between two steps, where frames are missing: the clock counts the sendings.

A counter that goes on by one every second sending is, so many rounds of two sendings later, on by just so many,
whatever is missing in between and wherever in a round one begins. Where the clock can't say how long pauses were, it
rests for just as many frames between any two steps that were recorded.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
RHYTHMS = (2, 3, 4)
ROUNDS = (1, 2, 4, 8, 16)
"""Sendings between two steps; over how many steps the clock is compared. What climbs at about that pace drifts off."""
SHARE = 0.9
FEWEST = 24
"""Share of pairs of frames that must be as far apart as the clock says, and how many pairs there must be."""
AT_ONCE = 0.02
"""Share of steps between neighbouring frames that may be neither rest nor a step by one."""
RESTS_SHARE = 0.95
"""Share of whole rests that must be of one length: what climbs at nearly that pace has two lengths in turn."""


def rhythm_by_clock(value: Ints, sendings: Ints, span: int) -> tuple[int, float] | None:
    """How many sendings lie between two steps of a slow counter, and the share of pairs of frames that bear it out.

    Parameters
    ----------
    value : (N,) int64
        What may count, in each frame, from 0 to ``span - 1``.
    sendings : (N - 1,) int64
        Sendings from each frame to the next: 1 where nothing is missing.
    span : int
        Values until it begins again.

    Returns
    -------
    tuple of int and float or None
        None where it counts in no such rhythm, or where the frames can't show it.
    """
    step = np.diff(value) % span
    alone = sendings == 1
    if alone.sum() < FEWEST or (step[alone] > 1).mean() > AT_ONCE:
        return None
    at = np.concatenate(([0], np.cumsum(sendings)))
    pace = float((step[alone] == 1).mean())
    for every in RHYTHMS:
        if not 0.8 < pace * every < 1.2:
            continue
        shares = []
        for rounds in ROUNDS:
            later = np.searchsorted(at, at + rounds * every)
            pairs = np.flatnonzero(later < len(at))
            pairs = pairs[at[later[pairs]] == at[pairs] + rounds * every]
            if len(pairs) >= FEWEST:
                shares.append(float(((value[later[pairs]] - value[pairs]) % span == rounds % span).mean()))
        if len(shares) == len(ROUNDS) and min(shares) >= SHARE:
            return every, min(shares)
    return None


def rhythm_in_trains(value: Ints, sendings: Ints, span: int, fewest: int = FEWEST) -> tuple[int, float] | None:
    """The same by the rests that were recorded whole: from one step by one to the next, with no frame missing.

    Parameters
    ----------
    value, sendings, span
        As for `rhythm_by_clock`.
    fewest : int, optional
        Rests there must be.

    Returns
    -------
    tuple of int and float or None
        Frames from step to step, and the share of rests that are of that length.
    """
    step = np.diff(value) % span
    alone = sendings == 1
    if not alone.any() or (step[alone] > 1).mean() > AT_ONCE:
        return None
    ends = np.flatnonzero(~alone | (step != 0))
    by_one = alone[ends] & (step[ends] == 1)
    length = np.diff(ends)[by_one[1:] & by_one[:-1]]
    if len(length) < fewest:
        return None
    every = int(np.bincount(length).argmax())
    share = float((length == every).mean())
    return (every, share) if every in RHYTHMS and share >= RESTS_SHARE else None
