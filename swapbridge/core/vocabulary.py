"""Core room: words that maps use in names: codes that are no measurement, on and off, counters and checksums, nobody.

The one home of these words. Compiler and exact reference both ask here; a table of spellings with the answers a person
would give stands in the tests, written by hand, so that a mistake here is not a mistake everywhere (common practice, no
source).
"""

from __future__ import annotations

import re

NOT_AVAILABLE = frozenset(
    {
        "na", "n/a", "sna", "nodata", "novalue", "notavailable", "unavailable", "notvalid", "invalid", "notdefined",
        "undefined", "notknown", "unknown",
    }
)  # fmt: skip
"""Words of codes that say: no measurement here. One of them may be sent where a source is gone."""

OTHER_RESERVED = frozenset(
    {
        "err", "error", "fault", "failure", "sensorerror", "errorindicator", "parameterspecific", "reserved", "init",
        "initializing", "initialising", "notused", "unused", "notimplemented", "unimplemented",
    }
)  # fmt: skip
"""Words of further codes that are no measurement, but say something else than that none is available."""

ON_WORDS = frozenset({"on", "true", "yes", "active", "enabled", "pressed", "1", "set", "running", "lit"})
OFF_WORDS = frozenset(
    {"off", "false", "no", "inactive", "disabled", "notpressed", "released", "0", "notset", "stopped"}
)
PARK_NEUTRAL_WORDS = frozenset({"p", "n", "park", "neutral", "parkneutral"})
"""Words of a selector, or of a switch on it, that say 'no gear is in'."""
IN_GEAR_WORDS = ("ingear", "drive", "d", "notparkneutral", "gear")
"""The first of them that a list of choices has says 'in gear'."""

NOBODY = frozenset(
    {
        "vectorxxx", "xxx", "nxx", "nobody", "none", "unknown", "unnamed", "undefined", "default", "dummy", "empty",
        "tbd", "na",
    }
)  # fmt: skip
"""Placeholders that maps put where a message's sender is not known."""

CHANNELS: dict[str, tuple[str, ...]] = {
    "engine_speed": ("engine_speed", "rpm", "engine_rpm"),
    "vehicle_speed": ("vehicle_speed", "speed"),
    "coolant_temperature": ("coolant_temperature", "coolant_temp", "coolant"),
    "oil_temperature": ("oil_temperature", "oil_temp"),
    "intake_temperature": ("intake_temperature", "intake_temp"),
    "ambient_temperature": ("ambient_temperature", "ambient_temp", "ambient"),
    "pedal_position": ("pedal_position", "pedal", "accelerator", "pedal_d"),
    "throttle_position": ("throttle_position", "throttle"),
    "actual_torque": ("actual_torque", "torque"),
    "requested_torque": ("requested_torque", "demanded_torque"),
    "manifold_pressure": ("manifold_pressure", "map"),
    "air_flow": ("air_flow", "maf"),
    "engine_load": ("engine_load", "load"),
    "module_voltage": ("module_voltage", "voltage", "battery_voltage"),
    "fuel_level": ("fuel_level", "fuel"),
    "oil_pressure": ("oil_pressure",),
    "current_gear": ("gear", "current_gear"),
    "brake_switch": ("brake", "brake_switch"),
    "compressor_request": ("compressor", "compressor_request", "air_conditioning"),
    "key_state": ("key", "ignition", "key_state"),
    "park_neutral": ("park_neutral",),
    "lever": ("lever", "selector", "gear_lever", "gear_selector", "shifter"),
}  # fmt: skip
"""How stimulus files name what a role measures, beside the role's own name."""

KEY_OFF_WORDS = OFF_WORDS | {"lock", "locked", "acc", "accessory", "out"}
"""Words of a key in which the engine computer is off."""
CRANK_WORDS = frozenset({"start", "starting", "crank", "cranking"})

_ROLE_OF = {re.sub("_", "", name): role for role, names in CHANNELS.items() for name in (role, *names)}
_FRONT = re.compile(r"^(?:signal|value)(?=.)")
_NUMBERED = re.compile(r"\d+$")
_COUNTER_NAME = re.compile(
    r"(?:^|[^a-z])(?:counter|cntr|cnt|count|rolling|alive|msgcounter|sequence|seq|sqc|rc|bz|livecounter)(?:[^a-z]|$)"
)
_STATE_NAME = re.compile(r"(?:^|[^a-z])(?:run|running|key|ignition|ign|crank|cranking|start|starter)(?:[^a-z]|$)")
_CHECKSUM_NAME = re.compile(r"(?:^|[^a-z])(?:checksum|chksum|cksum|chks|cks|chk|crc|csum|xor|parity)(?:[^a-z]|$)")


def plain(name: str) -> str:
    """A name for comparing: lower case, without blanks, dots, hyphens and underscores."""
    return re.sub(r"[\s_.\-]+", "", name).lower()


def channel_role(channel: str) -> str:
    """The role that a stimulus channel measures, by its name; a channel of another name keeps it.

    Examples
    --------
    >>> channel_role("rpm"), channel_role("Coolant temp"), channel_role("turbine_speed")
    ('engine_speed', 'coolant_temperature', 'turbine_speed')
    """
    return _ROLE_OF.get(plain(channel), channel)


def means_not_available(name: str) -> bool:
    """Whether a choice's name says that there is no measurement ("SNA", "Signal unknown 3")."""
    return _is_one_of(name, NOT_AVAILABLE)


def is_reserved(name: str) -> bool:
    """Whether a choice's name is that of any code that is no measurement."""
    return _is_one_of(name, NOT_AVAILABLE | OTHER_RESERVED)


def _is_one_of(name: str, words: frozenset[str]) -> bool:
    word = plain(name)
    short = _NUMBERED.sub("", _FRONT.sub("", word))
    return word in words or (short in words and len(short) > 2)  # "NA1" may be a place or a gear


def is_nobody(module: str) -> bool:
    """Whether a module's name in a map only says that nobody knows it."""
    return plain(module) in NOBODY


def spoken_words(name: str) -> str:
    """A signal's name cut into lower-case words: at underscores, digits and capitals ("MsgCnt_3" is "msg cnt")."""
    parts = re.sub(r"([a-z])([A-Z])", r"\1 \2", name)
    parts = re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", parts)
    return re.sub(r"[^A-Za-z]+", " ", parts).strip().lower()


def sounds_like_counter(name: str) -> bool:
    """Whether a signal's name is that of a rolling (alive) counter."""
    return _COUNTER_NAME.search(spoken_words(name)) is not None


def sounds_like_engine_state(name: str) -> bool:
    """Whether a signal's name is that of the engine's or the key's state."""
    return _STATE_NAME.search(spoken_words(name)) is not None


def sounds_like_checksum(name: str) -> bool:
    """Whether a signal's name is that of a checksum."""
    return _CHECKSUM_NAME.search(spoken_words(name)) is not None
