"""Signal maps (DBC) in and out, with their evidence, and bulk decoding of captures."""

from swapbridge.signalmap.dbc_read import load_map, parse_map
from swapbridge.signalmap.dbc_write import encode_map, format_map, save_map
from swapbridge.signalmap.decode import DecodedColumn, RawColumn, decode_columns, raw_columns
from swapbridge.signalmap.model import MODULE_KINDS, MapMessage, MapNode, MapSignal, ModuleKind, SignalMap

__all__ = [
    "MODULE_KINDS",
    "DecodedColumn",
    "MapMessage",
    "MapNode",
    "MapSignal",
    "ModuleKind",
    "RawColumn",
    "SignalMap",
    "decode_columns",
    "encode_map",
    "format_map",
    "load_map",
    "parse_map",
    "raw_columns",
    "save_map",
]
