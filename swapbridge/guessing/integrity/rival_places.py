"""Guessing room: of several fields that one relation gives alike, the one where the vehicle's other checks stand.

Of two bytes that add up to a constant either is the sum of the rest, and where both are noise their histories cost the
same. A maker puts the check at one place in every message, counted from the start of the payload or from its end.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Sequence

from swapbridge.guessing.integrity.checksums import FoundChecksum

Place = tuple[bool, int]
"""Whether it is counted from the payload's end, and the check's first bit counted so."""


def plain_places(found: Sequence[tuple[int, Sequence[FoundChecksum]]]) -> Tally[Place]:
    """Where checks stand that are the only field that their relation can give.

    Parameters
    ----------
    found : sequence of (payload bytes, checks)
        Of every message.

    Returns
    -------
    Counter of Place
        How many messages have a check at each place.
    """
    out: Tally[Place] = Tally()
    for size, checks in found:
        for c in checks:
            if c.distinguished is None and not c.rivals:
                out.update(_counted(c.positions, size))
    return out


def likelier_place(check: FoundChecksum, size: int, places: Tally[Place]) -> tuple[tuple[int, ...], int]:
    """Bits of the check or of a rival, whichever most other messages have their check at, and how many more they are.

    Parameters
    ----------
    check : FoundChecksum
        A check with rivals.
    size : int
        Payload bytes of its message.
    places : Counter of Place
        As `plain_places` has them.

    Returns
    -------
    tuple of tuple of int and int
        The bits, and by how many messages more than the next; the check's own bits where as many speak for another.
    """
    options = (check.positions, *check.rivals)
    votes = [max(places[place] for place in _counted(bits, size)) for bits in options]
    best = max(range(len(options)), key=votes.__getitem__)
    others = [v for k, v in enumerate(votes) if k != best]
    return options[best], votes[best] - max(others)


def _counted(positions: tuple[int, ...], size: int) -> tuple[Place, Place]:
    return (False, min(positions)), (True, min(positions) - 8 * size)
