"""Guessing room: checks that one message alone can't prove, and what the rest of the vehicle shows of them.

Where little but a counter moves, a checksum looks like a copy of it. If the same formula, at the same place, is proven
in other messages of the vehicle it is a checksum all the same.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Affine, Checksum, Crc, Sum
from swapbridge.core.layout import layout_from_positions
from swapbridge.guessing.coding.bit_columns import BitColumns, distinct_payloads
from swapbridge.guessing.integrity.checksums import EQUATIONS, FoundChecksum
from swapbridge.guessing.integrity.sums import unit_totals

Signature = tuple[str, int, int, int, int]
"""Formula, width, byte (from the end where negative), how its constant is given (0 as it is, 1 after the identifier's
bytes), constant."""
FIRST_LOOK = 512
"""Frames that are looked at before all of a long recording are: most messages have no such byte, as these show."""
CLEARLY = 2
"""How many times as many messages must speak for one place as for another."""


def possible_checks(columns: BitColumns) -> tuple[tuple[FoundChecksum, tuple[Signature, ...]], ...]:
    """Every byte (or nibble) that a sum or XOR over the whole payload gives, proven or not, with its signatures.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.

    Returns
    -------
    tuple of (FoundChecksum, tuple of Signature)
        Empty where a few of the frames rule every one out.
    """
    if len(columns) > FIRST_LOOK and _ruled_out(columns.payload[:: len(columns) // FIRST_LOOK]):
        return ()
    payload = distinct_payloads(columns.payload)
    if len(payload) < EQUATIONS // 2 or payload.shape[1] < 2:
        return ()
    everything = tuple(range(payload.shape[1]))
    moved = np.bitwise_or.reduce(payload ^ payload[:1], axis=0)
    verified = int.from_bytes(moved.tobytes(), "little")
    identifier = [columns.identifier >> s & 0xFF for s in (0, 8, 16, 24)]
    out = []
    folded = np.bitwise_xor.reduce(payload, axis=1)
    folds = bool((folded == folded[0]).all())
    whole = unit_totals(payload, everything, 8)
    for byte in everything:
        if not moved[byte]:
            continue
        field = tuple(range(8 * byte, 8 * byte + 8))
        known = verified & ~(0xFF << 8 * byte)
        if folds:
            masks = tuple(sum(1 << (8 * i + k) for i in everything if i != byte) for k in range(8))
            constant = int(folded[0])
            after = constant ^ identifier[0] ^ identifier[1] ^ identifier[2] ^ identifier[3]
            check = FoundChecksum(field, Affine(8, masks, constant), None, (), 1.0, len(payload), known)
            out.append((check, _signatures("xor", byte, payload.shape[1], constant, after)))
        own = payload[:, byte].astype(np.int64)
        for factor in (1, -1):
            for rows in (slice(FIRST_LOOK), slice(None)):
                rest = (own[rows] - factor * (whole[rows] - own[rows])) % 256
                if (rest != rest[0]).any():
                    break
            else:
                constant = int(rest[0])
                after = (constant - factor * sum(identifier)) % 256
                covered = tuple(i for i in everything if i != byte)
                method = Sum(8, covered, 8, factor, constant)
                check = FoundChecksum(field, method, None, (), 1.0, len(payload), known)
                out.append((check, _signatures(f"sum{factor}", byte, payload.shape[1], constant, after)))
    return tuple(out)


def _ruled_out(payload: npt.NDArray[np.uint8]) -> bool:
    """Whether some of a message's payloads show by themselves that no byte is a sum or XOR over the whole of it."""
    folded = np.bitwise_xor.reduce(payload, axis=1)
    if (folded == folded[0]).all():
        return False
    own = payload.astype(np.int64)
    others = own.sum(axis=1, keepdims=True) - own
    rests = ((own - others) % 256, (own + others) % 256)
    return not any((rest == rest[0]).all(axis=0).any() for rest in rests)


