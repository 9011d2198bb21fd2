"""Proving room: a stretch of recorded traffic for one run: the wake-up, then a piece from anywhere."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.proving.bench.bench import Bench
from swapbridge.proving.bench.traffic import Traffic, at_other_times

LEAD_NS = 2_500_000_000
"""How much of the beginning is kept: the wake-up, and what is sent only once after it."""
SETTLE_NS = 50_000_000


def excerpt(bench: Bench, length_ns: int, rng: np.random.Generator) -> tuple[list[Traffic], int]:
    """Traffic of all buses for a run of that length, and where the piece begins.

    The recordings' beginnings are kept, since some frames are sent once after wake-up only; then they are cut at one
    place, the same for all buses.

    Parameters
    ----------
    bench : Bench
        The recordings and their buses.
    length_ns : int
        Length of the run in ns.
    rng : numpy.random.Generator
        Chooses where the recordings are cut.

    Returns
    -------
    tuple of (list of Traffic, int)
        Traffic in the order of time, and the time in ns at which the piece begins.
    """
    longest = max((int(t.start_ns[-1]) for t in bench.traffic if len(t)), default=0)
    if longest <= length_ns:
        return list(bench.traffic), min(LEAD_NS, length_ns // 4)
    lead = min(LEAD_NS, length_ns // 3)
    piece = length_ns - lead
    at = int(rng.integers(lead, max(lead + 1, longest - piece)))
    return [cut(t, lead, at, piece) for t in bench.traffic], lead


def cut(traffic: Traffic, lead: int, at: int, piece: int) -> Traffic:
    """A bus's beginning of `lead` ns, and at once the piece of that length which was recorded at `at`."""
    early = np.flatnonzero(traffic.start_ns < lead)
    late = np.flatnonzero((traffic.start_ns >= at) & (traffic.start_ns < at + piece))
    rows: npt.NDArray[np.int64] = np.concatenate([early, late]).astype(np.int64)
    release = np.concatenate([traffic.start_ns[early], traffic.start_ns[late] - at + lead]).astype(np.int64)
    return at_other_times(traffic, release, rows)
