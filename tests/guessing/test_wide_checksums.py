"""Checksums of two bytes: found as one field, named where they have a name, and not made out of two of one byte."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.core.integrity import Checksum, Crc, Method, Sum, checksum_from_dict
from swapbridge.core.layout import Layout
from swapbridge.guessing.findings_report import found_method
from swapbridge.guessing.integrity_only import find_integrity
from swapbridge.signalmap.findings import FoundField

N = 900
REST = (2, 3, 4, 5, 6, 7)
LITTLE, BIG = Layout(0, 16), Layout(7, 16, "big_endian")
Bytes = npt.NDArray[np.uint8]


def traffic(seed: int) -> Bytes:
    """Bytes 0 and 1 empty, a counter, a walk of 16 bits, a slow field, a flag and a wave behind them."""
    rng = np.random.default_rng(seed)
    payload = np.zeros((N, 8), np.uint8)
    walk = 30_000 + np.cumsum(rng.integers(-120, 121, N))
    payload[:, 2] = np.arange(N) % 16 + 0x30
    payload[:, 3], payload[:, 4] = walk >> 8 & 0xFF, walk & 0xFF
    payload[:, 5] = 90 + np.cumsum(rng.random(N) < 0.02)
    payload[:, 6] = np.repeat(rng.integers(0, 2, N // 30 + 1), 30)[:N] * 4 + 0x50
    payload[:, 7] = 128 + np.rint(60 * np.sin(np.arange(N) / 25))
    return payload


def sealed(payload: Bytes, *checks: Checksum) -> Bytes:
    out = payload.copy()
    for i, row in enumerate(payload):
        one = bytearray(row.tobytes())
        for check in checks:
            check.insert(one)
        out[i] = np.frombuffer(bytes(one), np.uint8)
    return out


def checksums_of(payload: Bytes) -> list[FoundField]:
    n, width = payload.shape
    found = find_integrity(payload, np.arange(n) * 10_000_000, np.full(n, width, np.uint8), identifier=0x1A0)
    return [f for f in found if f.kind == "checksum"]


CASES: list[tuple[str, Method, Layout, str]] = [
    ("big endian", Crc(16, 0x1021, 0xFFFF, False, 0, REST), BIG, "CRC-16/IBM-3740"),
    ("reflected", Crc(16, 0x8005, 0, True, 0, REST), LITTLE, "CRC-16/ARC"),
    ("reflected, big endian", Crc(16, 0x1021, 0, True, 0, REST), BIG, "CRC-16/KERMIT"),
    ("backwards", Crc(16, 0x1021, 0, False, 0, REST[::-1]), LITTLE, "CRC-16/XMODEM"),
    ("in no catalogue", Crc(16, 0x5935, 0x1234, False, 0x77, REST), LITTLE, ""),
    ("E2E profile 5", Crc(16, 0x1021, 0xFFFF, False, 0, REST, after=b"\x34\x12"), LITTLE, ""),
    ("of a part", Crc(16, 0x1021, 0xFFFF, False, 0, (4, 5, 6, 7)), LITTLE, "CRC-16/IBM-3740"),
    ("round from the middle", Crc(16, 0x1021, 0, False, 0, (5, 6, 7, 2, 3, 4)), BIG, "CRC-16/XMODEM"),
    ("sum", Sum(16, REST), BIG, ""),
    ("sum with a constant", Sum(16, REST, 8, 1, 0x1A0), LITTLE, ""),
    ("sum counted down", Sum(16, REST, 8, -1, -1), BIG, ""),
]


@pytest.mark.parametrize(("method", "layout", "name"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_two_bytes_are_one_checksum_that_can_be_computed_again(method: Method, layout: Layout, name: str) -> None:
    (field,) = checksums_of(sealed(traffic(3), Checksum(layout, method)))
    assert field.layout == layout
    assert field.method is not None
    again = checksum_from_dict(field.method)
    assert isinstance(again.method, type(method))
    assert getattr(again.method, "name", "") == name
    assert again.verified_bits is not None
    assert again.verified_bits & 0xFFFF == 0  # its own bits are no inputs
    assert again.verified_bits >> 32 & 0xFF  # the low byte of the walk
    assert found_method(field)
    fresh = sealed(traffic(77), Checksum(layout, method))  # frames that it was not found on
    assert all(again.holds(row.tobytes()) for row in fresh)


def test_profile_5_agrees_with_the_published_example() -> None:
    # AUTOSAR E2E protocol specification, profile 5: data ID 0x1234, counter 0, eight bytes, data of zeros: 1C CA 00 ...
    # (from memory)
    check = Checksum(LITTLE, Crc(16, 0x1021, 0xFFFF, False, 0, REST, after=b"\x34\x12"))
    payload = bytearray(8)
    check.insert(payload)
    assert payload == bytes.fromhex("1cca000000000000")


def test_two_checksums_of_one_byte_side_by_side_stay_two() -> None:
    first = Checksum(Layout(0, 8), Crc(8, 0x1D, 0xFF, False, 0xFF, REST))
    second = Checksum(Layout(8, 8), Crc(8, 0x2F, 0xFF, False, 0xFF, REST))
    found = checksums_of(sealed(traffic(5), first, second))
    assert {f.layout for f in found} == {Layout(0, 8), Layout(8, 8)}


def test_a_flag_above_a_sum_is_not_its_high_byte() -> None:
    payload = sealed(traffic(6), Checksum(Layout(0, 8), Sum(8, REST)))
    payload[:, 1] = np.repeat(np.random.default_rng(6).integers(0, 2, N // 20 + 1), 20)[:N]
    assert [f.layout for f in checksums_of(payload)] == [Layout(0, 8)]


HALVES = {
    "byte and upper nibble below": Layout(4, 12),
    "byte and lower nibble above": Layout(0, 12),
    "lower nibble first": Layout(3, 12, "big_endian"),
    "byte first": Layout(7, 12, "big_endian"),
}


@pytest.mark.parametrize("moves", ["everything", "a counter alone"])
@pytest.mark.parametrize("layout", HALVES.values(), ids=HALVES)
def test_a_crc_of_a_byte_and_a_nibble_is_one_field(layout: Layout, moves: str) -> None:
    """The other nibble is a counter, which every part of the CRC depends on."""
    half = next(byte for byte in (0, 1) if len({p for p in layout.positions if p >> 3 == byte}) == 4)
    covered = (half, *REST)

    def frames(seed: int) -> Bytes:
        payload = traffic(seed)
        payload[:, half] = np.arange(N) % 16 * (17 if layout.start else 16)
        if moves == "a counter alone":
            payload[:, 2:] = 0x5A
        return sealed(payload, Checksum(layout, Crc(12, 0x80F, 0x123, False, 0, covered, after=b"\x34")))

    (field,) = checksums_of(frames(3))
    assert field.layout == layout
    assert field.method is not None
    again = checksum_from_dict(field.method)
    assert isinstance(again.method, Crc)
    assert all(again.holds(row.tobytes()) for row in frames(77))


@pytest.mark.parametrize("back", [False, True])
def test_the_high_byte_of_a_sum_that_carried_once_or_twice_belongs_to_it(back: bool) -> None:
    payload = np.zeros((N, 6), np.uint8)
    count = np.arange(N)
    payload[:, 2], payload[:, 3] = count % 4, 90 + count // 60
    payload[:, 4] = 60 + count // 50 % 4 * 5
    payload[:, 5] = np.where((count > 300) & (count < (700 if back else N)), 110, 0)
    check = Checksum(LITTLE, Sum(16, REST[:4]))
    (field,) = checksums_of(sealed(payload, check))
    assert field.layout == LITTLE


@pytest.mark.parametrize("seed", range(4))
def test_two_bytes_of_noise_are_no_checksum(seed: int) -> None:
    payload = traffic(seed)
    payload[:, :2] = np.random.default_rng(seed).integers(0, 256, (N, 2))
    assert checksums_of(payload) == []


def test_an_fd_payload_of_64_bytes_with_a_crc_in_its_last_two() -> None:
    rng = np.random.default_rng(9)
    payload = np.zeros((N, 64), np.uint8)
    for byte in range(2, 62, 6):
        payload[:, byte] = 120 + np.rint(40 * np.sin(np.arange(N) / rng.uniform(25, 60))) + rng.integers(0, 2, N)
    payload[:, 1] = np.arange(N) % 256
    check = Checksum(Layout(503, 16, "big_endian"), Crc(16, 0x1021, 0xFFFF, False, 0, tuple(range(62))))
    (field,) = checksums_of(sealed(payload, check))
    assert field.layout == check.layout
    assert field.method is not None
    assert field.method["name"] == "CRC-16/IBM-3740"


@pytest.mark.parametrize("layout", [LITTLE, BIG])
def test_a_crc_is_known_by_its_catalogue_where_a_counter_alone_moves(layout: Layout) -> None:
    """Sixteen payloads are four equations a bit: too few to solve for a CRC, and no chance for a wrong one to pass."""
    payload = np.zeros((160, 8), np.uint8)
    payload[:, 2], payload[:, 6] = np.arange(160) % 16, 0x5A
    check = Checksum(layout, Crc(16, 0x1021, 0xFFFF, False, 0, REST, after=b"\x34\x12"))
    sealed_payload = sealed(payload, check)
    (found,) = checksums_of(sealed_payload)
    assert found.layout == layout
    assert found.method is not None
    computed = checksum_from_dict(found.method)
    assert all(computed.holds(row.tobytes()) for row in sealed_payload)


def counting(seed: int) -> Bytes:
    """Nothing but a counter moves."""
    rng = np.random.default_rng(seed)
    payload = np.tile(rng.integers(0, 256, 8).astype(np.uint8), (N, 1))
    payload[:, 0], payload[:, 1] = 0, 0
    payload[:, 6] = payload[0, 6] & 0xF0 | np.arange(N) % 16
    return payload


@pytest.mark.parametrize("layout", [LITTLE, BIG])
def test_a_crc_in_no_catalogue_is_one_field_where_a_counter_alone_moves(layout: Layout) -> None:
    method = Crc(16, 0x5935, 0xFFFF, False, 0x5A31, REST)
    (field,) = checksums_of(sealed(counting(4), Checksum(layout, method)))
    assert field.layout == layout
    assert field.method is not None
    again = checksum_from_dict(field.method)
    assert isinstance(again.method, Crc)
    assert again.verified_bits == 0x0F << 48


def test_two_bytes_that_a_counter_decides_in_another_way_are_no_crc() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        payload = counting(seed)
        part = rng.integers(0, 2**16, 4)
        value = np.zeros(N, np.int64)
        for k in range(4):
            value ^= np.where(np.arange(N) >> k & 1, part[k], 0)
        payload[:, 0], payload[:, 1] = value >> 8, value & 255
        found = [checksum_from_dict(f.method) for f in checksums_of(payload) if f.method is not None]
        assert not any(isinstance(c.method, Crc) for c in found)
