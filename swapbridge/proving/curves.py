"""Proving room: curves thinned to what a picture shows."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

COLUMNS = 800
"""Columns a picture is thinned to; each keeps its smallest and largest value, so no spike is lost."""

Points = tuple[tuple[float, float], ...]


def thin(time_s: npt.NDArray[np.float64], value: npt.NDArray[np.float64]) -> Points:
    """At most four points a column: its first, smallest, largest and last, in order of time."""
    n = len(time_s)
    if n <= 2 * COLUMNS:
        keep = np.arange(n)
    else:
        edges = np.linspace(0, n, COLUMNS + 1).astype(np.intp)
        rows = []
        for a, b in pairwise(edges.tolist()):
            rows += [a, a + int(np.argmin(value[a:b])), a + int(np.argmax(value[a:b])), b - 1]
        keep = np.unique(np.array(rows))
    return tuple((round(float(t), 4), round(float(v), 6)) for t, v in zip(time_s[keep], value[keep], strict=True))
