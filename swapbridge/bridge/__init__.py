"""Bridge file to checked plan to translator: pure, exact integers, no clock of its own."""

from swapbridge.bridge.bridge_file import BridgeFile, BridgeRefused
from swapbridge.bridge.bridge_read import load_bridge, parse_bridge
from swapbridge.bridge.compile import CompileResult, compile_bridge, load_maps
from swapbridge.bridge.plan import STATES, Plan
from swapbridge.bridge.plan_check import check_plan
from swapbridge.bridge.plan_json import plan_from_json
from swapbridge.bridge.translator import SentFrame, Translator, translator_source

__all__ = [
    "STATES",
    "BridgeFile",
    "BridgeRefused",
    "CompileResult",
    "Plan",
    "SentFrame",
    "Translator",
    "check_plan",
    "compile_bridge",
    "load_bridge",
    "load_maps",
    "parse_bridge",
    "plan_from_json",
    "translator_source",
]
