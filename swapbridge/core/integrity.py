"""Core room: rolling counters and checksums, as data that can be computed, stored and generated.

`guess` finds them, a signal map carries them, `bridge` regenerates and verifies them, `emit` writes them as C. A
method's own bits always read as zero while it is computed. `checksum_from_dict(method.to_dict())` is the same method.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout, SplitLayout, split_layout


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

    def to_dict(self) -> dict[str, Any]:
        return {"kind": "counter", "low": self.low, "high": self.high, "step": self.step}


@cache
def _turned(value: int, width: int) -> int:
    """The same bits, the last one first."""
    return int(f"{value:0{width}b}"[::-1], 2)


@cache
def _crc_table(width: int, polynomial: int, reflect: bool) -> tuple[int, ...]:
    """What each byte does to a register of 8 bits or more."""
    mask, out = (1 << width) - 1, []
    turned = _turned(polynomial, width)
    for byte in range(256):
        register = byte if reflect else byte << (width - 8)
        for _ in range(8):
            if reflect:
                register = register >> 1 ^ (turned if register & 1 else 0)
            else:
                register = (register << 1 ^ (polynomial if register >> (width - 1) & 1 else 0)) & mask
        out.append(register)
    return tuple(out)


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
        fed = self.before + bytes([payload[i] for i in self.coverage]) + self.after
        if self.width < 8:
            return self._bit_by_bit(fed)
        table, mask = _crc_table(self.width, self.polynomial, self.reflect), (1 << self.width) - 1
        register = _turned(self.init, self.width) if self.reflect else self.init
        if self.width == 8:
            for byte in fed:
                register = table[register ^ byte]
        elif self.reflect:
            for byte in fed:
                register = register >> 8 ^ table[(register ^ byte) & 0xFF]
        else:
            shift = self.width - 8
            for byte in fed:
                register = (register << 8 & mask) ^ table[(register >> shift ^ byte) & 0xFF]
        return register ^ self.xor_out

    def _bit_by_bit(self, fed: bytes) -> int:
        register, top, mask = self.init, 1 << (self.width - 1), (1 << self.width) - 1
        for byte in fed:
            for bit in range(8) if self.reflect else range(7, -1, -1):
                carry = bool(register & top) ^ bool((byte >> bit) & 1)
                register = (register << 1) & mask
                if carry:
                    register ^= self.polynomial
        if self.reflect:
            register = int(f"{register:0{self.width}b}"[::-1], 2)
        return register ^ self.xor_out

    def to_dict(self) -> dict[str, Any]:
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

    def to_dict(self) -> dict[str, Any]:
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

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": "affine",
            "width": self.width,
            "masks": [f"{m:x}" for m in self.masks],
            "constant": self.constant,
            "name": self.name,
        }


@dataclass(frozen=True, slots=True)
class Term:
    """A number in the payload, wherever its bits stand, and what it counts for in a sum."""

    layout: Layout
    weight: int = 1


@dataclass(frozen=True, slots=True)
class FieldSum:
    """``(factor * fold(start + sum of weight * field) + constant) modulo modulus``: sums beyond those of whole bytes.

    Parameters
    ----------
    width : int
        Bits of the result; ``modulus`` is at most ``2**width``.
    terms : tuple of Term
        What is added up: fields of 1 to 32 bits, unsigned, anywhere in the payload, also twice.
    start : int
        What the sum begins with: an identifier's bytes, a constant.
    register : int
        Bits that are kept of the sum before it is folded, as where it is gathered in a byte; 0 for all.
    fold : int
        Width of the digits that the sum is cut into, and which are added up in its place; 0 for none. Folding 8 bits is
        the end-around carry.
    folds : int
        How often that is done; 0 until one digit is left.
    modulus : int or None
        None for ``2**width``.
    factor, constant : int
        After folding: -1 and -1 are the complement, -1 and 0 what brings the sum to zero.
    xor_out : int
        What the result is combined with by XOR at the very end; only of a sum modulo a power of two.

    Raises
    ------
    InputError
        A field that can't be added, or a sum to be folded that could be negative.
    """

    width: int
    terms: tuple[Term, ...]
    start: int = 0
    register: int = 0
    fold: int = 0
    folds: int = 0
    modulus: int | None = None
    factor: int = 1
    constant: int = 0
    xor_out: int = 0

    def __post_init__(self) -> None:
        if not 1 <= self.width <= 32:
            raise InputError(f"a sum of fields has 1 to 32 bits, not {self.width}: use another width")
        if not self.terms or len(self.terms) > _MOST_TERMS:
            raise InputError(f"a sum of fields adds 1 to {_MOST_TERMS} of them, not {len(self.terms)}: list them")
        for term in self.terms:
            if term.layout.signed or term.layout.length > 32 or not 0 < abs(term.weight) < 1 << 16:
                raise InputError("a field that is added up is unsigned, of 1 to 32 bits, with a weight of up to 65535")
        if abs(self.start) >> 32 or abs(self.constant) >> 32 or not 0 < abs(self.factor) < 1 << 16:
            raise InputError("a sum's constants have 32 bits at most, its factor 16 and is not 0: give smaller ones")
        if self.modulus == 1 << self.width:
            object.__setattr__(self, "modulus", None)
        if self.modulus is not None and not 2 <= self.modulus <= 1 << self.width:
            raise InputError(f"a sum of {self.width} bits is taken modulo 2 to {1 << self.width}, not {self.modulus}")
        if not 0 <= self.register <= 32:
            raise InputError(
                f"a sum keeps up to 32 bits before it is folded, not {self.register}: give register as 1 to 32"
            )
        if self.fold and not self.register and (self.start < 0 or any(t.weight < 0 for t in self.terms)):
            raise InputError("a sum that is folded can't be negative: give weights and start above zero")
        if not 0 <= self.xor_out < self.turns or (self.xor_out and self.turns & (self.turns - 1)):
            raise InputError(
                f"a sum's final XOR needs a modulus that is a power of two and above it: 0x{self.xor_out:X} does not "
                f"go with {self.turns}, so give a smaller one or leave it out"
            )
        if not 0 <= self.fold <= 32 or not 0 <= self.folds <= 8 or (self.fold == 1 and not self.folds):
            raise InputError("a sum is folded into 2 to 32 bits, up to 8 times: give fold and folds in these ranges")

    def total(self, payload: bytes) -> int:
        """The sum before it is folded."""
        return self.start + sum(t.weight * t.layout.unpack(payload) for t in self.terms)

    def finish(self, total: int) -> int:
        """The value that a sum gives."""
        if self.register:
            total %= 1 << self.register
        done = 0
        while self.fold and (done < self.folds or (not self.folds and total >> self.fold)):
            total, rest = 0, total
            while rest:
                total, rest = total + (rest & ((1 << self.fold) - 1)), rest >> self.fold
            done += 1
        return (self.factor * total + self.constant) % self.turns ^ self.xor_out

    @property
    def is_plain(self) -> bool:
        """Whether it is only added up and counted round, so that each term adds the same whatever the others are."""
        return not (self.fold or self.register or self.xor_out)

    @property
    def turns(self) -> int:
        """The modulus, said or not."""
        return self.modulus or 1 << self.width

    def value(self, payload: bytes) -> int:
        return self.finish(self.total(payload))

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": "field_sum",
            "width": self.width,
            "terms": [{**_layout_dict(t.layout), "weight": t.weight} for t in self.terms],
            "start": self.start,
            "register": self.register,
            "fold": self.fold,
            "folds": self.folds,
            **({"modulus": self.modulus} if self.modulus is not None else {}),
            "factor": self.factor,
            "constant": self.constant,
            **({"xor_out": self.xor_out} if self.xor_out else {}),
        }


_MOST_TERMS = 128
Method = Crc | Sum | FieldSum | Affine


def is_added(method: Method) -> bool:
    """Whether what a counter picks is added to the method's result; otherwise it is combined by XOR."""
    return isinstance(method, Sum | FieldSum)