def _signatures(name: str, byte: int, width: int, constant: int, after: int) -> tuple[Signature, ...]:
    """One formula at one place, written in every way in which other messages may have it: makers count from either
    end."""
    return tuple(
        (name, 8, place, form, value) for place in (byte, byte - width) for form, value in ((0, constant), (1, after))
    )


def proven_formulas(
    proven: Sequence[tuple[Sequence[FoundChecksum], Sequence[tuple[FoundChecksum, tuple[Signature, ...]]]]],
) -> dict[Signature, int]:
    """Signatures that at least two messages prove by themselves, and how many do.

    Parameters
    ----------
    proven : sequence of (found, possible)
        For each message, the checksums proven in it and its possible checks.
    """
    tally: Tally[Signature] = Tally()
    for found, possible in proven:
        fields = {f.positions for f in found}
        for check, signatures in possible:
            if check.positions in fields:
                tally.update(signatures)
    return {signature: count for signature, count in tally.items() if count >= 2}


def backed_check(
    possible: Sequence[tuple[FoundChecksum, tuple[Signature, ...]]], formulas: dict[Signature, int]
) -> FoundChecksum | None:
    """The possible check of one message that the vehicle's formulas support, if they clearly agree on one place."""
    votes: dict[tuple[int, ...], int] = {}
    for check, signatures in possible:
        count = max(formulas.get(s, 0) for s in signatures)
        if count:
            votes[check.positions] = max(count, votes.get(check.positions, 0))
    ranked = sorted(votes, key=lambda positions: votes[positions], reverse=True)
    if not ranked or (len(ranked) > 1 and votes[ranked[0]] < CLEARLY * votes[ranked[1]]):
        return None
    return next(
        check
        for check, signatures in possible
        if check.positions == ranked[0] and any(s in formulas for s in signatures)
    )


CRC_BITS_NEEDED = 24
KNOWN_BITS_NEEDED = 16
"""Bits that a message's own payloads must say for a formula of the vehicle's, as many as the check has for each beyond
the first; those of all payloads where the constant is the vehicle's too, and nothing is left to be chosen."""
FEWEST_VALUES = 3
"""Values that the check must take; one less where the constant is known."""
CRC_ROWS = 64
"""Distinct payloads on which a CRC is tried."""


def vehicle_crcs(proven: Sequence[tuple[int, FoundChecksum]]) -> dict[Crc, int]:
    """CRCs over all other bytes, with their constants, that messages prove by themselves, and how many do.

    Parameters
    ----------
    proven : sequence of (payload bytes, FoundChecksum)
        Every check found, and how long its message is. A CRC is stated for a message of 8 bytes that ends in it, or,
        with `coverage` counted from 1, begins with it.
    """
    tally: Tally[Crc] = Tally()
    for width, found in proven:
        if isinstance(found.method, Crc) and found.counter is None and found.equations >= EQUATIONS:
            form = crc_form(found, found.method, width)
            if form is not None:
                tally[form] += 1
    return dict(tally)


def crc_form(found: FoundChecksum, method: Crc, width: int) -> Crc | None:
    """A message's CRC over all other bytes as `vehicle_crcs` states it; None of another kind.

    Parameters
    ----------
    found : FoundChecksum
        The check.
    method : Crc
        Its method.
    width : int
        Bytes of the message's payload.

    Returns
    -------
    Crc or None
    """
    own = found.positions[0] >> 3
    if method.width != 8 or len(found.positions) != 8 or own not in (0, width - 1):
        return None
    if method.coverage != tuple(i for i in range(width) if i != own):
        return None
    return replace(method, coverage=(0,) if own else (1,))


