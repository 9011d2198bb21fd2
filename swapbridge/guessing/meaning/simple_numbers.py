"""Guessing room, meaning side: from a fitted scale and offset to the values an engineer chose.

A two-part code: a simple number costs few bits to name, a number away from the fit costs bits of misfit; the cheapest
pair wins, and only inside the fit's own error bar. Scale and offset are chosen together, since a fit knows the value
in the middle of its data far better than the value at raw zero.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, floor, log2, log10

FARTHEST = 4.5
"""A number farther from the fit than this many of its errors is never taken."""
SYSTEMATIC = 3e-4
"""Relative error of a scale that no error bar shows: a scan tool's own rounding and timing."""
TYRE = 4e-3
"""Relative standard deviation of tyre and instrument error on speeds; 1 % is the stated limit."""
TYRE_LIMIT = 0.01
TYRE_BITS = 4.0
MOST_SCALES = 120
DOWN_BITS = 5.0
"""Bits for a tool that rounds down instead of to the nearest."""
SPEED_UNITS = {"km/h": 1.0, "kmh": 1.0, "kph": 1.0, "mph": 1.609344, "m/s": 3.6}
"""Spellings of speed, and km/h in one of each."""
TEMPERATURES = ("degC", "C", "°C", "deg C")
PRESSURES = {"kPa": 1.0, "bar": 100.0, "psi": 6.894757, "hPa": 0.1, "mbar": 0.1}
"""Spellings of pressure, and kPa in one of each."""


@dataclass(frozen=True, slots=True)
class Snapped:
    """Chosen scale and offset.

    `saved_bits` is how much shorter the pair is to name than the bare fit: large where an engineer's number was met.
    `words` says how the scale came about, empty where it is the bare fit.
    """

    scale: float
    offset: float
    snapped: bool
    saved_bits: float
    words: str


def simplest_numbers(
    scale: float,
    offset: float,
    scale_error: float,
    middle: float,
    middle_error: float,
    *,
    unit: str = "",
    quantum: float = 0.0,
) -> Snapped:
    """Choose the engineer's scale and offset near a fit.

    Parameters
    ----------
    scale, offset : float
        The fit.
    scale_error, middle, middle_error : float
        Standard error of the scale; raw value in the middle of the data; standard error of the fitted value there.
    unit : str
        The channel's unit; opens conversions of the same kind and, for speeds, the 1 % of tyre error.
    quantum : float
        The channel's own step: a scan tool may round up, down or to the nearest.
    """
    size, sign = abs(scale), 1.0 if scale >= 0 else -1.0
    if size <= 0:
        return Snapped(scale, offset, False, 0.0, "")
    value_middle = offset + scale * middle
    tight = (scale_error**2 + (SYSTEMATIC * size) ** 2) ** 0.5
    # the step of the raw value also blurs where the middle lies
    blur = (middle_error**2 + (0.04 * quantum) ** 2 + (0.02 * size) ** 2) ** 0.5
    speed = unit in SPEED_UNITS
    bare = _bare_bits(size, tight) + _bare_bits(max(abs(offset), 10 * blur), blur)
    best: tuple[float, float, float, str] | None = None
    loose = min((tight**2 + (TYRE * size) ** 2) ** 0.5, TYRE_LIMIT * size) if speed else tight
    reach = max(FARTHEST * tight, TYRE_LIMIT * size if speed else 0.0)
    for number, bits, words, cost_scale, is_tyre in _weighed(size, reach, tight, loose, unit):
        if best is not None and bits + cost_scale + 1.0 >= best[0]:
            continue
        # a tyre's error scales the value, so the middle is judged against the scaled one
        moved = value_middle + (number - size) * sign * (middle + offset / scale) if is_tyre else value_middle
        unsure = (blur**2 + (TYRE * value_middle) ** 2) ** 0.5 if is_tyre else blur
        for rounding, rounding_bits in ((0.0, 0.0), (quantum / 2, DOWN_BITS)):
            # a tool that rounds down shows half a step too little on average
            at_zero = moved + rounding - sign * number * middle
            so_far = bits + cost_scale + rounding_bits
            if (rounding_bits and not quantum) or (best is not None and so_far + 1.0 >= best[0]):
                continue
            for zero, zero_bits in _offsets(at_zero, unsure, number, unit):
                cost = so_far + zero_bits + _misfit((zero - at_zero) / unsure)
                if best is None or cost < best[0]:
                    best = (cost, sign * number, zero, words + (", tyre error allowed for" if is_tyre else ""))
    if best is None or best[0] > bare + 2:
        rounded = _significant(scale, tight)
        # the value in the middle is what the fit knows best: the offset makes up for the scale's rounding
        return Snapped(rounded, _significant(value_middle - rounded * middle, blur), False, 0.0, "")
    return Snapped(best[1], best[2], True, bare - best[0], best[3])


