"""Core room: rolling counters and checksums, as data that can be computed, stored and generated.

`guess` finds them, a signal map carries them, `bridge` regenerates and verifies them, `emit` writes them as C. A
method's own bits always read as zero while it is computed. `from_json(method.to_json())` is the same method.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout


@dataclass(frozen=True, slots=True)
class Counter:
    """A rolling counter: `low`, ..., `high` in steps of `step`, wrapping round.

    `high` may be short of the field's top (a 4-bit counter that runs 0 to 14), `low` above zero (it skips 0).
    """

    low: int
    high: int
    step: int = 1

    def __post_init__(self) -> None:
        if not 0 <= self.low < self.high:
            raise InputError(f"a counter needs 0 <= low < high, not {self.low} and {self.high}")

    def after(self, value: int, frames: int = 1) -> int:
        """Value that many frames later."""
        return self.low + (value - self.low + frames * self.step) % (self.high - self.low + 1)

    def to_json(self) -> dict[str, Any]:
        return {"kind": "counter", "low": self.low, "high": self.high, "step": self.step}


@dataclass(frozen=True, slots=True)
class Crc:
    """A CRC over bytes of the payload, with constant bytes fed before and after them.

    Parameters
    ----------
    width, polynomial, init, reflect, xor_out
        As the public CRC catalogue writes them; `reflect` is both its refin and refout.
    coverage : tuple of int
        Payload byte numbers in the order they are fed.
    before, after : bytes
        Constant bytes fed before and after the payload's: identifier bytes, a data ID.
    name : str
        Its name in the public CRC catalogue, or "".
    """

    width: int
    polynomial: int
    init: int
    reflect: bool
    xor_out: int
    coverage: tuple[int, ...]
    before: bytes = b""
    after: bytes = b""
    name: str = ""

    def value(self, payload: bytes) -> int:
        register, top, mask = self.init, 1 << (self.width - 1), (1 << self.width) - 1
        for byte in (*self.before, *(payload[i] for i in self.coverage), *self.after):
            for bit in range(8) if self.reflect else range(7, -1, -1):
                carry = bool(register & top) ^ bool((byte >> bit) & 1)
                register = (register << 1) & mask
                if carry:
                    register ^= self.polynomial
        if self.reflect:
            register = int(f"{register:0{self.width}b}"[::-1], 2)
        return register ^ self.xor_out

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": "crc",
            "width": self.width,
            "polynomial": self.polynomial,
            "init": self.init,
            "reflect": self.reflect,
            "xor_out": self.xor_out,
            "coverage": list(self.coverage),
            "before": self.before.hex(),
            "after": self.after.hex(),
            "name": self.name,
        }


@dataclass(frozen=True, slots=True)
class Sum:
    """``(factor * sum of units + constant) modulo 2**width`` over bytes, nibbles or bits of the payload.

    ``factor`` -1 with ``constant`` -1 is the complement. `unit_bits` is 8 (bytes), 4 (nibbles, both of every covered
    byte) or 1 (a bit count).
    """

    width: int
    coverage: tuple[int, ...]
    unit_bits: int = 8
    factor: int = 1
    constant: int = 0

    def value(self, payload: bytes) -> int:
        total = 0
        for i in self.coverage:
            byte = payload[i]
            if self.unit_bits == 8:
                total += byte
            elif self.unit_bits == 4:
                total += (byte & 15) + (byte >> 4)
            else:
                total += byte.bit_count()
        return (self.factor * total + self.constant) % (1 << self.width)

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": "sum",
            "width": self.width,
            "coverage": list(self.coverage),
            "unit_bits": self.unit_bits,
            "factor": self.factor,
            "constant": self.constant,
        }


@dataclass(frozen=True, slots=True)
class Affine:
    """Any checksum that is affine over GF(2): each of its bits is the parity of some payload bits, plus a constant.

    `masks[k]` holds the payload bits (bit number ``8 * byte + weight``) whose parity is checksum bit k. XOR checksums
    and every CRC can be written so; it is what is left when no catalogue name fits.
    """

    width: int
    masks: tuple[int, ...]
    constant: int = 0
    name: str = ""

    def value(self, payload: bytes) -> int:
        bits = int.from_bytes(payload, "little")
        result = self.constant
        for k, mask in enumerate(self.masks):
            result ^= ((bits & mask).bit_count() & 1) << k
        return result

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": "affine",
            "width": self.width,
            "masks": [f"{m:x}" for m in self.masks],
            "constant": self.constant,
            "name": self.name,
        }


Method = Crc | Sum | Affine


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum field: where it stands, how it is computed, and what it was verified on.

    Parameters
    ----------
    layout : Layout
        The checksum's own bits (unsigned).
    method : Crc, Sum or Affine
        How it is computed.
    counter : Layout or None
        The counter that picks from `by_counter`, for data-ID lists.
    by_counter : tuple of int
        One constant for every counter value, combined with the result by XOR (Crc, Affine) or by addition (Sum).
    verified_bits : int or None
        The payload bits (as a mask) that moved independently in the capture it was found on; None when it comes from
        a published layout. A bridge that lets other bits move is refused.
    """

    layout: Layout
    method: Method
    counter: Layout | None = None
    by_counter: tuple[int, ...] = ()
    verified_bits: int | None = None

    def compute(self, payload: bytes | bytearray) -> int:
        """The value the checksum field must hold for this payload."""
        cleared = bytearray(payload)
        self.layout.pack(cleared, 0)
        value = self.method.value(bytes(cleared))
        if self.counter is not None and self.by_counter:
            extra = self.by_counter[self.counter.unpack(payload) % len(self.by_counter)]
            value = (value + extra) % (1 << self.method.width) if isinstance(self.method, Sum) else value ^ extra
        return value

    def insert(self, payload: bytearray) -> None:
        """Write the right checksum into a payload."""
        self.layout.pack(payload, self.compute(payload))

    def holds(self, payload: bytes | bytearray) -> bool:
        """Whether a received payload carries the right checksum."""
        return self.layout.unpack(payload) == self.compute(payload)

    def to_json(self) -> dict[str, Any]:
        out = self.method.to_json()
        out["field"] = _layout_json(replace(self.layout, signed=False))
        if self.counter is not None and self.by_counter:
            out["counter"] = _layout_json(self.counter)
            out["by_counter"] = list(self.by_counter)
        if self.verified_bits is not None:
            out["verified_bits"] = f"{self.verified_bits:x}"
        return out


