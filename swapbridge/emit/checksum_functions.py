"""Emit room: checksums of `core.integrity` as C functions, the checksum's own bits read as zero.

Each function takes the payload and returns the value its checksum field must hold; `Checksum.compute` is what it must
equal, and the tests compare the two on random methods and payloads.
"""

from __future__ import annotations

from dataclasses import replace

from swapbridge.core.integrity import Affine, Checksum, Crc, FieldSum, Sum, method_words
from swapbridge.core.layout import Layout, Piece, pieces
from swapbridge.emit.bits import unpack_unsigned, unsigned_literal, word_type
from swapbridge.emit.const_tables import ConstTables
from swapbridge.emit.ctext import function, indent


def checksum_function(name: str, checksum: Checksum, payload_bytes: int, tables: ConstTables) -> str:
    """Definition of ``static WORD name(const uint8_t *data)`` for a payload of that many bytes.

    `WORD` is ``word_type(checksum.method.width)``.
    """
    method = checksum.method
    kind = word_type(method.width)
    read = _PayloadReader(checksum.layout)
    match method:
        case Crc():
            body = _crc_body(method, read, tables)
        case Sum():
            body = _sum_body(method, read, tables)
        case FieldSum():
            return _field_sum_function(name, checksum, method, read, tables)
        case Affine():
            body = _affine_body(method, read, payload_bytes, tables)
    if checksum.counter is not None and checksum.by_counter:
        constants = tables.name("checksum_constants", kind, [_modulo(v, method.width) for v in checksum.by_counter])
        index = f"(uint32_t)({unpack_unsigned(checksum.counter, 'data')} % {len(checksum.by_counter)}U)"
        operator = "+" if isinstance(method, Sum) else "^"
        body.append(f"value = value {operator} {constants}[{index}];")
    mask = (1 << method.width) - 1
    body.append(f"return value & {unsigned_literal(mask, method.width)};")
    return function(f"/* {describe(checksum)} */", f"static {kind} {name}(const uint8_t *data)", body, ("data",))


def describe(checksum: Checksum) -> str:
    """The method in a few words, for comments."""
    method = checksum.method
    match method:
        case Crc():
            words = f"CRC-{method.width} 0x{method.polynomial:X} init 0x{method.init:X} final XOR 0x{method.xor_out:X}"
            if method.before or method.after:
                words += f", fed {method.before.hex() or '-'} before and {method.after.hex() or '-'} after the payload"
        case Sum():
            unit = {8: "bytes", 4: "nibbles", 1: "bits"}[method.unit_bits]
            words = f"{method.width}-bit {method.factor} x sum of {unit} + {method.constant}"
        case FieldSum():
            words = f"{method.factor} x {method_words(replace(method, xor_out=0))} + {method.constant}"
            words += f", XOR 0x{method.xor_out:X}" if method.xor_out else ""
        case Affine():
            words = f"{method.width} parities of payload bits"
    return words + (", plus a constant picked by the counter" if checksum.by_counter else "")


class _PayloadReader:
    """Expressions for payload bytes with the checksum's own bits left out."""

    def __init__(self, own: Layout) -> None:
        self._keep: dict[int, int] = {}
        for position in own.positions:
            self._keep[position >> 3] = self._keep.get(position >> 3, 0xFF) & ~(1 << (position & 7))

    def byte(self, index: int) -> str | None:
        """The byte, unsigned 32-bit, or None where all its bits belong to the checksum."""
        keep = self._keep.get(index, 0xFF)
        if keep == 0:
            return None
        return f"(uint32_t)data[{index}]" if keep == 0xFF else f"((uint32_t)data[{index}] & {keep}U)"

    def piece(self, piece: Piece) -> str | None:
        """A run of bits moved down to bit 0, unsigned 32-bit, or None where all are the checksum's own."""
        keep = self._keep.get(piece.byte, 0xFF) >> piece.low & piece.mask
        if keep == 0:
            return None
        moved = f"((uint32_t)data[{piece.byte}] >> {piece.low})" if piece.low else f"(uint32_t)data[{piece.byte}]"
        return moved if keep == 0xFF >> piece.low else f"({moved} & {keep}U)"

    def nibble(self, index: int, upper: bool) -> str | None:
        """The byte's upper or lower half, or None where all its bits belong to the checksum."""
        keep = self._keep.get(index, 0xFF)
        keep = keep >> 4 if upper else keep & 15
        if keep == 0:
            return None
        if not upper:
            return f"((uint32_t)data[{index}] & {keep}U)"
        moved = f"((uint32_t)data[{index}] >> 4)"
        return moved if keep == 15 else f"({moved} & {keep}U)"