def common_scale(sizes: Sequence[float], spread: float, limit: float) -> float | None:
    """The cheapest simple number for several scales that differ by chance; None where none is within `limit` of all.

    Parameters
    ----------
    sizes : sequence of float
        Positive scales.
    spread, limit : float
        Relative standard deviation, and the relative difference that is never exceeded.
    """
    middle = sum(sizes) / len(sizes)
    costs = [
        (bits + sum(_misfit((size - number) / (spread * number)) for size in sizes), number)
        for number, bits, _ in _plain(middle * (1 - limit), middle * (1 + limit), most_digits=3)
        if all(abs(size / number - 1) <= limit for size in sizes)
    ]
    return min(costs)[1] if costs else None


def _weighed(
    size: float, reach: float, tight: float, loose: float, unit: str
) -> list[tuple[float, float, str, float, bool]]:
    """Scales within reach, cheapest first: number, bits, words, bits of misfit, whether tyre error is called on."""
    out = []
    speed = unit in SPEED_UNITS
    for number, bits, words in _scales(size - reach, size + reach, unit):
        apart = abs(number - size)
        cost = _misfit(apart / tight) if apart <= FARTHEST * tight else 1e9
        by_tyre = 1e9
        if speed and apart <= TYRE_LIMIT * size:
            by_tyre = TYRE_BITS + log2(loose / tight) * 0.5 + _misfit(apart / loose)
        if min(cost, by_tyre) < 1e8:
            out.append((number, bits, words, min(cost, by_tyre), by_tyre < cost))
    return sorted(out, key=lambda s: s[1] + s[3])[:MOST_SCALES]


def _misfit(z: float) -> float:
    """Bits that a number z errors away costs: Student's t with four degrees, so that a small bias is forgiven."""
    return 2.5 * log2(1 + z * z / 4)


def _bare_bits(size: float, error: float) -> float:
    return 6.0 + max(log2(max(size / max(error, 1e-12), 2.0)), 1.0)


def _significant(number: float, error: float) -> float:
    """The number to a tenth of its error."""
    if error <= 0:
        return number
    return round(number, max(0, 1 - floor(log10(error))))


def _scales(low: float, high: float, unit: str) -> Iterator[tuple[float, float, str]]:
    """Simple positive numbers in a range, the bits to name each, and words."""
    yield from _plain(low, high)
    for factor, words in _conversions(unit):
        for number, bits, plain in _plain(low / factor, high / factor, most_digits=2):
            yield number * factor, bits + 6.0, f"{plain} {words}"


def _conversions(unit: str) -> Iterator[tuple[float, str]]:
    for table in (SPEED_UNITS, PRESSURES):
        if unit in table:
            names = ("km/h", "mph", "m/s") if table is SPEED_UNITS else ("kPa", "bar", "psi")
            for name in names:
                factor = table[name] / table[unit]
                if abs(log10(factor) - round(log10(factor))) > 1e-9:
                    yield factor, name
    if unit in TEMPERATURES:
        yield 5 / 9, "degF"
    elif unit in ("degF", "F", "°F"):
        yield 9 / 5, "degC"


