"""Guessing room: a check of four bits that a sum of bytes gives as well as one of nibbles: the vehicle's others decide.

Where only lower nibbles move, both hold in every payload and differ in a constant; they part as soon as an upper one
does. A maker writes one formula into every module, so messages in which only one of the two holds decide for the
others.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Sequence
from dataclasses import replace

from swapbridge.core.integrity import Sum
from swapbridge.guessing.integrity.checksums import FoundChecksum


def settle_units(found: Sequence[Sequence[FoundChecksum]]) -> list[tuple[FoundChecksum, ...]]:
    """The checks of every message, those that are tied in the units that more of the others use.

    Parameters
    ----------
    found : sequence of sequence of FoundChecksum
        Each message's checks.

    Returns
    -------
    list of tuple of FoundChecksum
        The same checks; where as many use either unit, or none, a sum of nibbles, which leaves no bit unguarded.
    """
    votes = Tally(
        c.method.unit_bits
        for checks in found
        for c in checks
        if c.tied is None and isinstance(c.method, Sum) and c.method.width == 4
    )

    def settled(check: FoundChecksum) -> FoundChecksum:
        if check.tied is None or not isinstance(check.method, Sum):
            return check
        by_unit = {m.unit_bits: m for m in (check.method, check.tied)}
        more = votes[4] - votes[8]
        unit = 4 if more >= 0 else 8
        return replace(check, method=by_unit[unit], tied=by_unit[12 - unit], same_units=abs(more))

    return [tuple(map(settled, checks)) for checks in found]