def turns_of(method: Method) -> int:
    """What the method's results stay below."""
    return method.turns if isinstance(method, FieldSum) else 1 << method.width


def method_words(method: Method) -> str:
    """A method in a few words."""
    match method:
        case Crc():
            words = method.name or f"CRC-{method.width} polynomial 0x{method.polynomial:X}"
            fed = len(method.before) + len(method.after)
            return words + (f", with {fed} constant bytes" if fed else "")
        case Sum():
            return f"sum of {({8: 'bytes', 4: 'nibbles', 1: 'bits'})[method.unit_bits]}"
        case FieldSum():
            fold = f", folded to {method.fold} bits" if method.fold else ""
            modulo = "" if method.turns == 1 << method.width else f", modulo {method.turns}"
            ending = f", XOR 0x{method.xor_out:X}" if method.xor_out else ""
            return f"sum of {len(method.terms)} fields{fold}{modulo}{ending}"
        case Affine():
            return method.name or "an exclusive-or of bits"


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum field: where it stands, how it is computed, and what it was verified on.

    Parameters
    ----------
    layout : Layout
        The checksum's own bits (unsigned); a `SplitLayout` where they stand in two places.
    method : Crc, Sum, FieldSum or Affine
        How it is computed.
    counter : Layout or None
        The counter that picks from `by_counter`, for data-ID lists.
    by_counter : tuple of int
        One constant for every counter value, combined with the result by XOR (Crc, Affine) or by addition (sums).
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
            value = (value + extra) % turns_of(self.method) if is_added(self.method) else value ^ extra
        return value

    def insert(self, payload: bytearray) -> None:
        """Write the right checksum into a payload."""
        self.layout.pack(payload, self.compute(payload))

    def holds(self, payload: bytes | bytearray) -> bool:
        """Whether a received payload carries the right checksum."""
        return self.layout.unpack(payload) == self.compute(payload)

    def to_dict(self) -> dict[str, Any]:
        out = self.method.to_dict()
        out["field"] = _layout_dict(replace(self.layout, signed=False))
        if self.counter is not None and self.by_counter:
            out["counter"] = _layout_dict(self.counter)
            out["by_counter"] = list(self.by_counter)
        if self.verified_bits is not None:
            out["verified_bits"] = f"{self.verified_bits:x}"
        return out