def crc_of_vehicle(columns: BitColumns, crcs: dict[Crc, int]) -> FoundChecksum | None:
    """The check of one message that a CRC proven in other messages of the vehicle shows, if it does.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.
    crcs : dict of Crc to int
        CRCs proven elsewhere, with the number of messages that each was found in.

    Returns
    -------
    FoundChecksum or None
        The check, or None if none of them fits.
    """
    rows = distinct_payloads(columns.payload)
    width = rows.shape[1]
    if len(rows) < FEWEST_VALUES - 1 or width < 2:
        return None
    few = rows[np.linspace(0, len(rows) - 1, min(len(rows), CRC_ROWS)).astype(np.intp)]
    moved = np.bitwise_or.reduce(rows ^ rows[:1], axis=0)
    for form, shared in sorted(crcs.items(), key=lambda pair: -pair[1]):
        own = width - 1 if form.coverage == (0,) else 0
        if int(moved[own]).bit_count() < 3:
            continue
        method = replace(form, coverage=tuple(i for i in range(width) if i != own))
        constant = the_same(int(row[own]) ^ method.value(row.tobytes()) for row in few)
        if constant is None:
            continue
        if not _says_enough(8, len(few), constant == 0):
            continue
        if constant:
            method = replace(method, xor_out=method.xor_out ^ constant, name="")
        known = int.from_bytes(moved.tobytes(), "little") & ~(0xFF << 8 * own)
        field = tuple(range(8 * own, 8 * own + 8))
        return FoundChecksum(field, method, None, (), 1.0, len(few) - 1, known, shared)
    return None


def the_same(values: Iterable[int]) -> int | None:
    """The number that all of these are; None where two differ, which the first few mostly show."""
    rest = iter(values)
    first = next(rest, None)
    return first if all(value == first for value in rest) else None


def _says_enough(width: int, payloads: int, known: bool) -> bool:
    """Whether so many payloads prove that a message keeps to a check of the vehicle, its constant known or not."""
    return width * payloads >= KNOWN_BITS_NEEDED if known else width * (payloads - 1) >= CRC_BITS_NEEDED


def same_formula(columns: BitColumns, proven: Sequence[tuple[int, FoundChecksum]]) -> FoundChecksum | None:
    """The check of one message that a CRC, sum or XOR of another of its length, at the same place, shows, if it does.

    Whatever bytes a maker leaves out or begins with, he does so in every message of that length; only a constant may be
    the message's own.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.
    proven : sequence of (payload bytes, FoundChecksum)
        Sure checks of other messages, and how long these are.

    Returns
    -------
    FoundChecksum or None
        The check, or None if none of them fits.
    """
    rows = distinct_payloads(columns.payload)
    few = rows[np.linspace(0, len(rows) - 1, min(len(rows), CRC_ROWS)).astype(np.intp)]
    payloads = [row.tobytes() for row in few]
    moved = int.from_bytes(np.bitwise_or.reduce(rows ^ rows[:1], axis=0).tobytes(), "little")
    for size, known in proven:
        method = known.method
        if size != rows.shape[1] or known.counter is not None or not isinstance(method, Affine | Crc | Sum):
            continue
        if isinstance(method, Affine) and not method.name:
            continue  # what bits that stood still do in it is not known
        layout = layout_from_positions(known.positions)
        own = sum(1 << p for p in known.positions)
        check = Checksum(layout, method)
        made = ((layout.unpack(payload), check.compute(payload)) for payload in payloads)
        turns = 1 << method.width if isinstance(method, Sum) else 0
        constant = the_same((value - computed) % turns if turns else value ^ computed for value, computed in made)
        if constant is None or not _says_enough(method.width, len(few), constant == 0):
            continue
        if len({layout.unpack(payload) for payload in payloads}) < FEWEST_VALUES - (constant == 0):
            continue
        if isinstance(method, Sum):
            method = replace(method, constant=(method.constant + constant) % (1 << method.width))
        elif isinstance(method, Affine):
            method = replace(method, constant=method.constant ^ constant)
        elif constant:
            method = replace(method, xor_out=method.xor_out ^ constant, name="")
        return FoundChecksum(known.positions, method, None, (), 1.0, len(few) - 1, moved & ~own, 1)
    return None
