"""Language room: a learned rule's value, with what it remembers kept to where its recordings were."""

from __future__ import annotations

from dataclasses import replace

from swapbridge.language.bridge_file import BridgeFile, SignalRule, Written
from swapbridge.language.constants import parse_written
from swapbridge.language.expressions import Binary, Call, Name, Node, Unary, write
from swapbridge.language.memories import REMEMBERS


def guarded(bridge: BridgeFile, rule: SignalRule) -> Written:
    """The value of a rule; whatever remembers a source of `seen` hears it only within its range, as if it were invalid.

    A delay or a filter would otherwise go on saying what came of a value beyond it after the source is back inside.
    """
    if not rule.seen.ranges:
        return rule.value
    ranges = {name: (parse_written(bridge, low), parse_written(bridge, high)) for name, low, high in rule.seen.ranges}
    tree = parse_written(bridge, rule.value)
    found = _guarded(bridge, ranges, tree, remembered=False)
    return rule.value if found == tree else Written(write(found), rule.value.place)


def _guarded(bridge: BridgeFile, ranges: dict[str, tuple[Node, Node]], node: Node, *, remembered: bool) -> Node:
    def of(part: Node) -> Node:
        return _guarded(bridge, ranges, part, remembered=remembered)

    if isinstance(node, Name):
        if len(node.parts) == 3:
            ends = ranges.get(node.dotted, ranges.get("")) if remembered else None
            return node if ends is None else Call("within", (node, *ends))
        known = bridge.values.get(node.dotted)
        if known is None:
            return node
        tree = parse_written(bridge, known)
        found = of(tree)
        return node if found == tree else found
    if isinstance(node, Unary):
        return replace(node, operand=of(node.operand))
    if isinstance(node, Binary):
        otherwise = None if node.otherwise is None else of(node.otherwise)
        return replace(node, left=of(node.left), right=of(node.right), otherwise=otherwise)
    if isinstance(node, Call) and node.function not in ("age", "awake"):
        remembered = remembered or node.function in REMEMBERS
        return replace(
            node,
            arguments=tuple(of(a) for a in node.arguments),
            pairs=tuple((of(key), of(value)) for key, value in node.pairs),
            options=tuple((name, of(value)) for name, value in node.options),
            otherwise=None if node.otherwise is None else of(node.otherwise),
        )
    return node
