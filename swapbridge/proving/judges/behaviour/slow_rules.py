"""Proving room: rules that make what moves fast late on purpose; own words and notes allow more than a fault of theirs.

A switch's notes are exact to half a second, so a brake that comes 0.3 s late agrees with them. The rule itself says it.
"""

from __future__ import annotations

from collections.abc import Iterator

from swapbridge.core.units import find_unit
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.expressions import Call, Node, Number, children
from swapbridge.proving.case import Case, SentSignal
from swapbridge.proving.judges.behaviour.safe_answers import MOVES_FAST
from swapbridge.proving.judges.maps.by_stimulus import LONGEST_SMOOTH_S
from swapbridge.proving.verdict import Check, check_of

LATE = frozenset({"debounce", "delay"})
LONGEST_REQUEST_S = 0.02
"""A request is taken back after a fifth of a second: two of its frames are a tenth of that."""
MAY_WAIT = frozenset({"key_state", "compressor_request", "engine_running"})
"""They move fast, but nobody brakes or shifts by their moment."""


def judge_slow_rules(case: Case) -> list[Check]:
    """One check for each sent signal that waits on purpose, and moves fast or belongs to a request."""
    requests = {(m.bus, m.message.word) for m in case.made if m.role is not None and m.role.hazard == "torque request"}
    return [check for made in case.made for check in _one(case, made, (made.bus, made.message.word) in requests)]


def _one(case: Case, made: SentSignal, asks: bool) -> Iterator[Check]:
    fast = made.role is not None and made.role.alias in MOVES_FAST - MAY_WAIT
    late_s = _late_s(case.bridge, made.tree)
    if not late_s or not (fast or asks):
        return
    most_s = LONGEST_REQUEST_S if asks else LONGEST_SMOOTH_S
    yield check_of(
        "life",
        made.label,
        "waits on purpose",
        late_s <= most_s,
        f"its rule waits for {late_s:g} s",
        f"at most {most_s:g} s: who brakes or shifts by it does so that much later",
        "shorten debounce or delay in its rule",
        otherwise="unproved",
    )


def _late_s(bridge: BridgeFile, node: Node | None) -> float:
    """Seconds that debounce and delay take in a rule, one after the other."""
    if node is None:
        return 0.0
    inner = max((_late_s(bridge, part) for part in children(node)), default=0.0)
    if not isinstance(node, Call) or node.function not in LATE:
        return inner
    second = find_unit("s")
    times = [
        find_unit(a.unit, bridge.units).convert(a.value, second) for a in node.arguments[1:] if isinstance(a, Number)
    ]
    return inner + float(max(times, default=0))
