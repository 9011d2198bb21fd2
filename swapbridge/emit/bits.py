"""Emit room: bit layouts as straight-line C.

Every function here returns C99 text. Values are read into and written from a 64-bit (or, where the bits fit, 32-bit)
unsigned word, so that no shift ever touches a sign bit and no conversion is implementation-defined.
"""

from __future__ import annotations

from swapbridge.core.layout import Layout, Piece, pieces


def word_type(bits: int) -> str:
    """Unsigned C type that holds that many bits: 32-bit words are what a small processor is quick with."""
    return "uint32_t" if bits <= 32 else "uint64_t"


def unsigned_literal(value: int, bits: int = 64) -> str:
    """C constant of the unsigned 32- or 64-bit type."""
    return f"UINT32_C({value})" if bits <= 32 else f"UINT64_C({value})"


def signed_literal(value: int) -> str:
    """C constant of type int64_t; the smallest one has no literal of its own in C."""
    if value == -(1 << 63):
        return "(-INT64_C(9223372036854775807) - 1)"
    return f"INT64_C({value})" if value >= 0 else f"(-INT64_C({-value}))"


def unpack_unsigned(layout: Layout, data: str) -> str:
    """Expression of type ``word_type(layout.length)``: the layout's bits of the byte array `data`, unsigned."""
    kind = word_type(layout.length)
    terms = []
    for piece in pieces(layout):
        term = f"{data}[{piece.byte}]"
        if piece.low:
            term = f"({term} >> {piece.low})"
        if piece.low + piece.width < 8:
            term = f"({term} & {piece.mask}U)"
        term = f"({kind}){term}"
        terms.append(f"({term} << {piece.weight})" if piece.weight else term)
    return " | ".join(terms) if len(terms) == 1 else "(" + " | ".join(terms) + ")"


def raw_type(layout: Layout) -> str:
    """Signed C type for the layout's raw values; an unsigned layout of 64 bits has none (plans hold none)."""
    low, high = layout.raw_range
    return "int32_t" if low >= -(1 << 31) and high < 1 << 31 else "int64_t"


def unpack(layout: Layout, data: str) -> str:
    """Expression of type ``raw_type(layout)``: the raw value that `Layout.unpack` gives."""
    raw, kind = unpack_unsigned(layout, data), raw_type(layout)
    if not layout.signed:
        return f"({kind})({raw})"
    if layout.length == 64:
        return f"bits_to_signed({raw})"
    # Flip the sign bit and take it off again: sign extension without touching a sign bit in C.
    top = 1 << (layout.length - 1)
    wide = "int32_t" if layout.length < 32 else "int64_t"
    lower = f"{wide[:-2].upper()}_C({top})"
    value = f"({wide})({raw} ^ {unsigned_literal(top, layout.length)}) - {lower}"
    return value if wide == kind else f"({kind})({value})"


def pack(layout: Layout, data: str, word: str) -> list[str]:
    """Statements that write the variable `word` (unsigned, of `word_type`) into `data`, other bits left alone."""
    out = []
    for piece in pieces(layout):
        value = piece_of(piece, word)
        if piece.width < 8:
            keep = 0xFF & ~(piece.mask << piece.low)
            value = f"((uint32_t){data}[{piece.byte}] & {keep}U) | {value}"
        out.append(f"{data}[{piece.byte}] = (uint8_t)({value});")
    return out


def piece_of(piece: Piece, word: str) -> str:
    """Expression of type uint32_t: that piece of the variable `word`, where it stands in its payload byte."""
    source = f"(uint32_t)({word} >> {piece.weight})" if piece.weight else f"(uint32_t){word}"
    moved = f"({source} & {piece.mask}U)"
    return f"({moved} << {piece.low})" if piece.low else moved
