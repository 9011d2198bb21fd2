"""Signal maps (DBC) in and out, with their evidence, and bulk decoding of captures."""

from swapbridge.signalmap.model import MODULE_KINDS, MapMessage, MapNode, MapSignal, ModuleKind, SignalMap

__all__ = ["MODULE_KINDS", "MapMessage", "MapNode", "MapSignal", "ModuleKind", "SignalMap"]
