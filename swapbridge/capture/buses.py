"""Capture room: which of a plan's or a swap's buses each bus of a recording is: the one rule."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError


def buses_of(
    capture: Capture, names: Sequence[str], bus: str | None = None, usual: str | None = None
) -> dict[int, str]:
    """Which bus each bus of a capture is: its number in the capture, and one of `names`.

    A recording of one bus may have any name; in one of several the bus is found by its name.

    Parameters
    ----------
    names : sequence of str
        Buses that there are.
    bus : str or None
        The one that the capture is said to be of. Of a capture of several buses only the one so named counts.
    usual : str or None
        What a capture of one bus is, where nothing is said and its own name is none of `names`.

    Raises
    ------
    InputError
        There is no such bus, or which one is meant is not clear.
    """
    what = capture.source or "the capture"
    if bus is not None and bus not in names:
        raise InputError(f"there is no bus {bus!r}, but {', '.join(names)}: name one of them for {what}")
    used = [int(number) for number in np.unique(capture.bus)]
    if bus is not None and len(used) <= 1:
        return dict.fromkeys(used, bus)
    wanted = names if bus is None else (bus,)
    same = {number: capture.bus_names[number] for number in used if capture.bus_names[number] in wanted}
    if same:
        return same
    if len(used) <= 1 and usual is not None:
        return dict.fromkeys(used, usual)
    raise InputError(
        f"{what} holds the buses {', '.join(capture.bus_names)}, and none called {' or '.join(wanted)}: give a capture "
        "with one bus (`swapbridge convert` splits it), or one that names its buses so"
    )
