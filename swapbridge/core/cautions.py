"""Core room: the cautions that stand in front of the user, one text for every place that shows them.

`record`, `replay` and `run`, the proof's report, the browser page and the guides all read these. The rules are common
practice and have no published source; local codes and licensed practice come before them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Occasion = Literal["listen", "ask", "send"]
"""What is about to happen: only listening, asking with a scan tool, or sending frames to a vehicle."""


@dataclass(frozen=True, slots=True)
class Caution:
    """One rule: a few words to recognise it by, and the rule itself in plain sentences."""

    title: str
    text: str
    occasions: tuple[Occasion, ...]


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Listen before you talk",
        "First contact is listen-only, at the right bit rate. A node at the wrong rate that may send can stop a bus.",
        ("listen", "ask", "send"),
    ),
    Caution(
        "Two people",
        "The driver never operates the laptop: one person at the key and pedals, another at the screen.",
        ("listen", "ask", "send"),
    ),
    Caution(
        "Wheels and brake",
        "Lever tests with the brake applied and the wheels chocked. First runs with all driven wheels off the ground, "
        "or all wheels chocked. Never lift one axle of an all-wheel-drive vehicle.",
        ("listen", "ask", "send"),
    ),
    Caution(
        "A power cut-off within reach",
        "The translator has its own switch, within arm's reach of the person at the screen. Someone stays at the key.",
        ("send",),
    ),
    Caution(
        "Steering, brakes, restraints",
        "Never send an identifier whose sender is a steering, braking or restraint module that is on that bus, nor any "
        "command to one. Frames that the host's stability control reads must be able to say 'invalid'.",
        ("send",),
    ),
    Caution(
        "No constant 'no crash'",
        "Translate the genuine crash signal, or fit an inertia fuel cut; never send a made-up 'no crash'.",
        ("send",),
    ),
    Caution(
        "What stays wired",
        "The pedal, the starter interlock and the brake switch that cancels cruise are wired, never carried by a "
        "translator. No driver demand is ever sent to an engine computer.",
        ("send",),
    ),
    Caution(
        "Torque and throttle requests",
        "The most dangerous thing a translator carries: limited, checked for plausibility, and ramped to 'no request' "
        "when in doubt.",
        ("send",),
    ),
    Caution(
        "Fault codes and odometer",
        "Never clear fault codes, never write an odometer. Readiness and fault-code services are answered by the real "
        "engine computer or not at all.",
        ("ask", "send"),
    ),
    Caution(
        "The law",
        "Emissions equipment, immobilisers and roadworthiness are governed by local law and inspection; this toolkit "
        "defeats none of them.",
        ("send",),
    ),
    Caution(
        "Advice only",
        "All results are advice: the vehicle's own manuals, local codes and licensed practice come first.",
        ("listen", "ask", "send"),
    ),
)
"""Every caution, in the order in which it is shown."""


def cautions_for(occasion: Occasion) -> tuple[Caution, ...]:
    """The cautions that belong in front of this occasion."""
    return tuple(caution for caution in CAUTIONS if occasion in caution.occasions)
