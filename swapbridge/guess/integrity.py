"""Guess room: counters and checksums alone, for those who judge form and not content (`survey`, `prove`)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.guess.columns import FEW_FRAMES, make_columns
from swapbridge.guess.findings import FoundField
from swapbridge.guess.layout import find_exact


def find_integrity(
    payload: npt.NDArray[np.uint8],
    time_ns: npt.NDArray[np.int64],
    length: npt.NDArray[np.uint8],
    *,
    identifier: int = 0,
    extended: bool = False,
) -> list[FoundField]:
    """Counters and checksums of one identifier.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads in time order, zero beyond their length.
    time_ns : (N,) int64
        When each came.
    length : (N,) uint8
        Payload bytes of each.
    identifier, extended
        The identifier, which some checksums include.

    Returns
    -------
    list of FoundField
        Of kind counter or checksum, each with its `method` (`swapbridge.core.integrity`); empty where there are none.
    """
    if len(time_ns) < FEW_FRAMES:
        return []
    return find_exact(make_columns(identifier, extended, time_ns, length, payload))
