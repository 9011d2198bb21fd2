"""Compiler room: the maps that a bridge file names, read; apart, so that who only asks for them loads no compiler."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from swapbridge.core.errors import InputError
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.signal_map import SignalMap


def load_maps(bridge: BridgeFile, given: Mapping[str, str | Path] | None = None) -> dict[str, SignalMap]:
    """Maps of a bridge's buses by bus name: `given` files, else those that the bridge file names (beside itself).

    Raises
    ------
    InputError
        A map can't be read, or is given for a bus that the bridge file has not.
    """
    wanted = bridge.map_files()
    for name, path in (given or {}).items():
        if bridge.bus(name) is None:
            known = ", ".join(b.name for b in bridge.buses)
            raise InputError(
                f"a map is given for bus {name!r}, but {bridge.path} has only {known}: use one of those names"
            )
        wanted[name] = Path(path)
    return {name: load_map(path) for name, path in wanted.items()}
