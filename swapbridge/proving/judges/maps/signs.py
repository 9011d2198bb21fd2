"""Proving room: checks a number's sign and scale against its range in the map, where no recording shows them.

Of a number whose top bit was never set both signs read alike; a scale shows only beside a quantity that was measured.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from swapbridge.proving.case import Case, Ints
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapSignal

FEWEST_BITS = 6
ROUNDED = Fraction(1, 50)
"""So far a scale that was written with two digits is off, and with it the ends, seen from where the bits are all 0."""


def judge_signs(case: Case) -> list[Check]:
    """One check for each number whose range contradicts its sign, and one a bus that lists untold signs.

    Of what is read the scale as well: nothing that is sent confirms it, so that this needs no run.
    """
    out: list[Check] = []
    sent = {made.label for made in case.made}
    for bus, name in enumerate(case.names):
        untold = []
        for label, signal, raw in _numbers(case, bus):
            if f"{name}.{label}" not in sent:
                out += _scale(case, f"{name}.{label}", signal)
            if raw.min() < 0 or raw.max() >= 1 << (signal.layout.length - 1):
                continue
            fits = range_fits(signal)
            if fits is None:
                untold.append(label)
            elif not fits:
                out.append(_contradicted(f"{name}.{label}", signal))
        if untold:
            out.append(
                check_of(
                    "maps",
                    f"bus {name}",
                    "signed or not",
                    False,
                    f"{', '.join(untold)}: their top bit was never set, so both readings agree",
                    "recordings in which they go below zero, or above half of what their bits can hold",
                    "state their range in the map if known; otherwise check them where the new engine goes further",
                    otherwise="open",
                )
            )
    return out


def judge_sent_ranges(case: Case) -> list[Check]:
    """One check for each number that is sent and whose range contradicts its scale, unless it follows what was read."""
    sent = {made.label for made in case.made}
    return [
        check
        for bus, name in enumerate(case.names)
        for label, signal, _ in _numbers(case, bus)
        if f"{name}.{label}" in sent
        for check in _scale(case, f"{name}.{label}", signal)
    ]


def _numbers(case: Case, bus: int) -> Iterator[tuple[str, MapSignal, Ints]]:
    """Numbers that are read by a rule or sent by one, and the raw values that were recorded of them."""
    name = case.names[bus]
    mine = {place[1:] for made in case.made for place in made.sources if place[0] == name}
    mine |= {(made.message.name, made.signal.name) for made in case.made if made.bus == bus and made.sources}
    for message in case.maps[name].messages:
        for signal in message.signals:
            if (message.name, signal.name) not in mine or signal.choices or signal.layout.length < FEWEST_BITS:
                continue
            track = case.recorded_track(bus, message, signal)
            if track is not None and track.measured.any():
                yield f"{message.name}.{signal.name}", signal, track.raw[track.measured]


def _scale(case: Case, label: str, signal: MapSignal) -> Iterator[Check]:
    """A range that the bits can't say with this scale and offset, where nothing that was measured confirms them."""
    if range_in_reach(signal) is not False:
        return
    if any(c.subject == label and c.name.startswith("says ") and c.status == "pass" for c in case.checks):
        return
    assert signal.minimum is not None
    assert signal.maximum is not None
    low, high = signal.physical_range
    yield check_of(
        "maps",
        label,
        "scale and offset",
        False,
        f"its bits can hold {float(low):g} to {float(high):g} {signal.unit}".rstrip()
        + f", and its range is {float(signal.minimum):g} to {float(signal.maximum):g}",
        "a range that its bits, scale and offset can represent, or a measurement that confirms them",
        "correct the scale, offset, length or range in the map: no recording shows which of them is wrong",
        otherwise="unproved",
    )


def range_in_reach(signal: MapSignal) -> bool | None:
    """Whether a signal's bits can say all of its declared range; None where it declares none, or raw numbers.

    A range is written beside its scale and offset, so it is what these bits can say: give or take a step at each end,
    and what a rounded scale makes of it.
    """
    if signal.minimum is None or signal.maximum is None or signal.minimum >= signal.maximum:
        return None
    if (signal.minimum, signal.maximum) == tuple(map(Fraction, signal.layout.raw_range)):
        return None
    step, zero = abs(Fraction(signal.scale)), signal.physical(0)
    low, high = signal.physical_range
    lowest, highest = low - step - ROUNDED * abs(low - zero), high + step + ROUNDED * abs(high - zero)
    return lowest <= signal.minimum and signal.maximum <= highest


def range_fits(signal: MapSignal) -> bool | None:
    """Whether a signal's declared range is within reach of its sign; None where it declares none."""
    if signal.minimum is None or signal.maximum is None or signal.minimum >= signal.maximum:
        return None
    other = replace(signal, layout=replace(signal.layout, signed=not signal.layout.signed))
    return _reaches(signal) or not _reaches(other)


def _reaches(signal: MapSignal) -> bool:
    low, high = signal.layout.raw_range
    ends = sorted((signal.physical(low), signal.physical(high)))
    step = abs(Fraction(signal.scale))
    assert signal.minimum is not None
    assert signal.maximum is not None
    return ends[0] - step <= signal.minimum and signal.maximum <= ends[1] + step


def _contradicted(label: str, signal: MapSignal) -> Check:
    stated, other = ("signed", "unsigned") if signal.layout.signed else ("unsigned", "signed")
    assert signal.minimum is not None
    assert signal.maximum is not None
    span = f"{float(signal.minimum):g} to {float(signal.maximum):g} {signal.unit}".rstrip()
    return check_of(
        "maps",
        label,
        "sign",
        False,
        f"{stated}, and its range of {span} is that of {other} bits; it was never seen where the two differ",
        "a sign with which the map's range can be sent",
        "correct the sign or the range in the map: no recording shows which of them is wrong",
        otherwise="unproved",
    )
