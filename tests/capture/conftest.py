"""What the capture tests share: captures made from rows, and comparison of captures frame by frame."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from swapbridge.capture.capture import Capture

Row = tuple[int, int, int, int, bytes, int]
"""time_ns, identifier, flags, bus, payload, length."""


def _make(rows: list[Row], bus_names: tuple[str, ...] = ("can0",)) -> Capture:
    width = 64 if any(len(row[4]) > 8 for row in rows) else 8
    payload = np.zeros((len(rows), width), np.uint8)
    for i, row in enumerate(rows):
        payload[i, : len(row[4])] = list(row[4])
    columns = list(zip(*rows, strict=True)) if rows else [(), (), (), (), (), ()]
    return Capture(
        time_ns=np.array(columns[0], np.int64),
        identifier=np.array(columns[1], np.uint32),
        flags=np.array(columns[2], np.uint8),
        bus=np.array(columns[3], np.uint8),
        length=np.array(columns[5], np.uint8),
        payload=payload,
        bus_names=bus_names,
    )


def _frames(capture: Capture) -> list[tuple[int, int, int, str, bytes, int]]:
    return [
        (
            int(capture.time_ns[i]),
            int(capture.identifier[i]),
            int(capture.flags[i]),
            capture.bus_names[capture.bus[i]],
            capture.payload[i].tobytes().rstrip(b"\0"),
            int(capture.length[i]),
        )
        for i in range(len(capture))
    ]


@pytest.fixture(scope="session")
def make_capture() -> Callable[..., Capture]:
    """Capture from rows of (time_ns, identifier, flags, bus, payload, length)."""
    return _make


@pytest.fixture(scope="session")
def frames_of() -> Callable[[Capture], list[tuple[int, int, int, str, bytes, int]]]:
    """Rows of a capture, bus by name, payload without its zeros behind."""
    return _frames
