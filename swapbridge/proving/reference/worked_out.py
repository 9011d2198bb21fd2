"""Proving room: what the exact reference worked out before, so that equal inputs are worked out once."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from swapbridge.language.expressions import Node
from swapbridge.proving.reference.exact_values import Exact


@dataclass(slots=True)
class WorkedOut:
    """What was worked out before, by inputs; shared by the references of one bridge, which alone determine it."""

    trees: dict[str, Node] = field(default_factory=dict)
    parts: dict[tuple[object, ...], dict[tuple[object, ...], Exact]] = field(default_factory=dict)
    """Of parts of trees, by the part and what it is wanted for."""
    raws: dict[str, dict[tuple[object, ...], tuple[int, bool, Fraction]]] = field(default_factory=dict)
    packed: dict[tuple[int, int, str], dict[tuple[int, tuple[int, ...]], bytes]] = field(default_factory=dict)
    checked: dict[tuple[int, int, str], dict[tuple[bytes, tuple[int, ...]], bytes]] = field(default_factory=dict)
    summed: dict[tuple[str, str], dict[bytes, bool]] = field(default_factory=dict)
    conditions: dict[tuple[object, ...], tuple[bool, bool, bool]] = field(default_factory=dict)
