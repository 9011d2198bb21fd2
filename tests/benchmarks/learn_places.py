"""Learn where makers put fields from a folder of open signal maps; write the table that the cut asks.

    python -m tests.benchmarks.learn_places FOLDER --corpus "NAME VERSION" [--leave-out PATTERN ...] [--out FILE.py]

Every DBC file under FOLDER is walked, none is listed; one that cantools refuses is counted and passed over. A file
weighs as the root of the fields it holds, so that one large map does not speak for all. Each field's price is the
surprise of its length, given the weight of the bit that the walk along its byte order reaches it at and what stands
before it; the table holds the mean over all fields of a length whose lowest bit has the same weight in its byte.
To measure on a recording, leave its maker's maps out (PATTERN is looked for in file names), write the table
elsewhere and hand it to `guess_score --places`.
"""

from __future__ import annotations

import argparse
import re
import sys
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cantools.database
import numpy as np
import numpy.typing as npt
from cantools.database.errors import Error

from swapbridge.core.layout import Layout

Floats = npt.NDArray[np.float64]
LONGEST = 64
CLASSES = (1, 2, 3, 4, 5, 6, 7, 8, 9, 12, 13, 16, 17)
"""Lengths at which a new class begins, where it matters what stands before a field; class 0 is nothing."""
FEWEST_FIELDS = 20
OWN_SHARE = 0.85
"""How far the lengths met at one place are trusted, against those met anywhere."""
SHRINK = 1.0 / (8 * (LONGEST + 1))
"""Share of all fields at which a cell of the table counts as much as what its length makes one expect."""
ODD_BITS = 4.0
RAREST_BITS = 8.0
"""What a place costs more that no maker uses, and the most that one which was never met may cost: vehicles differ."""
START_BITS = 1.2
STEEP = 1.5
"""Saying that there is a field at all; and how much dearer odd places are than their share says, from three bits on:
frames that follow each other are not independent, so histories speak louder than they should against places."""


@dataclass(frozen=True, slots=True)
class Place:
    """One field of a map: byte order, length, where the walk meets it, weight of its lowest bit, class before it."""

    big: int
    length: int
    at: int
    low: int
    before: int
    weight: float


def length_class(length: int) -> int:
    """Class of lengths that are alike."""
    return bisect_right(CLASSES, length)


def places_of(path: Path) -> list[tuple[int, int, int, int, int]]:
    """Fields of one map as (big endian, length, where the walk meets it, lowest weight, class before)."""
    out = []
    for message in cantools.database.load_file(path, strict=False).messages:  # type: ignore[union-attr]
        for big in (0, 1):
            runs = []
            for s in message.signals:
                if s.multiplexer_ids is None and (s.byte_order == "big_endian") == bool(big) and s.length <= LONGEST:
                    bits = Layout(s.start, s.length, "big_endian" if big else "little_endian").positions
                    walk = [(b >> 3 << 3) + 7 - (b & 7) if big else b for b in bits]
                    runs.append((min(walk), s.length, max(walk), bits[0] & 7))
            end, before = -1, 0
            for first, length, last, low in sorted(runs):
                out.append((big, length, first & 7, low, before if end == first - 1 and end >= 0 else 0))
                end, before = last, length_class(length)
    return out


def corpus(folder: Path, leave_out: list[str]) -> Iterator[list[Place]]:
    """Fields of every map that can be read, weighed."""
    refused = left = 0
    for path in sorted(folder.rglob("*.dbc")):
        if any(re.search(pattern, path.name, re.IGNORECASE) for pattern in leave_out):
            left += 1
            continue
        try:
            found = places_of(path)
        except (Error, UnicodeDecodeError):
            refused += 1
            continue
        if len(found) >= FEWEST_FIELDS:
            yield [Place(*place, weight=len(found) ** -0.5) for place in found]
    print(f"{refused} maps refused by cantools, {left} left out", file=sys.stderr)


def learn(places: list[Place]) -> Floats:
    """(65, 8) bits by length and weight of the lowest bit."""
    met = np.zeros((2, LONGEST + 1, 8))
    for p in places:
        met[p.big, p.length, p.at] += p.weight
    lengths = met.sum(axis=(0, 2)) / met.sum()
    chance = OWN_SHARE * met / np.maximum(met.sum(axis=1, keepdims=True), 1e-9)
    chance += (1 - OWN_SHARE) * lengths[None, :, None]
    of_class = np.zeros((2, len(CLASSES) + 1, 8))
    for length in range(1, LONGEST + 1):
        of_class[:, length_class(length)] += chance[:, length]
    seen, expected = (np.zeros((len(CLASSES) + 1, len(CLASSES) + 1)) for _ in range(2))
    for p in places:
        seen[p.before, length_class(p.length)] += p.weight
        expected[p.before] += p.weight * of_class[p.big, :, p.at]
    few = 0.002 * expected.sum()
    lift = np.log2((seen + few) / (expected + few))
    bits, weight = np.zeros((LONGEST + 1, 8)), np.zeros((LONGEST + 1, 8))
    for p in places:
        surprise = -np.log2(max(chance[p.big, p.length, p.at], 2.0**-13)) - lift[p.before, length_class(p.length)]
        bits[p.length, p.low] += p.weight * surprise
        weight[p.length, p.low] += p.weight
    mean = bits.sum(axis=1, keepdims=True) / np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    mean[weight.sum(axis=1) == 0] = RAREST_BITS
    odd, few = np.minimum(mean + ODD_BITS, RAREST_BITS), SHRINK * weight.sum()
    table = (bits + few * odd) / (weight + few) + START_BITS
    table[3:] = STEEP * table[3:] - 1.0
    return np.asarray(table)


def module_text(table: Floats, name: str) -> str:
    """The table as a module of the layout room."""
    rows = "".join("    (" + ", ".join(f"{x:.1f}" for x in row) + f"),  # {n}\n" for n, row in enumerate(table))
    return (
        '"""Guessing room: bits that a field\'s place costs, learned from open signal maps.\n\n'
        f"Made by `python -m tests.benchmarks.learn_places` from {name}; don't edit.\n"
        '"""\n\nfrom __future__ import annotations\n\n'
        f"PLACE_BITS = (\n{rows})\n"
        '"""By length (0 to 64 bits) and by the weight, in its byte, of the lowest bit."""\n'
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--corpus", required=True, help="name and version of the collection")
    parser.add_argument("--leave-out", action="append", default=[], metavar="PATTERN")
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    places = [p for found in corpus(args.folder, args.leave_out) for p in found]
    if not places:
        parser.error(f"{args.folder}: no map with {FEWEST_FIELDS} fields or more")
    text = module_text(learn(places), args.corpus)
    if args.out is None:
        print(text, end="")
    else:
        args.out.write_text(text)


if __name__ == "__main__":
    main()