def checksum_from_dict(data: dict[str, Any]) -> Checksum:
    """The inverse of `Checksum.to_dict`.

    Raises
    ------
    InputError
        An unknown kind, or a parameter missing or of the wrong type.
    """
    try:
        verified = data.get("verified_bits")
        return Checksum(
            layout=_layout_from_dict(data["field"]),
            method=_method_from_dict(data),
            counter=_layout_from_dict(data["counter"]) if "counter" in data else None,
            by_counter=_numbers(data, "by_counter") if "by_counter" in data else (),
            verified_bits=None if verified is None else int(verified, 16),
        )
    except InputError as error:
        raise InputError(f"checksum method: {error}") from None
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"checksum method {data!r} can't be read ({error}): check its parameters") from None


def counter_from_dict(data: dict[str, Any]) -> Counter:
    """The inverse of `Counter.to_dict`."""
    try:
        return Counter(_number(data, "low"), _number(data, "high"), _number(data, "step", 1))
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"counter method {data!r} can't be read ({error}): it needs low, high and step") from None


def _number(data: dict[str, Any], name: str, default: int | None = None) -> int:
    value = data[name] if default is None else data.get(name, default)
    if not isinstance(value, int) or isinstance(value, bool):
        raise InputError(f"{name} is {value!r}, which is not a whole number")
    return value