MANTISSA_BITS = {1: 2.0, 2: 3.5, 5: 3.0, 25: 4.5, 4: 5.0, 8: 6.0, 125: 6.0, 75: 6.5, 15: 7.0, 3: 6.5, 6: 6.5}
"""Bits of the favourite mantissas; others cost by their digits (common practice, no source)."""


def _plain(low: float, high: float, most_digits: int = 4) -> Iterator[tuple[float, float, str]]:
    if low <= 0 or high <= low:
        low = max(low, high * 1e-3, 1e-12)
    for digits in range(1, most_digits + 1):
        for exponent in range(floor(log10(low)) - digits + 1, floor(log10(high)) - digits + 2):
            step = 10.0**exponent
            first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
            if last - first > 400:
                continue
            for m in range(first, last + 1):
                if m % 10 == 0 or not 10 ** (digits - 1) <= m < 10**digits:
                    continue
                bits = MANTISSA_BITS.get(m, 3.0 + 3.6 * digits) + 0.4 * abs(exponent + digits - 1) + 1.0
                yield float(f"{m}e{exponent}"), bits, f"{float(f'{m}e{exponent}'):g}"
    for k in range(1, 21):
        for m in (1, 3, 5, 7, 9):
            for ten in (1.0, 0.1, 10.0, 100.0):
                number = m * ten / 2**k
                if low <= number <= high:
                    bits = 4.0 + 0.25 * k + (0 if m == 1 else 3.0) + (0 if ten == 1 else 1.5)
                    yield number, bits, f"{m * ten:g}/{2**k}"
    for top in (200, 250, 254, 255, 1000, 1023, 4095, 16383, 65535):
        for whole in (100.0, 1.0):
            number = whole / top
            if low <= number <= high:
                yield number, 7.0, f"{whole:g}/{top}"


COMMON_OFFSETS = {-40.0: 3.0, -48.0: 5.0, -50.0: 5.0, -60.0: 6.0, -100.0: 5.0, -125.0: 5.0, -273.0: 6.0, -273.15: 7.0}
"""Bits of the usual offsets (SAE J1939-71, SAE J1979 and common practice)."""


def _offsets(at_zero: float, blur: float, scale: float, unit: str) -> Iterator[tuple[float, float]]:
    """Simple offsets within reach of a value, and the bits to name each."""
    reach = FARTHEST * blur
    if abs(at_zero) <= reach:
        yield 0.0, 1.0
    for zero, bits in COMMON_OFFSETS.items():
        if abs(zero - at_zero) <= reach:
            yield zero, bits
    for step, bits in ((1000.0, 6.0), (100.0, 7.0), (50.0, 8.0), (10.0, 8.0), (5.0, 9.5), (1.0, 10.0), (0.5, 12.5)):
        for k in {floor(at_zero / step), ceil(at_zero / step)}:
            if k and abs(k * step - at_zero) <= reach:
                yield k * step, bits + 0.5 * log2(1 + abs(k))
    # an offset that makes the middle of the raw range, or a round raw value, mean nothing
    raw_zero = -at_zero / scale
    for width in range(4, 33):
        centre = float(1 << (width - 1))
        if abs(raw_zero - centre) * scale <= reach:
            yield -centre * scale, 6.0
    for k in (100, 200, 500, 1000, 2000, 5000, 10000, 20000):
        if abs(raw_zero - k) * scale <= reach:
            yield -k * scale, 8.0
    digits = 10.0 ** floor(log10(max(scale, 1e-9)))
    if digits < 0.5:
        near = _significant(round(at_zero / scale) * scale, digits)
        if abs(near - at_zero) <= reach:
            yield near, 12.0 + log2(1 + abs(near) / scale) * 0.5
    if unit in TEMPERATURES:
        for fahrenheit in (0.0, -40.0, -60.0, -50.0):
            zero = (fahrenheit - 32) * 5 / 9
            if abs(zero - at_zero) <= reach:
                yield zero, 8.0
