"""Core room: checksums by the words people use: a family's name and what goes into it, turned into a method.

`FAMILIES` is the one list of them: the help of `swapbridge map set`, its refusals and this reader all ask it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

from swapbridge.core.crc_catalogue import CATALOGUE
from swapbridge.core.errors import InputError
from swapbridge.core.integrity import Affine, Checksum, Crc, FieldSum, Sum, Term
from swapbridge.core.layout import Layout

MOST_IDS = 256


@dataclass(frozen=True, slots=True)
class ChecksumPlace:
    """Where a checksum stands, and what its words may refer to.

    Attributes
    ----------
    layout : Layout
        The checksum's own bits.
    length : int
        Payload bytes of the message.
    identifier, extended : int, bool
        The message's identifier.
    counter : Layout or None
        The message's rolling counter, which picks from a list of data IDs.
    """

    layout: Layout
    length: int
    identifier: int
    extended: bool
    counter: Layout | None = None

    @property
    def coverage(self) -> tuple[int, ...]:
        """Every byte that is not wholly the checksum's own."""
        own = self.layout.positions
        return tuple(i for i in range(self.length) if sum(p >> 3 == i for p in own) < 8)

    @property
    def identifier_bytes(self) -> bytes:
        """Two bytes of an 11-bit identifier, four of a 29-bit one, high byte first."""
        return self.identifier.to_bytes(4 if self.extended else 2, "big")


@dataclass(slots=True)
class _FamilyWords:
    """What stood beside the family's name."""

    over: tuple[int, ...] | None = None
    identifier: bool = False
    data_id: int | None = None
    mode: str = ""
    data_ids: tuple[int, ...] = ()
    plus: int = 0
    complement: bool = False
    negated: bool = False
    terms: tuple[Term, ...] = ()
    fold: int = 0
    folds: int = 0
    modulo: int | None = None
    init: int | None = None
    final: int | None = None
    polynomial: int | None = None
    reflected: bool = False
    used: set[str] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class ChecksumFamily:
    """A kind of checksum that has a name.

    Attributes
    ----------
    name, example, description : str
        What to write, a whole example, and what it is in a few words.
    takes : tuple of str
        Which words may stand beside it, as `_WORDS` names them.
    """

    name: str
    example: str
    description: str
    takes: tuple[str, ...]
    make: Callable[[_FamilyWords, ChecksumPlace], Checksum]


_NUMBER = r"0x[0-9a-f]+|\d+"
_WORDS: dict[str, tuple[str, str]] = {
    # name, what it looks like, and how it is written
    "over": (r"over (?:bytes? )?((?:\d+(?: ?- ?\d+)?)(?: ?, ?\d+(?: ?- ?\d+)?)*)", "over 0-6"),
    "data_ids": (rf"with data ids ((?:{_NUMBER})(?: ?, ?(?:{_NUMBER}))*)", "with data ids 0x10,0x11,..."),
    "data_id": (rf"with data id ((?:{_NUMBER})(?: (?:low|nibble|alternating))?)", "with data id 0x123"),
    "identifier": (r"with identifier", "with identifier"),
    "plus": (rf"plus (-?(?:{_NUMBER}))", "plus 5"),
    "complement": (r"complement(?:ed)?|inverted", "complement"),
    "negated": (r"negated", "negated"),
    "terms": (
        r"of ((?:\d+:\d+(?:be)?(?: ?x ?-?\d+)?)(?: ?, ?\d+:\d+(?:be)?(?: ?x ?-?\d+)?)*)",
        "of 0:8, 8:4x2, 15:4be",
    ),
    "fold": (r"fold (\d+(?: once)?)", "fold 8"),
    "modulo": (r"modulo (\d+)", "modulo 255"),
    "init": (rf"init ({_NUMBER})", "init 0xFF"),
    "final": (rf"final ({_NUMBER})", "final 0xFF"),
    "polynomial": (rf"poly(?:nomial)? ({_NUMBER})", "poly 0x1D"),
    "reflected": (r"reflected", "reflected"),
}


