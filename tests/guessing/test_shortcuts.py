"""Looks that spare guessing a search, each beside the slow and obvious way: what they rule out is never there."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.capture.capture import payloads_at
from swapbridge.core.integrity import FieldSum, Term
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding import bit_columns, candidates
from swapbridge.guessing.coding.history_costs import BIG, LITTLE, LONGEST
from swapbridge.guessing.integrity import counters, few_rows, folded, sums
from swapbridge.guessing.layout import multiplex

Ints = npt.NDArray[np.int64]
SEEDS = st.integers(0, 2**32 - 1)


def rows_of(rng: np.random.Generator, rows: int, width: int) -> npt.NDArray[np.uint8]:
    """Payloads in which some bytes are noise, some walk, some hold a flag high up, some stand still or go together."""

    def column() -> Ints:
        kinds = (
            rng.integers(0, 256, rows),
            90 + np.cumsum(rng.integers(-2, 3, rows)),
            (rng.random(rows) < 0.3) * 32,
            np.full(rows, 7),
        )
        return kinds[rng.integers(len(kinds))]

    columns = [column() for _ in range(width)]
    if width > 2 and rng.random() < 0.3:
        columns[2] = columns[1] + 2
    return np.stack(columns, axis=1).astype(np.uint8)


def weights_one_by_one(units: Ints, target: Ints, modulus: int) -> list[int] | None:
    """Weights by elimination in the ring, number by number."""
    moving = [k for k in range(units.shape[1]) if len(set(units[:, k].tolist())) > 1]
    shifts = []
    for k in moving:
        together = 0
        for value in units[:, k].tolist():
            together |= value - int(units[0, k])
        shifts.append((together & -together).bit_length() - 1)
    system = [
        [1, *((int(row[k]) - int(units[0, k]) >> shift) % modulus for k, shift in zip(moving, shifts, strict=True)), t]
        for row, t in zip(units, target.tolist(), strict=True)
    ]
    columns = len(moving) + 1
    if len(units) < 2 * columns + 16:
        return None
    for at in range(columns):
        odd = next((k for k in range(at, len(system)) if system[k][at] & 1), None)
        if odd is None:
            return None
        system[at], system[odd] = system[odd], system[at]
        inverse = pow(system[at][at], -1, modulus)
        system[at] = [v * inverse % modulus for v in system[at]]
        for k in range(len(system)):
            if k != at and system[k][at]:
                by = system[k][at]
                system[k] = [(v - by * p) % modulus for v, p in zip(system[k], system[at], strict=True)]
    if any(row[-1] % modulus for row in system[columns:]):
        return None
    out = [0] * (units.shape[1] + 1)
    constant = system[0][-1]
    for k, shift, row in zip(moving, shifts, system[1:columns], strict=True):
        if row[-1] & ((1 << shift) - 1):
            return None
        out[k] = row[-1] >> shift
        constant -= out[k] * int(units[0, k])
    out[-1] = constant % modulus
    return out


@given(SEEDS, st.integers(2, 6), st.integers(3, 8), st.sampled_from(["weighed", "once wrong", "noise"]))
def test_weights_are_those_of_an_elimination_number_by_number(seed: int, width: int, bits: int, kind: str) -> None:
    rng = np.random.default_rng(seed)
    modulus = 1 << bits
    units = rows_of(rng, 48, width).astype(np.int64)
    target = (units @ rng.integers(0, 9, width) + 5) % modulus
    if kind == "noise":
        target = rng.integers(0, modulus, len(units))
    elif kind == "once wrong":
        target[rng.integers(len(units))] ^= int(rng.integers(1, modulus))
    got = folded._weights(units, target, modulus)
    assert (None if got is None else got.tolist()) == weights_one_by_one(units, target, modulus)


def gathered_start_by_start(some: Ints, wanted: Ints, width: int) -> list[tuple[int, int, int]]:
    """Start, factor and constant of each sum whose digits, gathered in one byte, give the check."""
    found = []
    for factor, constant in folded.DIGIT_SIGNS:
        right = []
        for start in range(256):
            count = 0
            for row, check in zip(some.tolist(), wanted.tolist(), strict=True):
                byte, digits = (sum(row) + start) % 256, 0
                while byte:
                    digits, byte = digits + byte % (1 << width), byte >> width
                count += (factor * digits + constant) % (1 << width) == check
            right.append(count)
        needed = len(some) - 1 - len(some) // 100
        if width != 4 or (factor, constant) != (-1, 0):  # of two digits the complement, from another start, is the same
            found += [(start, factor, constant) for start, count in enumerate(right) if count >= needed]
    return found


@given(SEEDS, st.integers(2, 4), st.sampled_from(folded.DIGIT_SIGNS), st.integers(0, 255), st.integers(0, 3))
def test_sums_of_digits_are_those_found_start_by_start(
    seed: int, width: int, sign: tuple[int, int], start: int, wrong: int
) -> None:
    rng = np.random.default_rng(seed)
    some = rows_of(rng, 40, 4).astype(np.int64)
    terms = tuple(Term(Layout(8 * k, 8)) for k in range(some.shape[1]))
    method = FieldSum(width, terms, start, 8, width, 1, None, *sign)
    wanted = np.array([method.value(row.tobytes()) for row in some.astype(np.uint8)], np.int64)
    for row in rng.choice(len(some), wrong, replace=False):
        wanted[row] ^= 1
    got = [
        (m.start, m.factor, m.constant) for m in folded._forms(some, wanted, width, 8) if m.register and m.folds == 1
    ]
    assert got == gathered_start_by_start(some, wanted, width)


@given(SEEDS, st.integers(2, 8), st.integers(3, 8), st.sampled_from([8, 4, 1]), st.sampled_from([1, -1]))
def test_no_rest_is_commoner_than_its_parity(seed: int, width: int, bits: int, unit_bits: int, factor: int) -> None:
    rng = np.random.default_rng(seed)
    rows = rows_of(rng, 60, width)
    coverages = list(sums._coverages(width, (width - 1,), None))
    target = sums.unit_totals(rows, coverages[-1], unit_bits) * factor + rng.integers(0, 9)
    target[: rng.integers(0, 60)] += 1
    target %= 1 << bits
    bound = sums._even_or_odd(rows, target, coverages, unit_bits)
    for coverage, most in zip(coverages, bound.tolist(), strict=True):
        rest = (target - factor * sums.unit_totals(rows, coverage, unit_bits)) % (1 << bits)
        assert np.bincount(rest).max() <= most
        assert most == max(np.bincount(rest % 2, minlength=2))


@given(SEEDS, st.integers(2, 80), st.sampled_from(["noise", "counts", "rests"]))
def test_neighbours_alike_are_counted_for_every_length_at_once(seed: int, count: int, kind: str) -> None:
    rng = np.random.default_rng(seed)
    made = {"noise": rng.integers(0, 1 << 16, count), "counts": 37 * np.arange(count), "rests": np.arange(count) // 9}
    step = np.diff(made[kind].astype(np.int64))
    alike = counters._alike_by_length(step)
    for length in range(counters.WIDEST + 1):
        short = step % (1 << length)
        assert alike[length] == np.count_nonzero(short[1:] == short[:-1])


class EveryLength(counters._CounterSteps):
    """A run of bits in which no length is ruled out beforehand."""

    def may_step_alike(self, length: int, by_clock: bool) -> bool:
        return True


@given(SEEDS, st.integers(9, 400), st.integers(2, 9), st.integers(1, 3), st.sampled_from([0.0, 0.01, 0.05, 0.3]))
def test_no_counter_is_lost_to_the_look_at_neighbours(seed: int, count: int, length: int, by: int, lost: float) -> None:
    rng = np.random.default_rng(seed)
    place = by * np.arange(2 * count)
    kept = np.flatnonzero(rng.random(len(place)) >= lost)[:count]
    word = (place[kept] + (rng.random(len(kept)) < lost / 10)) % (1 << length)
    frames = np.diff(kept)
    old, new = word[:-1], word[1:]
    seen = np.bincount(word, minlength=1 << length) > 0
    for whole in (False, True):
        looked = counters._as_counter(counters._CounterSteps(old, new, frames), length, whole, seen)
        assert looked == counters._as_counter(EveryLength(old, new, frames), length, whole, seen)


@given(SEEDS, st.integers(2, 300), st.integers(1, 9), st.integers(1, 8))
def test_flips_between_frames_of_one_selector_value_are_those_counted_frame_by_frame(
    seed: int, count: int, width: int, bits: int
) -> None:
    rng = np.random.default_rng(seed)
    payload, value = rows_of(rng, count, width), rng.integers(0, 1 << bits, count).astype(np.uint8)
    last: dict[int, list[int]] = {}
    flips, steps = [0] * (8 * width), 0
    for row, selected in zip(payload.tolist(), value.tolist(), strict=True):
        if selected in last:
            steps += 1
            for bit in range(8 * width):
                flips[bit] += (row[bit >> 3] ^ last[selected][bit >> 3]) >> (bit & 7) & 1
        last[selected] = row
    got, counted = multiplex._grouped_flips(payload, value)
    assert (got.tolist(), counted) == (flips, steps)


@given(SEEDS, st.integers(1, 3))
def test_noisy_tails_are_those_taken_off_candidate_by_candidate(seed: int, width: int) -> None:
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, 256, (200, width)).astype(np.uint8)
    pairs = bit_columns.Pairs(rows[:-1], rows[:-1], rows[1:], np.ones(len(rows) - 1))
    size = 8 * width
    costs = np.where(rng.random((2, size, LONGEST)) < 0.8, rng.uniform(0, 900, (2, size, LONGEST)), np.inf)
    alive = rng.random(size) < 0.9
    flips = np.unpackbits(rows[:-1] ^ rows[1:], axis=1, bitorder="little").sum(axis=0)
    noisy = (flips >= candidates.noisy_flips(pairs.steps)) & alive
    expected = costs.copy()
    for order, walk in enumerate(candidates._walks(size)):
        for length in range(1, LONGEST):
            for low in range(size - 1):
                if noisy[walk[low]] and noisy[walk[low + 1]] and costs[order, low, length] < np.inf:
                    without = expected[order, low + 1, length - 1] + min(costs[LITTLE, walk[low], 0], pairs.steps)
                    expected[order, low, length] = min(costs[order, low, length], without)
    candidates._allow_noisy_tails(costs, pairs, alive)
    assert (costs == expected).all()


@given(SEEDS, st.sampled_from([8, 12, 16]), st.integers(3, 8), st.integers(0, 200))
def test_crcs_of_the_catalogue_that_few_rows_leave_are_those_tried_one_by_one(
    seed: int, width: int, length: int, right: int
) -> None:
    rng = np.random.default_rng(seed)
    methods, tables = few_rows._tables(width, tuple(range(length - 2)), length)
    moved = rng.integers(0, 2, (8 * length, few_rows.REFUTING)).T.astype(np.uint8)
    target = (moved @ tables[right % len(methods)]) & 1
    left = ((moved @ tables) & 1 == target).all(axis=(1, 2)).tolist()
    assert left[right % len(methods)]
    for method, table, stays in zip(methods, tables, left, strict=True):
        one = few_rows._parts(method, length)
        assert (table == one).all()
        assert stays == bool((((moved @ one) & 1) == target).all())


@given(
    st.dictionaries(
        st.tuples(st.integers(0, 1), st.integers(0, 23), st.integers(0, 23)).filter(
            lambda k: k[1] <= k[2] if k[0] == LITTLE else k[2] < k[1] and k[1] >> 3 != k[2] >> 3
        ),
        st.floats(0, 100),
    )
)
def test_candidates_stand_in_their_arrays_as_one_by_one(found: dict[tuple[int, int, int], float]) -> None:
    """What lies in one byte stands under both orders, one after the other."""
    rows = []
    for (order, low, high), cost in sorted(found.items(), key=lambda one: (*one[0][:2], abs(one[0][2] - one[0][1]))):
        bits = range(low, high + 1) if order == LITTLE else [(p & ~7) + 7 - (p & 7) for p in range(low, high - 1, -1)]
        rows.append((order, tuple(bits), cost))
        if order == LITTLE and low >> 3 == high >> 3:
            rows.append((BIG, tuple(bits), cost))
    size = 24
    costs = np.full((2, size, LONGEST), np.inf)
    for (order, low, high), cost in found.items():
        costs[order, low if order == LITTLE else size - 1 - low, abs(high - low)] = cost
    candidates._mirror(costs)
    made = candidates._as_arrays(costs)
    got = [(int(made.order[k]), made.positions(k), float(made.cost[k])) for k in range(len(made.cost))]
    assert got == rows


@given(SEEDS, st.integers(0, 60), st.integers(1, 9))
def test_bits_and_distinct_payloads_are_those_counted_one_by_one(seed: int, rows: int, width: int) -> None:
    payload = rows_of(np.random.default_rng(seed), rows, width) if rows else np.zeros((0, width), np.uint8)
    wanted = [sum(int(row[bit >> 3]) >> (bit & 7) & 1 for row in payload) for bit in range(8 * width)]
    assert bit_columns.count_bits(payload).tolist() == wanted
    apart = sorted({bytes(row) for row in payload})
    assert [bytes(row) for row in bit_columns.distinct_payloads(payload)] == apart


@given(SEEDS, st.integers(0, 17), st.integers(0, 20))
def test_bits_are_folded_by_words_as_by_rows(seed: int, width: int, rows: int) -> None:
    payload = rows_of(np.random.default_rng(seed), rows, width) if width else np.zeros((rows, 0), np.uint8)
    always, ever = bit_columns.set_always_and_ever(payload)
    assert always.tolist() == np.bitwise_and.reduce(payload, axis=0).tolist()
    assert ever.tolist() == np.bitwise_or.reduce(payload, axis=0).tolist()


@given(SEEDS, st.integers(1, 12), st.integers(1, 60))
def test_payloads_come_first_where_a_walk_meets_them_first(seed: int, width: int, rows: int) -> None:
    payload = rows_of(np.random.default_rng(seed), rows, width) & np.uint8(3)
    first = {row.tobytes(): at for at, row in reversed(list(enumerate(payload)))}
    assert bit_columns.first_of_each(payload).tolist() == sorted(first.values())


@given(SEEDS, st.integers(0, 12), st.integers(1, 60))
def test_payloads_are_chosen_as_numpy_does(seed: int, width: int, rows: int) -> None:
    rng = np.random.default_rng(seed)
    payload = rng.integers(0, 256, (rows, 16)).astype(np.uint8)[:, :width]
    for chosen in (rng.random(rows) < 0.5, rng.integers(0, rows, 9), slice(1, None, 2)):
        assert np.array_equal(payloads_at(payload, chosen), payload[chosen])
