"""Capture room: a text file's bytes in blocks of whole lines."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from swapbridge.capture.columns import EXAMPLE_CHARACTERS, NoteTaker
from swapbridge.capture.digits import Bytes
from swapbridge.capture.text_log import PAD

BLOCK_BYTES = 1 << 20
"""Text handled at once: large enough that calls cost nothing, small enough that its columns stay in cache. A longer
line is no frame of any form."""


class TextBlock(NamedTuple):
    """Whole lines ``text[begin:end]`` with `PAD` bytes on both sides; `torn` where the file has no last line end."""

    text: Bytes
    begin: int
    end: int
    torn: bool


def line_blocks(stream: io.BufferedReader, notes: NoteTaker) -> Iterator[TextBlock]:
    """Blocks of whole lines. A line longer than a block is counted as unreadable and never held whole."""
    carried = b""
    skipping = False
    while True:
        text = np.empty(BLOCK_BYTES + 2 * PAD + 1, dtype=np.uint8)
        room = memoryview(text)[PAD : PAD + BLOCK_BYTES]  # type: ignore[arg-type]
        filled = len(carried)
        room[:filled] = carried
        ended = False
        while filled < BLOCK_BYTES:
            got = stream.readinto(room[filled:])
            if not got:
                ended = True
                break
            filled += got
        begin = PAD
        if skipping:
            stop = bytes(room[:filled]).find(b"\n")
            skipping = stop < 0
            begin += filled if skipping else stop + 1
        last = bytes(room[begin - PAD : filled]).rfind(b"\n")
        end = begin + last + 1
        text[:PAD] = 0
        if end > begin:
            text[PAD + filled :] = 0
            yield TextBlock(text, begin, end, False)
        carried = bytes(room[end - PAD : filled])
        if ended:
            if carried and not skipping:
                text = np.zeros(len(carried) + 2 * PAD + 1, dtype=np.uint8)
                text[PAD : PAD + len(carried)] = np.frombuffer(carried, dtype=np.uint8)
                text[PAD + len(carried)] = ord("\n")
                yield TextBlock(text, PAD, PAD + len(carried) + 1, True)
            return
        if len(carried) == BLOCK_BYTES:
            notes.unreadable_line(carried[: 2 * EXAMPLE_CHARACTERS])
            carried, skipping = b"", True