def named_checksum(text: str, place: ChecksumPlace) -> Checksum:
    """A checksum by its family's name, such as ``crc8-j1850``, ``sum with identifier``, ``xor over 0-6``.

    Raises
    ------
    InputError
        No such family (near ones are named), a word that it does not take, or one that lacks what it needs.
    """
    rest, words = " ".join(text.lower().replace("_", " ").split()), _FamilyWords()
    for name, (pattern, _) in _WORDS.items():
        found = re.search(rf"(?:^|\s)(?:{pattern})(?=\s|$)", rest)
        if found is None:
            continue
        rest = " ".join((rest[: found.start()] + " " + rest[found.end() :]).split())
        words.used.add(name)
        _read_word(name, found[1] if found.lastindex else "", words, place)
    family = _BY_NAME.get(_plain(rest)) or _catalogue_family(rest)
    if family is None:
        near = get_close_matches(rest, [f.name for f in FAMILIES], n=3, cutoff=0.4)
        raise InputError(
            f"checksum {rest or text!r} is not known (near: {', '.join(near) or 'none'}): use one of "
            f"{', '.join(f.name for f in FAMILIES)}, or a CRC by its name in the public catalogue, such as crc-8/nrsc-5"
        )
    odd = sorted(words.used - set(family.takes))
    if odd:
        takes = ", ".join(_WORDS[name][1] for name in family.takes)
        raise InputError(f"checksum {family.name!r} takes no {_WORDS[odd[0]][1]!r}: it takes {takes}")
    checksum = family.make(words, place)
    if checksum.method.width > place.layout.length:
        raise InputError(
            f"{family.name} has {checksum.method.width} bits, its signal {place.layout.length}: make them equal"
        )
    return checksum


def _read_word(name: str, value: str, words: _FamilyWords, place: ChecksumPlace) -> None:
    if name == "over":
        over: list[int] = []
        for part in value.split(","):
            first, _, last = part.partition("-")
            over += range(int(first), int(last or first) + 1)
        outside = [i for i in over if i >= place.length]
        if outside:
            raise InputError(f"byte {outside[0]} is beyond the {place.length} bytes of the message: count from 0")
        words.over = tuple(over)
    elif name == "data_ids":
        words.data_ids = tuple(int(v, 0) for v in value.split(","))
        if len(words.data_ids) > MOST_IDS or max(words.data_ids) > 255:
            raise InputError(f"a list holds up to {MOST_IDS} data IDs of one byte each, for counter values from 0 up")
        if place.counter is None:
            raise InputError(
                "the message's counter selects a data ID from the list, and the map has no counter: set it first, "
                "with `swapbridge map set MESSAGE.COUNTER --counter 0-15`"
            )
    elif name == "data_id":
        number, _, words.mode = value.partition(" ")
        words.data_id = int(number, 0)
    elif name == "terms":
        words.terms = tuple(_term(part, place) for part in value.split(","))
    elif name == "fold":
        words.fold, words.folds = int(value.split()[0]), int("once" in value)
    elif name in ("identifier", "complement", "negated", "reflected"):
        setattr(words, name, True)
    else:
        setattr(words, name, int(value, 0))


def _term(text: str, place: ChecksumPlace) -> Term:
    """A field as START:BITS, `be` behind it where it is big endian, and x WEIGHT."""
    found = re.fullmatch(r"\s*(\d+):(\d+)(be)?(?: ?x ?(-?\d+))?\s*", text)
    assert found is not None  # the word's own pattern
    layout = Layout(int(found[1]), int(found[2]), "big_endian" if found[3] else "little_endian")
    if not layout.fits(place.length):
        raise InputError(
            f"field {text.strip()} lies outside the {place.length} bytes of the message: give another start bit"
        )
    return Term(layout, int(found[4] or 1))