def checksum_from_json(data: dict[str, Any]) -> Checksum:
    """The inverse of `Checksum.to_json`.

    Raises
    ------
    InputError
        An unknown kind, or a parameter missing or of the wrong type.
    """
    try:
        verified = data.get("verified_bits")
        return Checksum(
            layout=_layout_from_json(data["field"]),
            method=_method_from_json(data),
            counter=_layout_from_json(data["counter"]) if "counter" in data else None,
            by_counter=tuple(int(v) for v in data.get("by_counter", ())),
            verified_bits=None if verified is None else int(verified, 16),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"checksum method {data!r} can't be read ({error}): check its parameters") from None


def counter_from_json(data: dict[str, Any]) -> Counter:
    """The inverse of `Counter.to_json`."""
    try:
        return Counter(int(data["low"]), int(data["high"]), int(data.get("step", 1)))
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"counter method {data!r} can't be read ({error}): it needs low, high and step") from None


def _method_from_json(data: dict[str, Any]) -> Method:
    kind = data["kind"]
    if kind == "crc":
        return Crc(
            int(data["width"]),
            int(data["polynomial"]),
            int(data["init"]),
            bool(data["reflect"]),
            int(data["xor_out"]),
            tuple(int(i) for i in data["coverage"]),
            bytes.fromhex(data.get("before", "")),
            bytes.fromhex(data.get("after", "")),
            str(data.get("name", "")),
        )
    if kind == "sum":
        return Sum(
            int(data["width"]),
            tuple(int(i) for i in data["coverage"]),
            int(data.get("unit_bits", 8)),
            int(data.get("factor", 1)),
            int(data.get("constant", 0)),
        )
    if kind == "affine":
        return Affine(
            int(data["width"]),
            tuple(int(m, 16) for m in data["masks"]),
            int(data.get("constant", 0)),
            str(data.get("name", "")),
        )
    raise InputError(f"checksum kind {kind!r} is unknown: crc, sum or affine")


def _layout_json(layout: Layout) -> dict[str, Any]:
    return {"start": layout.start, "length": layout.length, "byte_order": layout.byte_order}


def _layout_from_json(data: dict[str, Any]) -> Layout:
    return Layout(int(data["start"]), int(data["length"]), data["byte_order"])