def _modulo(value: int, width: int) -> int:
    return value % (1 << width)


def _storage(width: int) -> int:
    return next(bits for bits in (8, 16, 32, 64) if width <= bits)


def _crc_body(crc: Crc, read: _PayloadReader, tables: ConstTables) -> list[str]:
    kind, storage = word_type(crc.width), _storage(crc.width)
    table = tables.name(
        "crc", f"uint{storage}_t", crc_table(crc), f"CRC-{crc.width}, polynomial 0x{crc.polynomial:X}, a byte at a time"
    )
    # `before` is constant, so it is fed here, once.
    register = crc_register(crc, crc.before)
    out = [f"{kind} value = {unsigned_literal(register, crc.width)};"]
    fed = [read.byte(i) or "0U" for i in crc.coverage] + [f"{b}U" for b in crc.after]
    for byte in fed:
        if crc.reflect:
            rest = "" if crc.width <= 8 else "(value >> 8) ^ "
            out.append(f"value = {rest}({kind}){table}[(uint32_t)(value ^ {byte}) & 255U];")
        else:
            rest = "" if storage == 8 else "(value << 8) ^ "
            down = "value" if storage == 8 else f"(value >> {storage - 8})"
            out.append(f"value = {rest}({kind}){table}[(uint32_t)({down} ^ {byte}) & 255U];")
            if storage == 16:
                out.append("value &= 65535U;")
    if not crc.reflect and storage > crc.width:
        out.append(f"value >>= {storage - crc.width};")
    if crc.xor_out:
        out.append(f"value ^= {unsigned_literal(crc.xor_out, crc.width)};")
    return out


