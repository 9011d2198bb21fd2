"""Prove room's tests: correct swaps: maps and bridge as a careful person writes them who knows both invented vehicles.

The recordings are those of `tests.drafting.worlds`. Signals have roles and words; what the donor does not say and
nothing else tells is listed as open, and what differs at every wake is left to licensed programming.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from swapbridge.capture.stimulus import write_stimulus
from swapbridge.capture.write import write_capture
from swapbridge.core.checksum_names import ChecksumPlace, named_checksum
from swapbridge.core.integrity import Checksum, Counter, Crc, Sum
from swapbridge.core.layout import Layout
from swapbridge.core.needs import Need, needs_to_toml
from swapbridge.core.roles import find_role
from swapbridge.guessing.layout.constant import constant_bits
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import BasePayload, MapMessage, MapNode, MapSignal, SignalMap
from tests.drafting.worlds import Awkward, Field, Message, World, world
from tests.proving import mistakes

GONE = {"host": ("engine",), "donor": ("transmission", "brakes", "body", "steering", "cluster")}
KINDS = {"brakes": "braking"}
UNITS = {
    "torque": "Nm", "demand": "Nm", "loss": "Nm", "cut": "Nm", "rpm": "rpm", "turbine": "rpm", "rpm_copy": "rpm",
    "throttle": "%", "pedal": "%", "load": "%", "map": "kPa", "coolant": "degC", "coolant_copy": "degC",
    "oil_temp": "degC", "intake": "degC", "ambient": "degC", "fuel_level": "%",
    "volts": "V", "speed": "km/h", "fl": "km/h", "fr": "km/h",
}  # fmt: skip
ROLES = {
    "torque": "actual_torque", "loss": "friction_torque", "rpm": "engine_speed",
    "state": "engine_running", "throttle": "throttle_position", "pedal": "pedal_position", "map": "manifold_pressure",
    "load": "engine_load", "brake": "brake_switch", "pn": "park_neutral", "park": "park_neutral",
    "gear": "current_gear", "gear_seen": "current_gear", "charge_lamp": "charge_lamp", "oil_lamp": "oil_pressure_lamp",
    "coolant": "coolant_temperature", "oil_temp": "oil_temperature", "intake": "intake_temperature",
    "volts": "module_voltage", "cut": "torque_reduction_request", "turbine": "turbine_speed", "speed": "vehicle_speed",
    "fl": "wheel_speed", "fr": "wheel_speed", "key": "key_state", "air_on": "compressor_request",
    "ambient": "ambient_temperature", "fuel_level": "fuel_level", "fuel_used": "fuel_used",
}  # fmt: skip
CHOICES = {
    "state": ("off", "on", "start", "running", "overrun"), "gear": ("R", "N", "1", "2", "3", "4"),
    "gear_seen": ("R", "N", "1", "2", "3", "4"), "lever": ("P", "R", "N", "D"), "key": ("off", "on", "start"),
}  # fmt: skip
SAFE = {
    "state": "'off'", "gear": "'1'", "gear_seen": "'1'", "lever": "'D'", "key": "'on'",
    "dial": "100", "cut": "600 Nm", "coolant_copy": "215 degC",
    "map": "100 kPa", "volts": "12 V", "turbine": "0 rpm", "ambient": "20 degC",
    "oil_temp": "130 degC", "intake": "40 degC",
}  # fmt: skip
NEVER_REPEATED = ("brakes", "steering")
"""What these sent is never repeated as recorded, so that their constant bits are open."""
CHECKS = {"xor": "xor", "sum": "sum", "crc": "crc8-j1850"}


def _named(message: Message, one: Field) -> str:
    """A field's name by what it says, where the stock of fields uses one name for two things."""
    if one.name == "air" and message.module == "body":
        return "air_on"
    if one.name == "fuel":
        return "fuel_level" if message.module == "body" else "fuel_used"
    return one.name


def _called(message: Message) -> str:
    return f"{message.module}_{message.identifier:03X}"


def _layout(one: Field | None, positions: tuple[int, ...]) -> Layout:
    """The layout whose bits stand at these positions, least significant first."""
    signed = one is not None and one.signed
    little = Layout(positions[0], len(positions), "little_endian", signed)
    if little.positions == positions:
        return little
    big = Layout(positions[-1], len(positions), "big_endian", signed)
    assert big.positions == positions, (positions, big.positions)
    return big


