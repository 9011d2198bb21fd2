"""Signal map room: whether a map's counter, checksum or constant holds in a recording."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.core.integrity import Checksum
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

MOST_PAYLOADS = 5_000
"""So many different payloads of a message are computed at most, evenly spread."""
HOLDS = 0.98
"""From this share on a method holds: frames are lost and flipped in recordings."""


def check_holds(capture: Capture, message: MapMessage, signal: MapSignal) -> str:
    """Hold a signal's counter, checksum and constant against a recording.

    Returns
    -------
    str
        What held, and in how many frames.

    Raises
    ------
    InputError
        The recording has no frame of the message that is long enough, or nothing is said that could hold.
    RefusedError
        It does not hold.
    """
    rows = _rows(capture, message)
    if not len(rows):
        raise InputError(
            f"the recording has no whole frame of {message.label}: name one in which its sender was connected"
        )
    words = []
    for what, held, seen in _judged(rows, message, signal):
        sentence = f"{signal.name}: {what} holds in {held:,} of {seen:,} frames"
        if held < HOLDS * seen:
            raise RefusedError(f"{message.label}.{sentence} of the recording; nothing was written")
        words.append(sentence)
    if not words:
        raise InputError(
            f"{message.label}.{signal.name} has no counter, checksum or constant to compare with a recording"
        )
    return "; ".join(words)


def _rows(capture: Capture, message: MapMessage) -> npt.NDArray[np.uint8]:
    parts = [
        capture.payload[rows[capture.length[rows] >= message.length], : message.length]
        for key, rows in capture.groups()
        if (key.identifier, key.extended) == (message.identifier, message.extended)
    ]
    return np.concatenate(parts) if parts else np.empty((0, message.length), dtype=np.uint8)


def _judged(rows: npt.NDArray[np.uint8], message: MapMessage, signal: MapSignal) -> list[tuple[str, int, int]]:
    out = []
    if signal.mux_signal is not None and (selector := message.signal(signal.mux_signal)) is not None:
        here = [selector.layout.unpack(row.tobytes()) in signal.mux_values for row in rows]
        rows = rows[here]
    if signal.checksum is not None:
        out.append(("the checksum", *_summed(rows, signal.checksum)))
    if signal.counter is not None and len(rows) > 1:
        values = np.array([signal.layout.unpack(row.tobytes()) for row in rows])
        expected = np.array([signal.counter.after(int(v)) for v in values[:-1]])
        out.append(("the counter's step", int((values[1:] == expected).sum()), len(expected)))
    if signal.constant is not None:
        same = sum(signal.layout.unpack(row.tobytes()) == signal.constant for row in rows)
        out.append((f"always {signal.constant}", same, len(rows)))
    return out


def _summed(rows: npt.NDArray[np.uint8], checksum: Checksum) -> tuple[int, int]:
    distinct, counts = np.unique(rows, axis=0, return_counts=True)
    step = -(-len(distinct) // MOST_PAYLOADS)
    chosen = [(row.tobytes(), int(n)) for row, n in zip(distinct[::step], counts[::step], strict=True)]
    return sum(n for row, n in chosen if checksum.holds(row)), sum(n for _, n in chosen)
