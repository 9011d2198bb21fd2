"""Signal map room: what a map says twice or beyond its messages, left out signal by signal and noted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from swapbridge.signalmap.names import NAME, tidy_name
from swapbridge.signalmap.signal_map import MapSignal


def one_line(error: Exception) -> str:
    """What a parser says, on one line."""
    words = " ".join(str(error).split())
    if isinstance(error, KeyError):
        words = f"it uses {words} without defining it"
    return words[:300] or type(error).__name__


def without_contradictions(
    message: str, length: int, signals: Sequence[MapSignal], notes: list[str]
) -> tuple[MapSignal, ...]:
    """Signals without those that lie outside their message, or share bits with others of the same frame.

    Who shares bits with most others goes first (a group that covers its own parts), of two alike the later one.
    """
    by_name = {s.name: s for s in signals}
    kept = [s for s in signals if s.layout.fits(length)]
    notes += [
        f"message {message}, signal {s.name} needs more than its {length} bytes: left out"
        for s in signals
        if not s.layout.fits(length)
    ]
    bits = [sum(1 << p for p in s.layout.positions) for s in kept]
    clashes: dict[int, set[int]] = {n: set() for n in range(len(kept))}
    for n, s in enumerate(kept):
        for m in range(n):
            if bits[n] & bits[m] and _together(s, kept[m], by_name):
                clashes[n].add(m)
                clashes[m].add(n)
    counts = {n: len(c) for n, c in clashes.items()}
    while counts and clashes[worst := max(counts, key=lambda n: (counts[n], n))]:
        others = sorted(clashes.pop(worst))
        del counts[worst]
        shared = ", ".join(kept[m].name for m in others[:4])
        notes.append(f"message {message}, signal {kept[worst].name} shares bits with {shared}: left out")
        for m in others:
            clashes[m].discard(worst)
            counts[m] -= 1
    kept = [s for n, s in enumerate(kept) if n in clashes]
    while lost := [s for s in kept if s.mux_signal is not None and s.mux_signal not in {k.name for k in kept}]:
        notes += [
            f"message {message}, signal {s.name} depends on {s.mux_signal}, which is left out, so it is left out too"
            for s in lost
        ]
        kept = [s for s in kept if s not in lost]
    return tuple(kept)


def tidy(name: str) -> str:
    """A name as it can stand in a map, also one that a long-name attribute gave."""
    return name if NAME.fullmatch(name) else tidy_name(name)


def _together(a: MapSignal, b: MapSignal, by_name: Mapping[str, MapSignal]) -> bool:
    """Whether two signals can stand in one frame: no multiplexer separates them."""
    if a.mux_signal is None or b.mux_signal is None:
        return True
    pages: dict[str, frozenset[int]] = {}
    for s in (a, b):
        step: MapSignal | None = s
        for _ in range(len(by_name) + 1):
            if step is None or step.mux_signal is None:
                break
            values = frozenset(step.mux_values)
            if step.mux_signal in pages and s is b and not pages[step.mux_signal] & values:
                return False
            if s is a:
                pages[step.mux_signal] = values
            step = by_name.get(step.mux_signal)
    return True
