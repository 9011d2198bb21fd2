"""What a guess of one recording is worth: fields by the bits of them that change, and every claim with its numbers.

The rules are those of a fair judge: only what the recording lets anyone see counts, and what changes fewer than six
times is left out on both sides.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import bit_columns_of
from swapbridge.guessing.integrity import trust
from swapbridge.guessing.integrity.integrity_fields import counter_doubts
from swapbridge.guessing.integrity.vehicle_formulas import vehicle_checks
from swapbridge.guessing.layout.orders import vehicle_order
from swapbridge.guessing.layout.study import (
    Study,
    fields_of_study,
    one_length,
    paged_bits,
    study,
    surest,
)
from swapbridge.guessing.layout.vehicle_studies import with_vehicle_formulas
from swapbridge.signalmap.findings import FoundField
from tests.benchmarks.vehicles import Field

Floats = npt.NDArray[np.float64]
Bits = tuple[int, ...]
FEW = 6
EXACT = ("counter", "checksum", "mux")


class Guessed(NamedTuple):
    """One field of a guess."""

    kind: str
    layout: Layout
    page: int | None
    confidence: float
    words: str
    features: npt.NDArray[np.float64] | None = None
    most: float = trust.MOST
    method: dict[str, Any] | None = None


@dataclass
class Comparison:
    """What a guess of one vehicle is worth."""

    found: Tally[str] = field(default_factory=Tally)
    of: Tally[str] = field(default_factory=Tally)
    false: Tally[str] = field(default_factory=Tally)
    right: int = 0
    guessed: int = 0
    stated: list[tuple[str, float, bool]] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    claims: list[tuple[str, list[float], float, bool]] = field(default_factory=list)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        recall = sum(self.found.values()) / max(1, sum(self.of.values()))
        precision = self.right / max(1, self.guessed)
        return 2 * precision * recall / (precision + recall) if precision + recall else 0.0


def _raw(bits: npt.NDArray[np.uint8], layout: Layout) -> npt.NDArray[np.int64]:
    out = np.zeros(len(bits), np.int64)
    for weight, p in enumerate(layout.positions):
        out |= bits[:, p].astype(np.int64) << min(weight, 62)
    return out


def words_of(layout: Layout) -> str:
    """A layout in brief."""
    return f"{layout.start}|{layout.length}@{layout.byte_order[0]}"


def compare(
    capture: Capture, truth: dict[int, list[Field]], guessed: dict[int, list[Guessed]], *, partial: bool = False
) -> Comparison:
    """Score one guess: fields by the bits of them that change, in the frames that they stand in.

    `partial` says that the truth covers part of the traffic: what touches none of it is left out, and so is what
    touches a field that the recording itself speaks against (its kind is "doubtful").
    """
    told = Comparison()
    for key, rows in capture.groups():
        fields = truth.get(key.identifier, [])
        if len(rows) < 20 or not fields:
            continue
        bits = np.unpackbits(capture.payload[rows], axis=1, bitorder="little")
        everywhere = np.ones(len(bits), bool)
        mux = next((f for f in fields if f.kind == "mux"), None)
        select = _raw(bits, mux.layout) if mux is not None else None

        def seen(layout: Layout, mask: npt.NDArray[np.bool_], bits: npt.NDArray[np.uint8] = bits) -> tuple[Any, int]:
            part = bits[mask]
            if len(part) < 2:
                return (), 0
            own = part[:, list(layout.positions)]
            active = tuple(p for p, a in zip(layout.positions, (own != own[:1]).any(axis=0), strict=True) if a)
            return active, int((own[1:] != own[:-1]).any(axis=1).sum())

        doubtful = {p for f in fields if f.kind == "doubtful" for p in f.layout.positions}
        fields = [f for f in fields if f.kind != "doubtful"]
        wanted: dict[tuple[Any, bytes], Field] = {}
        quiet: list[tuple[set[int], npt.NDArray[np.bool_]]] = []
        masks = [everywhere]
        for f in fields:
            mask = everywhere if f.page is None or select is None else select == f.page
            active, changes = seen(f.layout, mask)
            masks.append(mask)
            if active and changes < FEW and f.kind not in EXACT:
                quiet.append((set(active), mask))
            elif active:
                wanted[active, mask.tobytes()] = f
        mine = guessed.get(key.identifier, [])
        own_mux = next((g for g in mine if g.kind == "mux"), None)
        own_select = _raw(bits, own_mux.layout) if own_mux is not None else None
        got: dict[tuple[Any, bytes], Guessed] = {}
        name = f"{key.identifier:X}"
        for g in mine:
            mask = everywhere if g.page is None or own_select is None else own_select == g.page
            for true in masks:
                if (mask ^ true).sum() <= 0.01 * max(1, int(true.sum())):
                    mask = true
                    break
            active, changes = seen(g.layout, mask)
            if not active or g.kind == "constant":
                continue
            if set(active) <= set().union(*(q for q, qm in quiet if (mask & qm).any())):
                continue
            covered = {p for a, _ in wanted for p in a}
            if (partial and not covered.intersection(active)) or doubtful.intersection(active):
                continue
            hit = wanted.get((active, mask.tobytes()))
            exact = g.kind in EXACT
            good = hit is not None and (not (exact or hit.kind in EXACT) or hit.kind == g.kind)
            told.guessed += 1
            told.right += hit is not None
            told.stated.append((g.kind if exact else "field", g.confidence, good if exact else hit is not None))
            got[active, mask.tobytes()] = g
            if g.features is not None:
                told.claims.append((told.stated[-1][0], g.features.tolist(), g.most, told.stated[-1][2]))
            if exact and not good:
                told.false[g.kind] += 1
                told.lines.append(
                    f"FALSE {g.kind} {name} {words_of(g.layout)} {g.confidence:.3f} {g.words};"
                    f" is {_overlapping(fields, g.layout)}; {len(bits)} frames, {changes} changes"
                )
            elif g.confidence >= 0.95 and hit is None:
                told.lines.append(
                    f"WRONG {g.kind} {name} {words_of(g.layout)} {g.confidence:.3f};"
                    f" is {_overlapping(fields, g.layout)}; {len(bits)} frames, {changes} changes"
                )
        for at, f in wanted.items():
            told.of[f.kind] += 1
            found = got.get(at)
            if found is not None and (f.kind not in EXACT or found.kind == f.kind):
                told.found[f.kind] += 1
                continue
            near = [
                f"{g.kind} {words_of(g.layout)}" + (f" when {g.page}" if g.page is not None else "")
                for g in mine
                if set(g.layout.positions) & set(f.layout.positions)
            ]
            mask = everywhere if f.page is None or select is None else select == f.page
            _, changes = seen(f.layout, mask)
            page = f" when {f.page}" if f.page is not None else ""
            told.lines.append(
                f"MISS {f.kind} {name} {words_of(f.layout)}{page}; got {', '.join(near) or 'nothing'};"
                f" {int(mask.sum())} frames, {changes} changes"
            )
    return told


def _overlapping(fields: list[Field], layout: Layout) -> str:
    own = set(layout.positions)
    found = [f"{f.kind} {words_of(f.layout)}" for f in fields if own & set(f.layout.positions)]
    return ", ".join(found[:6]) or "nothing"


def guess_of(capture: Capture) -> dict[int, list[Guessed]]:
    """The layouts that are found, by identifier, with what makes each as sure as it is."""
    studies = list(studied(capture))
    prices = vehicle_order([s.parts for _, s in studies])
    out: dict[int, list[Guessed]] = {}
    for identifier, found in studies:
        exact = {(kind, bits): (features, most) for kind, bits, features, most in claims_of(found)}
        fields = fields_of_study(found, prices)
        for f in fields:
            page = None if f.mux is None else f.mux[1]
            words = "" if f.method is None else " ".join(f"{k}={v}" for k, v in f.evidence.items())
            features: Floats | None
            features, most = exact.get((f.kind, f.layout.positions), (None, trust.MOST))
            if "share_of_cuts" in f.evidence:
                features = trust.field_features(standing_of(f))
                most = surest(f, fields)
            out.setdefault(identifier, []).append(
                Guessed(f.kind, f.layout, page, f.layout_confidence, words, features, most, f.method)
            )
    return out


def standing_of(found: FoundField) -> trust.Standing:
    """What speaks for a plain field, from its evidence."""
    e = found.evidence
    low, states = found.layout.positions[0] & 7, found.kind in ("flag", "enum")
    length = found.layout.length
    return trust.Standing(
        e["share_of_cuts"], e["changes"], length, low, states, e["touches"], e["moves_with"], found.mux is not None
    )


class Claim(NamedTuple):
    """One claim: what kind, of which recording, its features, the most it may be stated at, whether it is right."""

    kind: str
    source: str
    features: Floats
    most: float
    right: bool


def studied(capture: Capture) -> Iterator[tuple[int, Study]]:
    """Every identifier with the study that `guess` makes of it."""
    keys, columns = [], []
    for key, rows in capture.groups():
        keys.append(key.identifier)
        columns.append(bit_columns_of(capture, key, rows))
    given = vehicle_checks([one_length(c) for c in columns])
    yield from zip(keys, with_vehicle_formulas([study(c, g) for c, g in zip(columns, given, strict=True)]), strict=True)


def claims_of(found: Study) -> Iterator[tuple[str, Bits, Floats, float]]:
    """Kind, bits and features of every claim of one identifier's study, and the most that it may be stated at."""
    mux = found.mux
    for check in found.checksums:
        yield "checksum", check.positions, trust.check_features(check), trust.check_ceiling(check)
    for part in (p for p in found.parts if p.mux_value is None):
        columns = found.columns if part.longer is None else part.longer
        doubts = counter_doubts(part.counters, found.checksums, columns, paged_bits(mux))
        for counter, (alike, *_) in zip(part.counters, doubts, strict=True):
            features = trust.counter_features(counter, alike is not None)
            yield "counter", counter.positions, features, trust.counter_ceiling(alike)
    if mux is not None:
        features = trust.mux_features(len(mux.values), len(mux.positions), mux.gain_bits)
        yield "mux", mux.positions, features, trust.mux_ceiling(mux.by_habit)