def true_map(mine: World, bus: str) -> SignalMap:
    """The map of a bus as its makers have it."""
    capture = mine.captures[bus]
    out = []
    for message in mine.networks[bus]:
        signals = [_signal(message, one) for one in message.fields]
        counter = _layout(None, message.counter) if message.counter else None
        if counter is not None:
            signals.append(MapSignal("Counter", counter, counter=Counter(0, message.high)))
        if message.checksum:
            place = ChecksumPlace(_layout(None, message.check), message.length, message.identifier, False, counter)
            signals.append(MapSignal("Checksum", place.layout, checksum=_checksum(message, place)))
        rows = capture.identifier == message.identifier
        found = constant_bits(capture.payload[rows], capture.length[rows])
        out.append(
            MapMessage(
                _called(message), message.identifier, False, message.length, tuple(signals),
                period_ms=None if message.once else Fraction(round(1000 * message.period_s)),
                senders=(message.module,), base=BasePayload(found.payload, found.mask, found.frames),
            )
        )  # fmt: skip
    modules = dict.fromkeys(m.module for m in mine.networks[bus])
    return SignalMap(tuple(out), tuple(MapNode(name, KINDS.get(name, name)) for name in modules))  # type: ignore[arg-type]


def _checksum(message: Message, place: ChecksumPlace) -> Checksum:
    if message.checksum == "nibble":
        own = sum(int(d, 16) for d in f"{message.identifier:x}")
        return Checksum(place.layout, Sum(4, tuple(range(message.length)), 4, -1, 8 - own))
    made = named_checksum(CHECKS[message.checksum.removesuffix("_id")], place)
    if message.checksum == "crc_id":
        assert isinstance(made.method, Crc)
        return replace(made, method=replace(made.method, after=bytes([message.identifier & 255])))
    return made


def _signal(message: Message, one: Field) -> MapSignal:
    name = _named(message, one)
    words = CHOICES.get(name, ())
    choices = dict(zip(one.codes, words, strict=True)) if words else {}
    if not one.lit:
        choices = {0: "on", 1: "off"}  # what is on at 0 says so in its map
    return MapSignal(
        name, _layout(one, one.positions),
        Fraction(str(one.scale)).limit_denominator(100000), Fraction(str(one.offset)), unit=UNITS.get(name, ""),
        choices=choices,
        role=find_role(ROLES[name]).name if name in ROLES else "",
    )  # fmt: skip


class _Sources:
    """Where each quantity is heard."""

    def __init__(self, mine: World) -> None:
        self.texts: dict[str, dict[str, tuple[str, Field]]] = {"host": {}, "donor": {}}
        for bus, messages in mine.networks.items():
            for message in messages:
                if message.module not in GONE[bus] and message.module != "cluster":
                    for one in message.fields:
                        name = _named(message, one)
                        self.texts[bus].setdefault(name, (f"{bus}.{_called(message)}.{name}", one))

    def text(self, name: str, first: str = "donor") -> str:
        """A quantity or flag as an expression, wherever it is heard, first on that bus."""
        bus = next(bus for bus in (first, "donor", "host") if name in self.texts[bus])
        text, one = self.texts[bus][name]
        return text if one.lit else f"{text} == 'on'"


ECHOES = {"brake": "brake", "pn": "park", "gear_seen": "gear", "ac_on": "air_on", "cut_ack": "shift"}
"""What the old engine computer repeated of the other modules."""


def _rule(name: str, one: Field, heard: _Sources, bus: str) -> str:
    """How a careful person makes a field; "" where nothing tells."""
    if bus == "donor" and name in ("coolant_copy", "rpm_copy"):
        return heard.text(name.removesuffix("_copy"))
    if bus == "donor":
        return heard.text(name, "host") if name in heard.texts["host"] else ""
    if name in ECHOES:
        return heard.text(ECHOES[name], "host")
    if one.rule and (name in ("warm", "fan", "dial", "lamp_test") or name not in heard.texts["donor"]):
        return one.rule.format(**{n: heard.text(n) for n in ("rpm", "map", "pedal", "coolant", "key")})
    if name == "overrun":
        return f"{heard.text('state')} == 'overrun'"
    return heard.text(name) if name in heard.texts["donor"] else ""


def true_bridge(mine: World, maps: dict[str, SignalMap]) -> str:
    """The bridge file as a careful person writes it."""
    heard = _Sources(mine)
    out = ["[bridge]", 'name = "sound"', 'needs = "needs.toml"']
    for bus in ("host", "donor"):
        out += [f"[buses.{bus}]", f'map = "signal_maps/{bus}.dbc"', "bit_rate = 500000", 'placement = "added-node"']
        out += [f"absent = {list(GONE[bus])!r}".replace("'", '"')]
        out += [f"holds_engine = {str(bus == 'donor').lower()}"]
    key = heard.texts["host"]["key"][0]
    state = heard.texts["donor"]["state"][0]
    out += [
        "[states]", f"key_on = \"{key} != 'off'\"", f"crank = \"{key} == 'start'\"",
        f"run = \"{state} == 'running' or {state} == 'overrun'\"", "after_run_ms = 950", "sleep_after_ms = 1000",
        'wake_by = ["host"]',
    ]  # fmt: skip
    for bus in ("host", "donor"):
        for message in mine.networks[bus]:
            if message.module in GONE[bus] and not message.decoy:
                out += _message(message, maps[bus].message(_called(message)), heard, bus)
    return "\n".join(out) + "\n"


