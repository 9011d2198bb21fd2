"""Bus room: fault codes that modules say by themselves (SAE J1939 DM1), heard while a translator runs, never asked."""

from __future__ import annotations

from dataclasses import dataclass, field

from swapbridge.core import j1939

_WANTED = frozenset({j1939.DM1, j1939.TRANSPORT, j1939.TRANSPORT_DATA})
STALE_US = 5_000_000
"""DM1 comes once a second while a code is active; one this old is over."""


@dataclass(slots=True)
class ReceivedFaults:
    """The last DM1 of every address, bus by bus."""

    _assemblers: dict[int, j1939.Assembler] = field(default_factory=dict)
    _last: dict[tuple[int, int], tuple[int, j1939.Faults]] = field(default_factory=dict)

    def heard(self, bus: int, word: int, data: bytes, now_us: int) -> None:
        """Take a frame that another node sent."""
        found = j1939.group_of(word)
        if found is None or found[0] not in _WANTED:
            return
        if bus not in self._assemblers:
            self._assemblers[bus] = j1939.Assembler()
        assembler = self._assemblers[bus]
        assembler.expire(now_us * 1000)
        group = assembler.take(word, data, now_us * 1000)
        assembler.problems.clear()
        if group is not None and group.number == j1939.DM1:
            faults = j1939.read_faults(group.data)
            if faults is not None:
                self._last[bus, group.source] = (now_us, faults)

    def lines(self, names: tuple[str, ...], now_us: int) -> tuple[str, ...]:
        """What is being said now, a sentence an address; `names` are the buses'."""
        out = []
        for (bus, source), (heard_us, faults) in sorted(self._last.items()):
            if now_us - heard_us > STALE_US or not (faults.codes or faults.lamps):
                continue
            codes = ", ".join(code.text for code in faults.codes) or "no code"
            lamps = f" (lamp on: {', '.join(faults.lamps)})" if faults.lamps else ""
            out.append(f"{names[bus]}: address {source} says {codes}{lamps}")
        return tuple(out)
