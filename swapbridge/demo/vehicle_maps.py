"""Demo room: the signal maps of two invented vehicles, as their builders would have written them down.

The host is the *Brindle* (big endian, degF, mph, psi, torque in Nm), the donor the *Tarnwick* (little endian, degC,
km/h, kPa, torque in percent of a reference sent once after wake-up). Neither name belongs to a maker we know of.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from swapbridge.signalmap.dbc_read import parse_map
from swapbridge.signalmap.signal_map import SignalMap

REFERENCE_NM = 480
"""What the donor's engine computer calls 100 % torque, in Nm."""

DIAL_CURVE = ((40.0, 0.0), (70.0, 45.0), (80.0, 50.0), (105.0, 50.0), (115.0, 80.0), (125.0, 100.0))
"""How the host's old engine computer set the coolant needle: degC to percent of the dial, held at the middle."""


def demo_file(name: str) -> bytes:
    """Content of a file that belongs to the demo."""
    return files("swapbridge.demo").joinpath("files", name).read_bytes()


@cache
def host_map() -> SignalMap:
    """The Brindle's powertrain bus, whole."""
    return parse_map(demo_file("brindle.dbc").decode("cp1252"), "brindle.dbc")


@cache
def donor_map() -> SignalMap:
    """The Tarnwick's powertrain bus, whole."""
    return parse_map(demo_file("tarnwick.dbc").decode("cp1252"), "tarnwick.dbc")
