"""Calibrate how sure fields, counters, checks and multiplexers are: invented vehicles, short and lossy recordings.

    python -m tests.benchmarks.guess_integrity [--vehicles 60] [--seed 1] [--check-seed 2] [--refit] [--claims FILE ...]
    python -m tests.benchmarks.guess_integrity --sets FOLDER ... [--leave-out-each] [--claims FILE ...]

Every vehicle keeps to one checksum formula or to none, and sends counters of all kinds beside what may be taken for
them: totals that wrap, clocks, jitter, copies, pages. `--claims` adds what `guess_planted --claims` kept of vehicles of
every habit, the only ones that fields are weighed on. `--refit` prints new weights for
`swapbridge/guessing/integrity/trust.py`; the reliability table is made on vehicles of another seed, of kept claims on
each third of the vehicles with weights fitted to the rest. `--sets` makes the table on labelled recordings, none of
which goes into the weights; `--leave-out-each` with weights fitted, for each recording, to the invented vehicles and,
for fields, all recordings but that one. It prints the weights fitted to all at the end: fields' are those shipped.
"""

from __future__ import annotations

import argparse
import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.core.integrity import Crc
from swapbridge.core.layout import Layout
from swapbridge.guessing.integrity import trust
from tests.benchmarks.judging import Bits, Claim, claims_of, compare, guess_of, studied
from tests.benchmarks.vehicles import Field

Floats = npt.NDArray[np.float64]
NAMES = {
    "field": trust.FIELD_NAMES,
    "counter": trust.COUNTER_NAMES,
    "checksum": trust.CHECK_NAMES,
    "mux": trust.MUX_NAMES,
}
MORE, LESS, ANY = (0.0, None), (None, 0.0), (None, None)
BOUNDS = {
    "field": (ANY, MORE, MORE, ANY, LESS, LESS, ANY, LESS, LESS, LESS, MORE, LESS),
    "counter": (ANY, MORE, MORE, LESS, LESS, LESS, LESS, LESS, LESS, MORE),
    "checksum": (ANY, MORE, MORE, LESS, LESS, LESS, MORE),
    "mux": (ANY, MORE, LESS, MORE),
}
"""Each number may only push one way: evidence up, doubt down."""
RECORDED_COUNTS = 3
"""What a recording's claim on a field counts against an invented vehicle's, of which there are many more."""
EDGES = (0.0, 0.2, 0.5, 0.8, 0.9, 0.95, 0.98, 1.01)


