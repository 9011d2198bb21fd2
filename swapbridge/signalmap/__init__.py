"""Signal maps (DBC) in and out, with their evidence, and bulk decoding of captures."""

from swapbridge.signalmap.dbc_read import load_map, parse_map
from swapbridge.signalmap.dbc_write import encode_map, format_map, save_map
from swapbridge.signalmap.model import MODULE_KINDS, MapMessage, MapNode, MapSignal, ModuleKind, SignalMap

__all__ = [
    "MODULE_KINDS",
    "MapMessage",
    "MapNode",
    "MapSignal",
    "ModuleKind",
    "SignalMap",
    "encode_map",
    "format_map",
    "load_map",
    "parse_map",
    "save_map",
]
