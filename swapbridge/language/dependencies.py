"""Language room: which signals an expression depends on, through every named value in it."""

from __future__ import annotations

from swapbridge.language.bridge_file import BridgeFile, Written
from swapbridge.language.constants import parse_written
from swapbridge.language.expressions import Call, Name, Node, children, names_in


def names_behind(bridge: BridgeFile, node: Node) -> tuple[Name, ...]:
    """Every name in a tree with named values and constants written out, each once, in the order met."""
    found: dict[tuple[str, ...], Name] = {}
    work, opened = [node], set[str]()
    while work:
        for name in names_in(work.pop(0)):
            source = bridge.values.get(name.dotted) or bridge.constants.get(name.dotted)
            if len(name.parts) == 1 and source is not None:
                if name.dotted not in opened:
                    opened.add(name.dotted)
                    work.append(parse_written(bridge, source))
            else:
                found.setdefault(name.parts, name)
    return tuple(found.values())


def signals_behind(bridge: BridgeFile, written: Written) -> tuple[Name, ...]:
    """Names of the source signals (bus.MESSAGE.SIGNAL) that an expression of the file depends on."""
    return tuple(n for n in names_behind(bridge, parse_written(bridge, written)) if len(n.parts) == 3)


def values_behind(bridge: BridgeFile, written: Written) -> tuple[Name, ...]:
    """Like `signals_behind`, but only those whose value counts, not merely whether or when one came."""
    found: dict[tuple[str, ...], Name] = {}
    work, opened = [parse_written(bridge, written)], set[str]()
    while work:
        node = work.pop(0)
        if isinstance(node, Name):
            known = bridge.values.get(node.dotted) or bridge.constants.get(node.dotted)
            if len(node.parts) == 3:
                found.setdefault(node.parts, node)
            elif known is not None and node.dotted not in opened:
                opened.add(node.dotted)
                work.append(parse_written(bridge, known))
        elif not (isinstance(node, Call) and node.function in ("valid", "age", "awake")):
            work += children(node)
    return tuple(found.values())
