"""Guessing room: CRCs whose constant is picked from a list by a counter, as the vehicle's other checks show.

AUTOSAR E2E profile 2 has a list of sixteen data IDs, one for each value of a counter. Polynomial and coverage are the
vehicle's; a message's own payloads name one constant for each value, and those beyond the first of each prove it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swapbridge.core.integrity import Crc
from swapbridge.guessing.coding.bit_columns import BitColumns, distinct_payloads
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.integrity.checksums import FoundChecksum
from swapbridge.guessing.integrity.counters import FoundCounter
from swapbridge.guessing.integrity.shared_formulas import CRC_BITS_NEEDED, crc_form

LIST_BITS = 4
"""A longer counter picks by its lowest bits: a list has sixteen entries."""
ROWS = 256
"""Distinct payloads on which a list is tried."""


def listed_forms(proven: Sequence[tuple[int, FoundChecksum]]) -> list[Crc]:
    """CRCs of the vehicle's sure checks, with no constant: of those with a list as well.

    Parameters
    ----------
    proven : sequence of (payload bytes, FoundChecksum)
        Sure checks, and how long their messages are.

    Returns
    -------
    list of Crc
        As `shared_formulas.vehicle_crcs` states them, each once.
    """
    forms = [crc_form(found, found.method, n) for n, found in proven if isinstance(found.method, Crc)]
    return list(dict.fromkeys(replace(form, xor_out=0, name="") for form in forms if form is not None))


def listed_crc(columns: BitColumns, forms: Sequence[Crc], counters: Sequence[FoundCounter]) -> FoundChecksum | None:
    """The check of one message that a CRC of the vehicle with a list picked by a counter shows, if it does.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.
    forms : sequence of Crc
        As `listed_forms` has them.
    counters : sequence of FoundCounter
        The message's counters.

    Returns
    -------
    FoundChecksum or None
        The check, where every entry of its list was seen.
    """
    width = columns.payload.shape[1]
    if not forms or not counters or width < 2:
        return None
    rows = distinct_payloads(columns.payload)
    rows = rows[np.linspace(0, len(rows) - 1, min(len(rows), ROWS)).astype(np.intp)]
    moved = int.from_bytes(np.bitwise_or.reduce(rows ^ rows[:1], axis=0).tobytes(), "little")
    for form in forms:
        own = width - 1 if form.coverage == (0,) else 0
        field = tuple(range(8 * own, 8 * own + 8))
        method = replace(form, coverage=tuple(i for i in range(width) if i != own))
        rest = np.array([int(row[own]) ^ method.value(row.tobytes()) for row in rows])
        for counter in counters:
            picks = counter.positions[:LIST_BITS]
            if set(picks) & set(field):
                continue
            state = field_words(rows, np.array(picks)).astype(np.int64)
            entries = dict(zip(state.tolist(), rest.tolist(), strict=True))
            first = counter.counter.low if len(picks) == len(counter.positions) else 0
            last = counter.counter.high if len(picks) == len(counter.positions) else (1 << LIST_BITS) - 1
            if set(entries) != set(range(first, last + 1)) or len(set(entries.values())) == 1:
                continue
            table = tuple(entries.get(value, 0) for value in range(last + 1))
            equations = len(rows) - len(entries)
            if 8 * equations >= CRC_BITS_NEEDED and (np.array(table)[state] == rest).all():
                known = moved & ~(0xFF << 8 * own)
                return FoundChecksum(field, method, picks, table, 1.0, equations, known, shared=1)
    return None