def vehicle(seed: int) -> tuple[Capture, dict[int, dict[Bits, str]]]:
    """One invented vehicle's recording, and of each identifier the bits of counters, checks and multiplexers."""
    rng = np.random.default_rng(seed)
    formula = str(rng.choice(["none", "nibbles", "bytes", "xor", "crc", "counter"]))
    crc = Crc(8, int(rng.choice([0x1D, 0x2F, 0x07, 0x85])), int(rng.choice([0, 255])), False, 0, ())
    count_bits = int(rng.choice([2, 3, 4, 4, 8]))
    span = (1 << count_bits) - int(rng.random() < 0.3)
    with_identifier, constant = rng.random() < 0.5, int(rng.integers(256))
    seconds, lost = float(rng.choice([4, 8, 20, 40])), float(rng.choice([0, 0, 0, 0.02, 0.3]))
    rows, truth = [], {}
    for identifier in rng.choice(np.arange(0x100, 0x700), 12, replace=False).tolist():
        length = int(rng.integers(2, 9))
        period = float(rng.choice([0.01, 0.02, 0.05, 0.1]))
        n = int(seconds / period)
        payload = np.zeros((n, length), np.uint8)
        mine: dict[Bits, str] = {}
        checked = rng.random() < 0.7 and (formula != "nibbles" or count_bits <= 4)
        reserved = {length - 1} if checked else set()
        free = [b for b in range(length) if b not in reserved]
        if checked:
            count = np.arange(n) % span
            if formula in ("nibbles", "counter") and count_bits <= 4:
                payload[:, -1] |= (count << 4).astype(np.uint8)
                mine[tuple(range(8 * length - 4, 8 * length - 4 + count_bits))] = "counter"
            elif free:
                at = free.pop()
                payload[:, at] = count
                mine[tuple(range(8 * at, 8 * at + count_bits))] = "counter"
        still = rng.random() < 0.4
        while free and not still:
            at = free.pop(0)
            kind = str(rng.choice(["walk", "total", "clock", "jitter", "copy", "flag", "pages", "nothing"]))
            if kind == "walk" and free:
                value = 30_000 + np.cumsum(rng.integers(-60, 61, n)) * int(rng.random() < 0.8 or 1)
                payload[:, at], payload[:, free.pop(0)] = value >> 8, value & 255
            elif kind == "total":
                payload[:, at] = (np.cumsum(rng.normal(rng.uniform(0.1, 6), rng.uniform(0, 0.5), n)) % 256).astype(int)
            elif kind == "clock":
                payload[:, at] = (np.arange(n) * period / 0.1).astype(int) % 60
            elif kind == "jitter":
                payload[:, at] = np.rint(rng.normal(120, rng.uniform(0.5, 4), n)).astype(int) & 255
            elif kind == "copy" and at:
                payload[:, at] = payload[:, 0]
            elif kind == "flag":
                payload[:, at] = (np.repeat(rng.integers(0, 2, n // 40 + 1), 40)[:n] << int(rng.integers(8))).astype(
                    int
                )
            elif kind == "pages" and len(free) >= 2 and not mine.get((8 * at, 8 * at + 1)):
                pages = int(rng.choice([2, 4]))
                select = np.arange(n) % pages
                held = np.cumsum(rng.integers(-1, 2, (n, pages, 2)), axis=0) + rng.integers(20, 230, (pages, 2))
                payload[:, at] = select
                payload[:, [free.pop(0), free.pop(0)]] = held[np.arange(n), select] & 255
                mine[tuple(range(8 * at, 8 * at + pages.bit_length() - 1))] = "mux"
        if checked and formula != "none":
            own = _sealed(payload, formula, crc, (identifier if with_identifier else 0), constant, count_bits)
            mine[own] = "checksum"
        time = np.round((np.arange(n) * period + rng.normal(0, 0.0003, n) + rng.uniform(0, period)) * 1e9).astype(
            np.int64
        )
        kept = rng.random(n) >= lost
        truth[identifier] = mine
        full = np.zeros((n, 8), np.uint8)
        full[:, :length] = payload
        rows.append((time[kept], np.full(kept.sum(), identifier, np.uint32), full[kept], length))
    when = np.concatenate([r[0] for r in rows])
    order = np.argsort(when, kind="stable")
    count_all = len(when)
    capture = Capture(
        when[order] + 10**9,
        np.concatenate([r[1] for r in rows])[order],
        np.zeros(count_all, np.uint8),
        np.zeros(count_all, np.uint8),
        np.concatenate([np.full(len(r[0]), r[3], np.uint8) for r in rows])[order],
        np.concatenate([r[2] for r in rows])[order],
    )
    return capture, truth


def _sealed(
    payload: npt.NDArray[np.uint8], formula: str, crc: Crc, identifier: int, constant: int, count_bits: int
) -> Bits:
    """Write the check into the last byte, or its low nibble, and say where it is."""
    length = payload.shape[1]
    whole = tuple(range(8 * length - 8, 8 * length))
    if formula in ("nibbles", "counter") and count_bits <= 4:
        digits = sum(int(d, 16) for d in f"{identifier:X}")
        total = ((payload & 15).astype(int) + (payload >> 4)).sum(axis=1)
        total = total if formula == "nibbles" else (payload[:, -1] >> 4).astype(int)
        payload[:, -1] |= ((constant - digits - total) % 16).astype(np.uint8)
        return whole[:4]
    if formula == "xor":
        payload[:, -1] = np.bitwise_xor.reduce(payload[:, :-1], axis=1) ^ (identifier & 255) ^ identifier >> 8
    elif formula == "crc":
        method = Crc(8, crc.polynomial, crc.init, False, constant, tuple(range(length - 1)))
        payload[:, -1] = [method.value(row.tobytes()) for row in payload]
    else:
        payload[:, -1] = (payload[:, :-1].sum(axis=1) + (identifier & 255) + (identifier >> 8) + constant) % 256
    return whole


def from_vehicles(seed: int, count: int) -> list[Claim]:
    """Claims on invented vehicles with what is true of them."""
    out = []
    for k in range(count):
        capture, truth = vehicle(1000 * seed + k)
        for identifier, found in studied(capture):
            live = found.columns.live
            seen = {tuple(p for p in bits if live[p]): kind for bits, kind in truth[identifier].items()}
            for kind, bits, features, most in claims_of(found):
                right = seen.get(tuple(p for p in bits if live[p])) == kind
                out.append(Claim(kind, f"vehicle {k}", features, most, right))
    return out


def from_set(folder: Path) -> list[Claim]:
    """Claims on one labelled recording, those outside its labels left out."""
    data = json.loads((folder / "truth.json").read_text())
    truth: dict[int, list[Field]] = {}
    for message in data["messages"]:
        pages = any(s["kind"] == "mux" for s in message["signals"])
        for s in message["signals"]:
            page = s.get("mux_value")
            if s["kind"] == "constant" or s.get("muxed") or (page is not None and not pages):
                continue
            kind = "doubtful" if s.get("doubtful") else s["kind"]
            layout = Layout(s["start_bit"], s["length"], s["byte_order"])
            if max(layout.positions) < 64:
                truth.setdefault(message["id"], []).append(Field(kind, layout, page))
    capture = read_capture(folder / "capture.log.gz")
    judged = compare(capture, truth, guess_of(capture), partial=bool(data.get("caution")))
    return [Claim(kind, folder.name, np.array(features), most, right) for kind, features, most, right in judged.claims]


def from_file(path: Path) -> list[Claim]:
    """Claims that `guess_planted --claims` kept."""
    return [
        Claim(kind, f"{path.name} {source}", np.array(features), most, right)
        for kind, source, features, most, right in json.loads(path.read_text())
    ]


def fitted(claims: list[Claim], kind: str) -> Floats:
    """Logistic weights with a mild pull towards nought, so that what never went wrong stays below certainty."""
    some = [c for c in claims if c.kind == kind]
    x, y = np.array([c.features for c in some]), np.array([c.right for c in some], float)

    def cost(w: Floats) -> float:
        z = x @ w
        return float((np.logaddexp(0, z) - y * z).sum() + 0.5 * (w[1:] ** 2).sum() + 0.01 * w[0] ** 2)

    best: Floats = np.round(minimize(cost, np.zeros(x.shape[1]), method="L-BFGS-B", bounds=BOUNDS[kind]).x, 2)
    return best


def with_recordings(invented: list[Claim], recorded: list[Claim]) -> dict[str, Floats]:
    """Weights from invented vehicles, those of fields from recordings as well, each claim counted so many times."""
    counted = invented + RECORDED_COUNTS * [c for c in recorded if c.kind == "field"]
    return {kind: fitted(counted, kind) for kind in NAMES}


def show(weights: dict[str, Floats]) -> None:
    """Print weights by name, and as `trust.py` has them."""
    for kind, names in NAMES.items():
        print(kind, dict(zip(names, weights[kind].tolist(), strict=True)), weights[kind].tolist())


Weighed = tuple[Claim, dict[str, Floats]]
"""A claim, and the weights that it is to be stated with."""


def held_out(claims: list[Claim]) -> list[Weighed]:
    """Every third of the vehicles, with weights fitted to the other two thirds."""
    sources = sorted({c.source for c in claims})
    out: list[Weighed] = []
    for third in range(3):
        mine = set(sources[third::3])
        weights = {kind: fitted([c for c in claims if c.source not in mine], kind) for kind in NAMES}
        out += [(c, weights) for c in claims if c.source in mine]
    return out


def tables(claims: list[Weighed], title: str) -> None:
    """Reliability of fields, and of counters, checks and multiplexers together."""
    table([c for c in claims if c[0].kind == "field"], f"{title}: fields")
    table([c for c in claims if c[0].kind != "field"], f"{title}: counters, checks, multiplexers")


def table(claims: list[Weighed], title: str) -> None:
    """Reliability: what was stated, what was right."""
    stated = np.array([trust.trust_probability(c.kind, c.features, weights, c.most) for c, weights in claims])
    right = np.array([c.right for c, _ in claims], bool)
    print(f"\n{title}: {len(claims)} claims, {right.sum()} right")
    print("| stated | claims | mean stated | right |\n| --- | --- | --- | --- |")
    for low, high in pairwise(EDGES):
        here = (stated >= low) & (stated < high)
        if here.any():
            numbers = f"{here.sum()} | {stated[here].mean():.3f} | {right[here].mean():.3f}"
            print(f"| {low:.2f} to {min(high, 1):.2f} | {numbers} |")
    sure = stated >= 0.95
    share = right[sure].mean() if sure.any() else 1
    print(f"sure (0.95 and up): {sure.sum()}, right {share:.3f}; of the right ones so sure {sure[right].mean():.3f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--vehicles", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--check-seed", type=int, default=2)
    parser.add_argument("--refit", action="store_true")
    parser.add_argument("--claims", nargs="*", type=Path, default=[])
    parser.add_argument("--sets", nargs="*", type=Path, metavar="FOLDER", default=[])
    parser.add_argument("--leave-out-each", action="store_true")
    args = parser.parse_args()
    weights = trust.WEIGHTS
    kept = [claim for path in args.claims for claim in from_file(path)]
    invented = (from_vehicles(args.seed, args.vehicles) if args.vehicles else []) + kept
    if args.refit:
        weights = {kind: fitted(invented, kind) for kind in NAMES}
        show(weights)
    if kept:
        tables(held_out(invented), "invented vehicles, each third weighed without itself")
    if not args.sets:
        if args.vehicles:
            claims = from_vehicles(args.check_seed, args.vehicles)
            table([(c, weights) for c in claims], f"invented vehicles, seed {args.check_seed}")
        return
    found = (p.parent for folder in args.sets for p in folder.rglob("truth.json"))
    folders = sorted(folder for folder in found if (folder / "capture.log.gz").exists())
    claims = [c for folder in folders for c in from_set(folder)]
    tables([(c, weights) for c in claims], "labelled recordings, weights from invented vehicles alone")
    if args.leave_out_each:
        left_out = []
        for folder in folders:
            own_weights = with_recordings(invented, [c for c in claims if c.source != folder.name])
            left_out += [(c, own_weights) for c in claims if c.source == folder.name]
        tables(left_out, "labelled recordings, weights from invented vehicles and all other recordings")
        show(with_recordings(invented, claims))


if __name__ == "__main__":
    main()