def _data_id_bytes(data_id: int) -> bytes:
    """Low byte first, as AUTOSAR E2E feeds it; two bytes at least."""
    return data_id.to_bytes(max(2, (data_id.bit_length() + 7) // 8), "little")


def _crc(
    words: _FamilyWords, place: ChecksumPlace, width: int, polynomial: int, init: int, reflect: bool, final: int
) -> Checksum:
    if words.mode:
        raise InputError(f"{words.mode} is a mode of E2E profiles 1 and 11: leave it out, or name one of them")
    before = place.identifier_bytes if words.identifier else b""
    if words.data_id is not None:
        before += _data_id_bytes(words.data_id)
    crc = Crc(width, polynomial, init, reflect, final, words.over or place.coverage, before)
    return _by_counter(replace(crc, name=catalogue_name(crc)), words, place)


def _by_counter(crc: Crc, words: _FamilyWords, place: ChecksumPlace) -> Checksum:
    """The CRC with the counter's data ID fed last, as what each ID changes."""
    if not words.data_ids:
        return Checksum(place.layout, crc)
    payload = bytes(place.length)
    plain = replace(crc, after=crc.after + b"\0")
    by_counter = tuple(
        replace(crc, after=crc.after + bytes([i])).value(payload) ^ plain.value(payload) for i in words.data_ids
    )
    return Checksum(place.layout, plain, place.counter, by_counter)


def catalogue_name(crc: Crc) -> str:
    """The public catalogue's name of a CRC's parameters, or ""."""
    same = (crc.width, crc.polynomial, crc.init, crc.reflect, crc.xor_out)
    return next((n.name for n in CATALOGUE if (n.width, n.polynomial, n.init, n.reflect, n.xor_out) == same), "")


def _general_crc(width: int) -> Callable[[_FamilyWords, ChecksumPlace], Checksum]:
    def make(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
        if words.polynomial is None:
            raise InputError(f"crc{width} needs its polynomial: write crc{width} poly 0x1D init 0xFF final 0xFF")
        for what, value in (("polynomial", words.polynomial), ("init", words.init), ("final", words.final)):
            if value is not None and value >> width:
                raise InputError(f"{what} 0x{value:X} has more than the {width} bits of crc{width}: give a shorter one")
        if words.polynomial == 0:
            raise InputError("a CRC of polynomial 0 is the same for every payload: name the right one")
        return _crc(words, place, width, words.polynomial, words.init or 0, words.reflected, words.final or 0)

    return make


def _catalogued(name: str) -> Callable[[_FamilyWords, ChecksumPlace], Checksum]:
    entry = next(n for n in CATALOGUE if n.name == name)

    def make(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
        return _crc(words, place, entry.width, entry.polynomial, entry.init, entry.reflect, entry.xor_out)

    return make


def _catalogue_family(text: str) -> ChecksumFamily | None:
    wanted = _plain(text)
    entry = next((n for n in CATALOGUE if wanted == _plain(n.name)), None)
    if entry is None:
        return None
    return ChecksumFamily(entry.name, entry.name.lower(), "", _CRC_WORDS, _catalogued(entry.name))


def _identifier_sum(words: _FamilyWords, place: ChecksumPlace, unit_bits: int) -> int:
    if not words.identifier:
        return 0
    return sum(b if unit_bits == 8 else (b >> 4) + (b & 15) for b in place.identifier_bytes)


def _sum(unit_bits: int) -> Callable[[_FamilyWords, ChecksumPlace], Checksum]:
    def make(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
        covered = words.over or place.coverage
        if words.fold or words.modulo or words.final:
            step = range(0, 8, unit_bits)
            fields = tuple(Term(Layout(8 * i + low, unit_bits)) for i in covered for low in step)
            return _field_sum(words, place, fields, unit_bits)
        factor = -1 if words.complement or words.negated else 1
        total = words.plus + _identifier_sum(words, place, unit_bits)
        constant = factor * total - (1 if words.complement else 0)
        width = min(place.layout.length, 32)
        return Checksum(place.layout, Sum(width, covered, unit_bits, factor, constant))

    return make


def _field_sum(words: _FamilyWords, place: ChecksumPlace, terms: tuple[Term, ...], unit_bits: int) -> Checksum:
    width = min(place.layout.length, 32)
    if words.fold and words.modulo is None and not words.folds:
        words.modulo = 1 << min(words.fold, width)
    start = words.plus + _identifier_sum(words, place, unit_bits)
    factor = -1 if words.complement or words.negated else 1
    constant = -1 if words.complement else 0
    final = words.final or 0
    method = FieldSum(width, terms, start, 0, words.fold, words.folds, words.modulo, factor, constant, final)
    return Checksum(place.layout, method)


def _weighted(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
    if not words.terms:
        raise InputError("a weighted sum lists its fields: write weighted sum of 0:8, 8:4x2, 15:4be")
    return _field_sum(words, place, words.terms, 8)


def _lin(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
    """The classic checksum of LIN (ISO 17987-3): the carry is added again, then all is inverted."""
    words.fold, words.complement = 8, True
    return _sum(8)(words, place)


def _tsc1(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
    """SAE J1939-71, SPN 4207 (from memory): bytes 1 to 7, the counter, the identifier; 3 bits."""
    if place.length != 8:
        raise InputError(f"this checksum belongs in a message of 8 bytes, not {place.length}: name another")
    terms = (*(Term(Layout(8 * i, 8)) for i in range(7)), Term(Layout(56, 4)))
    return Checksum(place.layout, FieldSum(3, terms, sum(place.identifier_bytes), 8, 3, 1))


def _xor(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
    """XOR of the covered bytes, cut into pieces as wide as the checksum where that is narrower."""
    width = place.layout.length
    if width not in (4, 8):
        raise InputError(
            f"xor has 4 or 8 bits, its signal {width}: give the signal 4 or 8 bits, or name another checksum"
        )
    masks = [0] * width
    for byte in words.over or place.coverage:
        for bit in range(8):
            masks[bit % width] ^= 1 << (8 * byte + bit)
    constant = words.plus
    for byte in place.identifier_bytes if words.identifier else b"":
        constant ^= byte if width == 8 else (byte >> 4) ^ (byte & 15)
    if words.complement:
        constant ^= (1 << width) - 1
    return Checksum(place.layout, Affine(width, tuple(masks), constant % (1 << width), "XOR of the bytes"))


def _e2e_id(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
    """AUTOSAR E2E profiles 1 and 11: CRC-8 0x1D from 0, the data ID fed first, in one of the standard's modes."""
    if words.data_id is None or words.data_id >> 16:
        raise InputError("this profile includes a data ID of two bytes: add `with data id 0x123`")
    low, high = _data_id_bytes(words.data_id)
    crc = Crc(8, 0x1D, 0, False, 0, words.over or place.coverage, name="CRC-8/GSM-A")
    if words.mode == "alternating":
        if place.counter is None:
            raise InputError(
                "the counter selects which of the data ID's two bytes is used, and the map has no counter: set it first"
            )
        feeds = [replace(crc, before=bytes([byte])).value(bytes(place.length)) for byte in (low, high)]
        first = replace(crc, before=bytes([low]))
        return Checksum(place.layout, first, place.counter, (0, feeds[0] ^ feeds[1]))
    # `nibble`: the high byte's low half stands in the payload, and a zero byte is fed instead
    before = {"": bytes([low, high]), "low": bytes([low]), "nibble": bytes([low, 0])}[words.mode]
    return Checksum(place.layout, replace(crc, before=before))


def _e2e_list(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
    """AUTOSAR E2E profiles 2 and 22: CRC-8 0x2F, one data ID of 16 fed last."""
    if len(words.data_ids) != 16:
        raise InputError("this profile has 16 data IDs, one for each counter value: add `with data ids 0x10,0x11,...`")
    return _crc(words, place, 8, 0x2F, 0xFF, False, 0xFF)


def _e2e_5(words: _FamilyWords, place: ChecksumPlace) -> Checksum:
    if words.data_id is None or words.mode:
        raise InputError("E2E profile 5 includes a data ID: add `with data id 0x1234`")
    covered = words.over or place.coverage
    crc = Crc(16, 0x1021, 0xFFFF, False, 0, covered, after=_data_id_bytes(words.data_id), name="CRC-16/IBM-3740")
    return Checksum(place.layout, crc)


_CRC_WORDS = ("over", "identifier", "data_id", "data_ids")
_SUM_WORDS = ("over", "identifier", "plus", "complement", "negated", "fold", "modulo", "final")

FAMILIES: tuple[ChecksumFamily, ...] = (
    ChecksumFamily(
        "crc8-j1850", "crc8-j1850 with identifier", "CRC-8/SAE-J1850", _CRC_WORDS, _catalogued("CRC-8/SAE-J1850")
    ),
    ChecksumFamily(
        "crc8-2f",
        "crc8-2f with data ids 0x10,0x11,0x12,0x13",
        "CRC-8/AUTOSAR, the counter's data ID fed last",
        _CRC_WORDS,
        _catalogued("CRC-8/AUTOSAR"),
    ),
    ChecksumFamily(
        "crc8",
        "crc8 poly 0x1D init 0xFD final 0x00",
        "any other CRC-8",
        (*_CRC_WORDS, "polynomial", "init", "final", "reflected"),
        _general_crc(8),
    ),
    ChecksumFamily(
        "crc16",
        "crc16 poly 0x1021 init 0xFFFF",
        "any CRC-16",
        (*_CRC_WORDS, "polynomial", "init", "final", "reflected"),
        _general_crc(16),
    ),
    ChecksumFamily(
        "e2e-1",
        "e2e-1 with data id 0x123",
        "AUTOSAR E2E profile 1",
        ("over", "data_id"),
        _e2e_id,
    ),
    ChecksumFamily("e2e-2", "e2e-2 with data ids 1,2,...,16", "AUTOSAR E2E profile 2", ("over", "data_ids"), _e2e_list),
    ChecksumFamily("e2e-5", "e2e-5 with data id 0x1234", "AUTOSAR E2E profile 5", ("over", "data_id"), _e2e_5),
    ChecksumFamily(
        "e2e-11", "e2e-11 with data id 0x123 nibble", "AUTOSAR E2E profile 11", ("over", "data_id"), _e2e_id
    ),
    ChecksumFamily(
        "e2e-22", "e2e-22 with data ids 1,2,...,16", "AUTOSAR E2E profile 22", ("over", "data_ids"), _e2e_list
    ),
    ChecksumFamily("sum", "sum complement over 0-6", "of bytes", _SUM_WORDS, _sum(8)),
    ChecksumFamily("nibble sum", "nibble sum with identifier", "of half bytes", _SUM_WORDS, _sum(4)),
    ChecksumFamily("bit count", "bit count over 0-5", "how many bits are 1", _SUM_WORDS, _sum(1)),
    ChecksumFamily(
        "weighted sum",
        "weighted sum of 0:8, 8:4x2, 15:4be modulo 16",
        "START:BITS of each field, x WEIGHT",
        ("terms", *_SUM_WORDS[1:]),
        _weighted,
    ),
    ChecksumFamily("lin", "lin over 0-6", "sum with end-around carry, inverted", ("over",), _lin),
    ChecksumFamily("j1939 tsc1", "j1939 tsc1", "SAE J1939-71, SPN 4207", (), _tsc1),
    ChecksumFamily(
        "xor", "xor over 0-6", "of bytes; of half bytes in 4 bits", ("over", "identifier", "complement", "plus"), _xor
    ),
)


def _plain(name: str) -> str:
    return re.sub(r"[\s_/-]+", "", name.lower())


_BY_NAME = {_plain(f.name): f for f in FAMILIES} | {_plain("crc8-autosar"): FAMILIES[1]}


def families_help() -> str:
    """The list of families, an example a line, for help texts."""
    return "\n".join(f"{f.example:<46} {f.description}" for f in FAMILIES)


def words_help() -> str:
    """Which words each kind of family takes, as they are written, a line each."""
    kinds = (("a CRC takes", FAMILIES[0]), ("crc8, crc16", FAMILIES[2]), ("a sum takes", FAMILIES[9]))
    lines = []
    for what, family in kinds:
        takes = [n for n in family.takes if family is not FAMILIES[2] or n not in FAMILIES[0].takes]
        more = "also " if family is FAMILIES[2] else ""
        lines.append(f"{what} {more}{', '.join(_WORDS[n][1] for n in takes)}")
    lines.append("e2e-1 and e2e-11 take low, nibble or alternating behind the data ID, the standard's other modes")
    return "\n".join(lines)
