"""Everything that touches python-can buses: open, record, replay, run, scan-tool polling."""

import swapbridge.capture.python_can  # noqa: F401 - before anything loads python-can
from swapbridge.bus.bitrate import RateTry, find_bitrate
from swapbridge.bus.live import LiveOptions, LiveStatus
from swapbridge.bus.opening import open_bus, open_buses
from swapbridge.bus.proof import PROOF_NAME, Proof, proof_of
from swapbridge.bus.record import Press, RecordStatus, record
from swapbridge.bus.recorder import RecordReport
from swapbridge.bus.rehearsal import rehearse_recording
from swapbridge.bus.replay import ReplayReport, replay, translate
from swapbridge.bus.run import RunReport, RunRequest, run
from swapbridge.bus.script import Step, default_script_text, load_script, parse_script
from swapbridge.bus.spec import BusSpec, load_bus_config, parse_bus
from swapbridge.bus.virtual_check import VirtualRun, virtual_check

__all__ = [
    "PROOF_NAME",
    "BusSpec",
    "LiveOptions",
    "LiveStatus",
    "Press",
    "Proof",
    "RateTry",
    "RecordReport",
    "RecordStatus",
    "ReplayReport",
    "RunReport",
    "RunRequest",
    "Step",
    "VirtualRun",
    "default_script_text",
    "find_bitrate",
    "load_bus_config",
    "load_script",
    "open_bus",
    "open_buses",
    "parse_bus",
    "parse_script",
    "proof_of",
    "record",
    "rehearse_recording",
    "replay",
    "run",
    "translate",
    "virtual_check",
]
