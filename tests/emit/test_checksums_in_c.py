"""Checksums written as C compute what `core.integrity` computes, and what the public CRC catalogue says."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest

from swapbridge.core.integrity import Affine, Checksum, Crc, FieldSum, Sum
from swapbridge.core.layout import Layout, SplitLayout
from swapbridge.core.toolchain import STRICT_FLAGS, build
from swapbridge.emit.bits import word_type
from swapbridge.emit.checksum_functions import checksum_function
from swapbridge.emit.const_tables import ConstTables
from tests.emit.random_plans import PlanMaker


def compute_in_c(cases: list[tuple[Checksum, list[bytes]]], folder: Path) -> list[int]:
    tables = ConstTables()
    functions, lines = [], []
    for k, (checksum, payloads) in enumerate(cases):
        functions.append(checksum_function(f"sum_{k}", checksum, len(payloads[0]), tables))
        for payload in payloads:
            lines.append(f"{{ static const uint8_t data[] = {{{', '.join(map(str, payload))}}};")
            lines.append(f'printf("%" PRIu64 "\\n", (uint64_t)sum_{k}(data)); }}')
    head = "#include <inttypes.h>\n#include <stdint.h>\n#include <stdio.h>\n"
    text = "\n".join([head, tables.text(), *functions, "int main(void) {", *lines, "return 0; }", ""])
    program = build({"t.c": text}, "t", folder, (*STRICT_FLAGS, "-O1", "-fsanitize=address,undefined"))
    done = subprocess.run([program], capture_output=True, text=True, timeout=60, check=True)
    return [int(v) for v in done.stdout.split()]


def test_random_methods(tmp_path: Path) -> None:
    rng = random.Random(3)
    maker = PlanMaker(rng, fd=True)
    cases: list[tuple[Checksum, list[bytes]]] = []
    while len(cases) < 90:
        size = rng.choice((2, 5, 8, 8, 8, 64))
        taken: set[int] = set()
        counter = maker.layout(taken, size, longest=4, signed=False)
        checksum = maker.checksum(taken, size, counter)
        if checksum is not None:
            cases.append((checksum, [bytes(size), b"\xff" * size, *(rng.randbytes(size) for _ in range(4))]))
    kinds = {type(c.method) for c, _ in cases}
    assert kinds == {Crc, Sum, FieldSum, Affine}
    assert any(isinstance(c.layout, SplitLayout) for c, _ in cases)
    assert any(c.by_counter for c, _ in cases)
    assert compute_in_c(cases, tmp_path) == [c.compute(p) for c, payloads in cases for p in payloads]


# Check values of the public CRC catalogue for "123456789" (from memory; `crccheck` computes the same, see below).
CATALOGUE = {
    "Crc8SaeJ1850": (8, 0x1D, 0xFF, False, 0xFF, 0x4B),
    "Crc8Autosar": (8, 0x2F, 0xFF, False, 0xFF, 0xDF),
    "Crc15": (15, 0x4599, 0, False, 0, 0x059E),
    "Crc16Ibm3740": (16, 0x1021, 0xFFFF, False, 0, 0x29B1),
    "Crc16Arc": (16, 0x8005, 0, True, 0, 0xBB3D),
    "Crc32": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
    "Crc64Xz": (64, 0x42F0E1EBA9EA3693, (1 << 64) - 1, True, (1 << 64) - 1, 0x995DC9BBDF1939FA),
    "Crc3Gsm": (3, 0x3, 0, False, 0x7, 0x4),
}


def test_catalogue_check_values(tmp_path: Path) -> None:
    crccheck = pytest.importorskip("crccheck.crc")
    payload = b"123456789" + bytes(8)
    cases = [
        (Checksum(Layout(72, width), Crc(width, polynomial, init, reflect, final, tuple(range(9)))), [payload])
        for width, polynomial, init, reflect, final, _ in CATALOGUE.values()
    ]
    assert compute_in_c(cases, tmp_path) == [row[-1] for row in CATALOGUE.values()]
    for name, row in CATALOGUE.items():
        assert getattr(crccheck, name).calc(b"123456789") == row[-1], name


def test_the_types_are_as_wide_as_the_method() -> None:
    text = checksum_function("sum", Checksum(Layout(0, 40), Sum(40, (5, 6))), 8, ConstTables())
    assert f"static {word_type(40)} sum(" in text
    assert word_type(40) == "uint64_t"