def _numbers(data: dict[str, Any], name: str) -> tuple[int, ...]:
    values = data[name]
    if not isinstance(values, list) or any(not isinstance(v, int) or isinstance(v, bool) for v in values):
        raise InputError(f"{name} is {values!r}, which is not a list of whole numbers")
    return tuple(values)


def _coverage(data: dict[str, Any]) -> tuple[int, ...]:
    """Payload bytes that a checksum is computed over."""
    coverage = _numbers(data, "coverage")
    if not coverage or min(coverage) < 0:
        raise InputError(
            "its coverage lists no payload byte, so it would never change: list the covered bytes, from 0 up"
        )
    return coverage


def _crc_from_dict(data: dict[str, Any]) -> Crc:
    width, polynomial, reflect = _number(data, "width"), _number(data, "polynomial"), data["reflect"]
    init, xor_out = _number(data, "init"), _number(data, "xor_out")
    if not 1 <= width <= 64 or not all(0 <= v < 1 << width for v in (polynomial, init, xor_out)):
        raise InputError(f"polynomial, init and xor_out have {width} bits at most, 64 in all: give shorter ones")
    if polynomial == 0:
        raise InputError("a CRC of polynomial 0 is the same for every payload: name the right one")
    if not isinstance(reflect, bool):
        raise InputError(f"reflect is {reflect!r}: write true or false")
    before, after = (bytes.fromhex(data.get(name, "")) for name in ("before", "after"))
    name = str(data.get("name", ""))
    return Crc(width, polynomial, init, reflect, xor_out, _coverage(data), before, after, name)


def _field_sum_from_dict(data: dict[str, Any]) -> FieldSum:
    return FieldSum(
        _number(data, "width"),
        tuple(Term(_layout_from_dict(t), _number(t, "weight", 1)) for t in data["terms"]),
        _number(data, "start", 0),
        _number(data, "register", 0),
        _number(data, "fold", 0),
        _number(data, "folds", 0),
        _number(data, "modulus") if "modulus" in data else None,
        _number(data, "factor", 1),
        _number(data, "constant", 0),
        _number(data, "xor_out", 0),
    )


def _affine_from_dict(data: dict[str, Any]) -> Affine:
    width, masks = _number(data, "width"), tuple(int(m, 16) for m in data["masks"])
    if len(masks) != width or min(masks, default=-1) < 0:
        raise InputError(f"it has {width} bits and {len(masks)} masks: give one in hex for each bit")
    if not any(masks) and "counter" not in data:
        raise InputError("its masks hold no payload bit and no counter selects its constant, so it would never change")
    return Affine(width, masks, _number(data, "constant", 0), str(data.get("name", "")))


def _method_from_dict(data: dict[str, Any]) -> Method:
    match data["kind"]:
        case "crc":
            return _crc_from_dict(data)
        case "sum":
            unit_bits = _number(data, "unit_bits", 8)
            if unit_bits not in (1, 4, 8):
                raise InputError(f"unit_bits is {unit_bits}: a sum adds 8 (bytes), 4 (nibbles) or 1 (bits)")
            factor, constant = _number(data, "factor", 1), _number(data, "constant", 0)
            return Sum(_number(data, "width"), _coverage(data), unit_bits, factor, constant)
        case "field_sum":
            return _field_sum_from_dict(data)
        case "affine":
            return _affine_from_dict(data)
    raise InputError(f"kind {data['kind']!r} is unknown: crc, sum, field_sum or affine")


def _layout_dict(layout: Layout) -> dict[str, Any]:
    if isinstance(layout, SplitLayout):
        return {**_layout_dict(layout.lower), "upper": _layout_dict(layout.upper)}
    return {"start": layout.start, "length": layout.length, "byte_order": layout.byte_order}


def _layout_from_dict(data: dict[str, Any]) -> Layout:
    layout = Layout(_number(data, "start"), _number(data, "length"), data["byte_order"])
    return split_layout(layout, _layout_from_dict(data["upper"])) if "upper" in data else layout