def _message(message: Message, mapped: MapMessage | None, heard: _Sources, bus: str) -> list[str]:
    assert mapped is not None
    out = ["", "[[messages]]", f'send = "{bus}.{mapped.name}"', 'rest = "as recorded"']
    if message.once:
        out += [f"once = {message.once}"]
    names = [_named(message, one) for one in message.fields]
    asks = "cut" in names  # passed on at once; its own clock only where the host's frame stays away
    out += [f"period_ms = {round(1000 * message.period_s) + asks}"]
    if asks:  # so far apart that each has left before the next may come, and none waits for 5 ms
        out += [f'on_arrival = ["{heard.texts["host"]["cut"][0].rsplit(".", 1)[0]}"]', "gap_ms = 4"]
    states = ["key_on", "crank", "run", "after_run"]
    if message.lives == "bus":
        states = ["wake", *states]
    out += [f"states = {states!r}".replace("'", '"')]
    lines, unknown = [], []
    for one, name in zip(message.fields, names, strict=True):
        signal = mapped.signal(name)
        assert signal is not None
        rule = _rule(name, one, heard, bus)
        if not rule:
            unknown.append(name)
            rule = SAFE[name]
        lines.append(f"{name} = {_line(name, one, rule, signal)}")
    if message.module in NEVER_REPEATED:
        out.append('when_stale = "stop"')
        out.remove('rest = "as recorded"')
        unknown.append("rest")
    if unknown:
        out += [f"open = {unknown!r}".replace("'", '"')]
    return [*out, "[messages.signals]", *lines]


def _line(name: str, one: Field, rule: str, signal: MapSignal) -> str:
    low, high = signal.physical_range
    unit = f" {signal.unit}" if signal.unit else ""
    ends = [f"{float(low):g}{unit}", f"{float(high):g}{unit}"]
    if one.kind == "analogue" and not signal.choices:
        rule = f"{'within' if name == 'torque' else 'clamp'}({rule}, {ends[0]}, {ends[1]})"
    elif not one.lit:
        rule = f"choose({rule}, 'on', 'off')"
    more = ""
    if name in SAFE:
        more += f', fallback = "{SAFE[name]}"'
    elif one.kind == "step" and not one.codes:
        on = name in ("charge_lamp", "oil_lamp", "brake")
        said = str(int(on)) if one.lit else "'on'" if on else "'off'"
        more += f', fallback = "{said}"'
    elif name not in ROLES:
        more += f', fallback = "{float(low):g}{unit}"'
    if name == "state":
        more += ", hold_ms = 500"
    if name == "cut":
        more += f', limits = ["{ends[0]}", "{ends[1]}"], ramp = "2000 Nm"'
    if name not in ROLES:
        more += ', role = "status"' if one.kind == "step" else ', role = "value"'
    return f'{{ value = "{rule}"{more} }}'


def true_needs(mine: World) -> str:
    """What is waited for: all that the absent modules sent, save what nobody can make."""
    out = []
    for bus in ("host", "donor"):
        for message in mine.networks[bus]:
            if message.module in GONE[bus]:
                who = "modules of the host" if bus == "host" else "donor engine computer"
                how = "licensed programming" if message.decoy else "can"
                out.append(Need(who, bus, message.identifier, None, message.length, how))
    return needs_to_toml(tuple(out))


def true_swap(seed: int) -> tuple[mistakes.World, World]:
    """A correct swap of that seed, as a proof takes it, and the invented vehicles that it is made from."""
    mine = world(seed, Awkward(varied=True))
    maps = {bus: true_map(mine, bus) for bus in GONE}
    swap = mistakes.World(
        bridge=true_bridge(mine, maps),
        maps=maps,
        captures={bus: mine.captures[bus] for bus in GONE},
        stimuli={bus: track.on_clock_of(mine.captures[bus]) for bus, track in mine.tracks.items()},
        needs=true_needs(mine),
        unplugged={"host": mine.captures["host unplugged"]},
    )
    return swap, mine


def write_folder(swap: mistakes.World, mine: World, folder: Path) -> None:
    """The swap as a swap folder, to look at by hand."""
    (folder / "captures").mkdir(parents=True, exist_ok=True)
    (folder / "signal_maps").mkdir(exist_ok=True)
    for bus, one in swap.maps.items():
        save_map(one, folder / "signal_maps" / f"{bus}.dbc")
    (folder / "bridge.toml").write_text(swap.bridge)
    (folder / "needs.toml").write_text(swap.needs)
    names = {"host": "host_old_engine", "donor": "donor_own_vehicle", "host unplugged": "host_unplugged"}
    for kind, name in {**names, "donor alone": "donor_alone"}.items():
        write_capture(mine.captures[kind], folder / "captures" / f"{name}.log.gz")
        if kind in mine.tracks:
            write_stimulus(mine.tracks[kind], folder / "captures" / f"{name}.csv")
