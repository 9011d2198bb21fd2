"""The published baseline: cut a payload by how often each bit flips (Marchetti and Stabili, IEEE TIFS, 2019).

Written from the paper's description: the flip rate of every bit over neighbouring frames, its magnitude
``ceil(log10(rate))``, a field border wherever the magnitude falls from one bit to the next, read from the most
significant bit of every byte on (big endian); then a block whose rates double from bit to bit is a counter, and one
whose rates are those of a coin is a checksum. Its name for the method is left out here; `cut_by_flip_rate` is ours.

    python tests/benchmarks/flip_rate.py CAPTURE
"""

from __future__ import annotations

import sys
import time
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.core.layout import Layout


def cut_by_flip_rate(payload: npt.NDArray[np.uint8]) -> list[tuple[str, Layout]]:
    """Kind and big-endian layout of every block of bits that changes."""
    bits = np.unpackbits(payload, axis=1)
    rate = (bits[1:] != bits[:-1]).mean(axis=0)
    size = np.full(len(rate), -np.inf)
    size[rate > 0] = np.ceil(np.log10(rate[rate > 0]))
    blocks: list[tuple[int, int]] = []
    start = 0
    for i in range(1, len(rate) + 1):
        if i == len(rate) or size[i] < size[i - 1] or (rate[i] == 0) != (rate[i - 1] == 0):
            if rate[start] > 0:
                blocks.append((start, i))
            start = i
    out = []
    for a, b in blocks:
        for low in range(a, b, 64):
            part = rate[low : min(b, low + 64)]
            kind = "analogue" if len(part) > 1 else "flag"
            if len(part) > 1 and np.allclose(part[:-1] * 2, part[1:], rtol=0.1) and part[-1] > 0.9:
                kind = "counter"
            elif len(part) >= 4 and abs(part.mean() - 0.5) < 0.05 and part.std() < 0.05:
                kind = "checksum"
            out.append((kind, Layout((low >> 3 << 3) + 7 - (low & 7), len(part), "big_endian")))
    return out


def flip_rate_json(capture: Capture) -> dict[str, Any]:
    """The same form that `swapbridge guess --json` writes."""
    messages = []
    for key, rows in capture.groups():
        width = int(capture.length[rows].max(initial=0))
        if len(rows) < 2 or width == 0:
            continue
        signals = []
        for kind, layout in cut_by_flip_rate(capture.payload[rows][:, :width]):
            signals.append(
                {
                    "name": f"block_{layout.start}_{layout.length}",
                    "start": layout.start,
                    "length": layout.length,
                    "byte_order": layout.byte_order,
                    "signed": False,
                    "kind": kind,
                    "scale": 1.0,
                    "offset": 0.0,
                    "stimulus": None,
                    "confidence": 0.5,
                    "mux": None,
                }
            )
        messages.append({"id": key.identifier, "extended": key.extended, "signals": signals})
    return {"version": 1, "messages": messages}


if __name__ == "__main__":
    recording = read_capture(sys.argv[1])
    begin = time.perf_counter()
    result = flip_rate_json(recording)
    print(f"{len(recording):,} frames cut in {time.perf_counter() - begin:.2f} s: {len(result['messages'])} messages")
