"""Layouts and constant divisions written as C do what `Layout` and whole numbers say."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.layout import Layout
from swapbridge.core.toolchain import STRICT_FLAGS, build
from swapbridge.emit.bits import pack, raw_type, unpack, word_type
from swapbridge.emit.division import MultiplyShift, floor_quotient, is_proved, magnitude_type, multiply_shift
from tests.emit.random_plans import PlanMaker

HEAD = """
#include <inttypes.h>
#include <stdio.h>
#include <stdint.h>
static int64_t bits_to_signed(uint64_t bits) { return (bits >> 63) != 0U ? -(int64_t)(~bits) - 1 : (int64_t)bits; }
static uint64_t multiply_high(uint64_t a, uint64_t b)
{
    const uint64_t al = a & 0xFFFFFFFFU, ah = a >> 32, bl = b & 0xFFFFFFFFU, bh = b >> 32;
    const uint64_t cross = ah * bl + ((al * bl) >> 32);
    return ah * bh + (cross >> 32) + ((al * bh + (cross & 0xFFFFFFFFU)) >> 32);
}
"""


def run_c(text: str, folder: Path) -> list[int]:
    program = build({"t.c": text}, "t", folder, (*STRICT_FLAGS, "-O1", "-fsanitize=undefined"))
    done = subprocess.run([program], capture_output=True, text=True, timeout=60, check=True)
    assert not done.stderr
    return [int(v) for v in done.stdout.split()]


def test_layouts_unpack_and_pack_as_core_does(tmp_path: Path) -> None:
    rng = random.Random(1)
    maker = PlanMaker(rng, fd=True)
    layouts = [
        Layout(0, 64, "little_endian", True),
        Layout(7, 64, "big_endian", True),
        Layout(7, 32, "big_endian", True),
        Layout(5, 7, "little_endian", True),
    ]
    while len(layouts) < 150:
        layout = maker.layout(set(), 64, longest=64)
        if layout is not None:
            layouts.append(layout)
    lines, expected = [], []
    for layout in layouts:
        data = bytearray(rng.randbytes(64))
        raw = rng.choice([*layout.raw_range, layout.unpack(data), 0, rng.randint(*layout.raw_range)])
        cells = ", ".join(map(str, data))
        lines += [
            f"{{ uint8_t data[64] = {{{cells}}};",
            f'const {raw_type(layout)} raw = {unpack(layout, "data")}; printf("%" PRId64 "\\n", (int64_t)raw);',
            f"{{ const {word_type(layout.length)} w = ({word_type(layout.length)})UINT64_C({raw % (1 << 64)});",
            *pack(layout, "data", "w"),
            'for (unsigned i = 0U; i < 64U; i++) { printf("%d\\n", data[i]); } } }',
        ]
        expected.append(layout.unpack(data))
        layout.pack(data, raw)
        expected += data
    text = HEAD + "int main(void) { (void)multiply_high(1U, 1U);\n" + "\n".join(lines) + "\nreturn 0; }\n"
    assert run_c(text, tmp_path) == expected


def test_division_by_multiplying_is_exact_for_every_numerator_of_small_limits() -> None:
    for divisor in range(1, 70):
        for limit in (0, 1, divisor - 1, divisor, 5 * divisor + 3, 999):
            found = multiply_shift(divisor, limit)
            assert found is not None
            assert all((n * found.multiplier) >> found.shift == n // divisor for n in range(limit + 1))


@given(st.integers(1, (1 << 63) - 1), st.integers(0, (1 << 64) - 1), st.integers(0, (1 << 64) - 1))
def test_a_proved_multiplier_divides_right_at_the_edges(divisor: int, limit: int, inside: int) -> None:
    found = multiply_shift(divisor, limit)
    if found is None:
        return
    assert is_proved(divisor, limit, found)
    multiples = [limit // divisor * divisor + d for d in (-1, 0)]
    for n in (0, limit, inside % (limit + 1), *multiples):
        if 0 <= n <= limit:
            assert (n * found.multiplier) >> found.shift == n // divisor


def test_the_proof_refuses_a_multiplier_that_is_wrong_somewhere() -> None:
    # 1/3 as 171 / 2**9 is right up to 383 and wrong at 512: 512 * 171 >> 9 is 171, not 170.
    assert is_proved(3, 383, MultiplyShift(171, 9, 64))
    assert not is_proved(3, 512, MultiplyShift(171, 9, 64))
    assert (512 * 171) >> 9 != 512 // 3


def test_quotients_written_as_c_agree_with_whole_numbers(tmp_path: Path) -> None:
    rng = random.Random(2)
    cases, seen = [], set()
    for bits in (4, 16, 31, 32, 33, 48, 62, 63, 64):
        for divisor in (1, 2, 3, 7, 10, 255, 1000, 3937, 65537, (1 << 31) - 1, (1 << 33) + 1, 10**12 + 39):
            limit = (1 << bits) - 1
            for n in (0, limit, limit // divisor * divisor, rng.randint(0, limit)):
                expression, how = floor_quotient(f"({magnitude_type(limit)})UINT64_C({n})", divisor, limit)
                cases.append((expression, n // divisor))
                seen.add(how)
    assert seen >= {"shift", "multiply", "multiply_high"}
    lines = [f'printf("%" PRIu64 "\\n", (uint64_t){expression});' for expression, _ in cases]
    text = HEAD + "int main(void) { (void)bits_to_signed(1U); (void)multiply_high(1U, 1U);\n"
    assert run_c(text + "\n".join(lines) + "\nreturn 0; }\n", tmp_path) == [q for _, q in cases]
