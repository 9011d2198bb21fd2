"""Signal maps (DBC) in and out, with their evidence, and bulk decoding of captures."""

import swapbridge.capture.python_can  # noqa: F401 - before anything loads python-can
from swapbridge.signalmap.accept import Accepted, accept_findings
from swapbridge.signalmap.dbc_read import load_map, parse_map
from swapbridge.signalmap.dbc_write import decimal_text, encode_map, format_map, save_map
from swapbridge.signalmap.decode import DecodedColumn, RawColumn, decode_columns, raw_columns
from swapbridge.signalmap.merge import Merged, merge_maps
from swapbridge.signalmap.model import MODULE_KINDS, MapMessage, MapNode, MapSignal, ModuleKind, SignalMap
from swapbridge.signalmap.table import integrity_words, map_csv, map_json, map_rows

__all__ = [
    "MODULE_KINDS",
    "Accepted",
    "DecodedColumn",
    "MapMessage",
    "MapNode",
    "MapSignal",
    "Merged",
    "ModuleKind",
    "RawColumn",
    "SignalMap",
    "accept_findings",
    "decimal_text",
    "decode_columns",
    "encode_map",
    "format_map",
    "integrity_words",
    "load_map",
    "map_csv",
    "map_json",
    "map_rows",
    "merge_maps",
    "parse_map",
    "raw_columns",
    "save_map",
]
