"""Swapbridge: the CAN bus translation-layer toolkit for engine swaps.

Every step of the workflow as one function or class, loaded on first use. Inside a swap folder:

>>> import swapbridge
>>> capture = swapbridge.read_capture("captures/host_old_engine.log.gz")
>>> capture
<Capture captures/host_old_engine.log.gz: 76907 frames in 160.8 s on host>
>>> swapbridge.survey(capture).buses[0].name
'host'
>>> unplugged = swapbridge.read_capture("captures/host_unplugged.log.gz")
>>> len(swapbridge.compare(capture, unplugged).vanished)
6
>>> swapbridge.load_map("signal_maps/host.dbc")
<SignalMap signal_maps/host.dbc: 16 messages, 76 signals>
>>> compiled = swapbridge.compile_bridge("bridge.toml")
>>> compiled.plan
<Plan 'tarnwick_in_brindle': 11 messages heard, 10 sent, on host, donor>
>>> swapbridge.plan_from_json(compiled.plan.to_json()) == compiled.plan
True
>>> translator = swapbridge.Translator(compiled.plan)
>>> translator.poll(0) is None  # no bus has spoken yet
True
>>> sorted(swapbridge.emit_c(compiled.plan))[:2]
['bridge.c', 'bridge.h']
>>> swapbridge.NativeTranslator(compiled.plan).poll(0) is None  # the same in C
True
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from swapbridge._version import __version__ as __version__

if TYPE_CHECKING:
    from swapbridge.bus.recording.record import record as record
    from swapbridge.bus.running.replay import replay as replay
    from swapbridge.bus.running.run import run as run
    from swapbridge.capture.read import read_capture as read_capture
    from swapbridge.compiler.compile import compile_bridge as compile_bridge
    from swapbridge.emit.emit_c import emit_c as emit_c
    from swapbridge.emit.native import NativeTranslator as NativeTranslator
    from swapbridge.guessing.guess import guess as guess
    from swapbridge.plan.python.translator import Translator as Translator
    from swapbridge.plan.serialise import plan_from_json as plan_from_json
    from swapbridge.proving.prove import prove as prove
    from swapbridge.signalmap.dbc_read import load_map as load_map
    from swapbridge.surveying.compare import compare as compare
    from swapbridge.surveying.inventory import survey as survey

_HOMES = {
    "read_capture": "capture.read",
    "survey": "surveying.inventory",
    "compare": "surveying.compare",
    "guess": "guessing.guess",
    "load_map": "signalmap.dbc_read",
    "compile_bridge": "compiler.compile",
    "plan_from_json": "plan.serialise",
    "prove": "proving.prove",
    "Translator": "plan.python.translator",
    "NativeTranslator": "emit.native",
    "emit_c": "emit.emit_c",
    "record": "bus.recording.record",
    "run": "bus.running.run",
    "replay": "bus.running.replay",
}
"""The module of each public name."""

__all__ = [*_HOMES, "__version__"]


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'swapbridge' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"swapbridge.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
