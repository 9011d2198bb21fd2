"""Compiler room: what a plan was compiled from, and whether that is what is at hand."""

from __future__ import annotations

from collections.abc import Mapping

from swapbridge.language.bridge_file import BridgeFile
from swapbridge.plan.plan import Plan
from swapbridge.signalmap.dbc_write import map_digest, written_digest
from swapbridge.signalmap.signal_map import SignalMap


def compared_inputs(plan: Plan, bridge: BridgeFile, maps: Mapping[str, SignalMap]) -> dict[str, tuple[str, str]]:
    """Digests of bridge file and maps by name ("bridge", "map NAME"): as the plan names them, and of those at hand."""
    now = {"bridge": bridge.digest, **{f"map {name}": map_digest(one) for name, one in maps.items()}}
    return {name: (digest, now[name]) for name, digest in plan.inputs if name in now}


def changed_inputs(plan: Plan, bridge: BridgeFile) -> list[str]:
    """Names of what a plan was compiled from and is not what lies there now: the bridge file, and the maps it names.

    A map is parsed only where its file is not, byte for byte, what this toolkit would write: it may still say the same.

    Raises
    ------
    InputError
        A map can't be read.
    """
    then = dict(plan.inputs)
    known = {name: path for name, path in bridge.map_files().items() if f"map {name}" in then}
    other = {name: path for name, path in known.items() if written_digest(path) != then[f"map {name}"]}
    maps: dict[str, SignalMap] = {}
    if other:
        from swapbridge.signalmap.dbc_read import load_map  # with cantools behind it, which takes longer than all else

        maps = {name: load_map(path) for name, path in other.items()}
    return [name for name, (was, now) in compared_inputs(plan, bridge, maps).items() if was != now]