def _reverse(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def crc_table(crc: Crc) -> list[int]:
    """The 256 steps of a byte: in a register that shifts down (reflected) or is aligned to its storage's top."""
    storage = _storage(crc.width)
    out = []
    for byte in range(256):
        if crc.reflect:
            polynomial, register = _reverse(crc.polynomial, crc.width), byte
            for _ in range(8):
                register = (register >> 1) ^ (polynomial if register & 1 else 0)
        else:
            polynomial, register = crc.polynomial << (storage - crc.width), byte << (storage - 8)
            for _ in range(8):
                carry = register >> (storage - 1)
                register = ((register << 1) & ((1 << storage) - 1)) ^ (polynomial if carry else 0)
        out.append(register)
    return out


def crc_register(crc: Crc, fed: bytes) -> int:
    """The register as `_crc_body` keeps it, after the start value and these bytes."""
    storage, table = _storage(crc.width), crc_table(crc)
    register = _reverse(crc.init, crc.width) if crc.reflect else crc.init << (storage - crc.width)
    for byte in fed:
        if crc.reflect:
            register = (register >> 8) ^ table[(register ^ byte) & 255]
        else:
            register = ((register << 8) & ((1 << storage) - 1)) ^ table[(register >> (storage - 8)) ^ byte]
    return register


def _sum_body(method: Sum, read: _PayloadReader, tables: ConstTables) -> list[str]:
    kind = word_type(method.width)
    out = ["uint32_t total = 0U;"]
    for index in method.coverage:
        if method.unit_bits == 8:
            byte = read.byte(index)
            out += [f"total += {byte};"] if byte else []
            continue
        for nibble in (read.nibble(index, False), read.nibble(index, True)):
            if nibble and method.unit_bits == 1:
                counts = tables.name("bit_counts", "uint8_t", [n.bit_count() for n in range(16)], "bits in a nibble")
                nibble = f"{counts}[{nibble}]"
            out += [f"total += {nibble};"] if nibble else []
    factor, constant = _modulo(method.factor, method.width), _modulo(method.constant, method.width)
    value = f"({kind})total"
    if factor != 1:
        value += f" * {unsigned_literal(factor, method.width)}"
    if constant:
        value += f" + {unsigned_literal(constant, method.width)}"
    out.append(f"{kind} value = {value};")
    return out


def _field_sum_function(
    name: str, checksum: Checksum, method: FieldSum, read: _PayloadReader, tables: ConstTables
) -> str:
    """The whole function of a sum of fields: what it adds up, folded, turned and taken modulo, is never negative."""
    turns = method.turns
    # how far the sum may be reduced while it is added up: what is folded is kept whole, or as wide as its register
    around = 1 << method.register if method.register else 0 if method.fold else turns
    weights = [t.weight % around if around else t.weight for t in method.terms]
    start = method.start % around if around else method.start
    factor, constant = method.factor % turns, method.constant % turns
    most = start + sum(w * t.layout.raw_range[1] for w, t in zip(weights, method.terms, strict=True))
    power_of_two = not turns & (turns - 1)
    # a sum modulo a power of two may lose its upper bits on the way
    wraps = power_of_two and (method.register or not method.fold)
    bits = 32 if wraps or most * max(factor, 1) + constant + turns < 1 << 32 else 64
    kind = word_type(bits)
    out = [f"{kind} value = {unsigned_literal(start, bits)};"]
    for weight, term in zip(weights, method.terms, strict=True):
        for piece in pieces(term.layout):
            part = read.piece(piece)
            worth = (weight << piece.weight) % (1 << bits)
            if part is None or worth == 0:
                continue
            part = part if bits == 32 else f"({kind}){part}"
            out.append(f"value += {part};" if worth == 1 else f"value += {part} * {unsigned_literal(worth, bits)};")
    if method.register and method.register < bits:
        out.append(f"value &= {unsigned_literal((1 << method.register) - 1, bits)};")
    out += _fold_lines(method, kind, bits)
    if factor != 1:
        if not power_of_two:
            out.append(f"value %= {unsigned_literal(turns, bits)};")  # so that the product fits
        out.append(f"value *= {unsigned_literal(factor, bits)};")
    if constant:
        out.append(f"value += {unsigned_literal(constant, bits)};")
    if method.xor_out:  # of a power of two: what is above it is cut off below
        out.append(f"value ^= {unsigned_literal(method.xor_out, bits)};")
    if checksum.counter is not None and checksum.by_counter:
        constants = tables.name("checksum_constants", kind, [v % turns for v in checksum.by_counter])
        index = f"(uint32_t)({unpack_unsigned(checksum.counter, 'data')} % {len(checksum.by_counter)}U)"
        out.append(f"value += {constants}[{index}];")
    if not power_of_two:
        rest = f"value % {unsigned_literal(turns, bits)}"
    else:
        rest = f"value & {unsigned_literal(turns - 1, bits)}"
    result = word_type(method.width)
    out.append(f"return {rest};" if result == kind else f"return ({result})({rest});")
    return function(f"/* {describe(checksum)} */", f"static {result} {name}(const uint8_t *data)", out, ("data",))


def _fold_lines(method: FieldSum, kind: str, bits: int) -> list[str]:
    """The sum replaced by the sum of its digits, a fixed number of times or until one digit is left."""
    if not method.fold or method.fold >= bits:
        return []
    mask = unsigned_literal((1 << method.fold) - 1, bits)
    if not method.folds:
        return [f"while (value > {mask}) {{", f"    value = (value & {mask}) + (value >> {method.fold});", "}"]
    step = [
        f"{kind} rest = value;",
        "value = 0U;",
        "while (rest != 0U) {",
        f"    value += rest & {mask};",
        f"    rest >>= {method.fold};",
        "}",
    ]
    if method.folds == 1:
        return ["{", *indent(step), "}"]
    return [f"for (uint32_t turn = 0U; turn < {method.folds}U; turn++) {{", *indent(step), "}"]


def _affine_body(method: Affine, read: _PayloadReader, payload_bytes: int, tables: ConstTables) -> list[str]:
    kind = word_type(method.width)
    out = [f"{kind} value = {unsigned_literal(_modulo(method.constant, method.width), method.width)};"]
    for index in range(payload_bytes):
        byte = read.byte(index)
        # What each bit of this byte adds to the checksum: the columns of the GF(2) matrix.
        columns = [
            sum(((mask >> (8 * index + bit)) & 1) << k for k, mask in enumerate(method.masks)) for bit in range(8)
        ]
        if byte is None or not any(columns):
            continue
        if columns == [1 << bit for bit in range(8)]:
            out.append(f"value ^= ({kind}){byte};")
            continue
        element = f"uint{_storage(method.width)}_t"
        for half, nibble in ((columns[:4], read.nibble(index, False)), (columns[4:], read.nibble(index, True))):
            if nibble is None or not any(half):
                continue
            table = tables.name("parities", element, [_combine(half, bits) for bits in range(16)])
            out.append(f"value ^= ({kind}){table}[{nibble}];")
    return out


def _combine(columns: list[int], bits: int) -> int:
    out = 0
    for k, column in enumerate(columns):
        if (bits >> k) & 1:
            out ^= column
    return out
