"""Random whole bridges, every option of a rule among them: each frame is what the exact reference works out.

The reference never sees the plan; it hears the same frames. What the compiler refuses is left out and counted.
"""

from __future__ import annotations

import random

import pytest

from swapbridge.core.errors import InputError, RefusedError
from tests.compiler.kit import HEAD, drive
from tests.compiler.kit import compile_text as compiled
from tests.compiler.twins import same_payloads

STATES = """
[states]
key_on = "host.Key.Pos != 'Off'"
crank = "host.Key.Pos == 'Start'"
run = "donor.PCM_FAST.Run"
after_run_ms = 200
sleep_after_ms = 700
[tables.gauge]
x = "degC"
y = ""
points = [[-40, 0], [60, 100], [100, 110], [120, 250]]
"""
SOURCES = {
    "rpm": ("donor.PCM_FAST.RPM",),
    "Nm": ("donor.PCM_FAST.Tq", "host.Wheels.Reduce"),
    "%": ("donor.PCM_FAST.Pedal",),
    "degC": ("donor.PCM_SLOW.Coolant", "host.Key.Ambient"),
    "kPa": ("donor.PCM_SLOW.Oil",),
    "km/h": ("host.Wheels.Speed",),
    "": ("donor.PCM_SLOW.Ratio", "number(donor.PCM_FAST.Mode)"),
}
OTHER = {"rpm": "rpm", "Nm": "lbf ft", "%": "%", "degC": "degF", "kPa": "psi", "km/h": "mph", "": ""}
TIMES = ("10 ms", "0.03 s", "90 ms", "0.4 s")


class Writer:
    """Writes random expressions of the language, typed, so that most of them compile."""

    whens: tuple[str, ...] = (
        "",
        "on_change = true\ngap_ms = 15\n",
        'on_arrival = ["donor.PCM_FAST"]\ngap_ms = 12\n',
    )
    lives: tuple[str, ...] = ("", 'states = ["run", "key_on"]\nlast_ms = 150\n', "delay_ms = 35\n")
    pages = "period_ms = 25\nmux = [1, 2, 2]\n"
    answers = "period_ms = 30\n"

    def __init__(self, seed: int) -> None:
        self.r = random.Random(seed)

    def constant(self, unit: str) -> str:
        own = OTHER[unit] if self.r.random() < 0.3 else unit
        return f"{self.r.choice((0, 1, 2.5, 7, 33, 60, 120))} {own}".strip()

    def number(self, unit: str, depth: int) -> str:
        r = self.r
        if depth <= 0 or r.random() < 0.2:
            return r.choice(SOURCES[unit]) if r.random() < 0.75 else self.constant(unit)

        def part() -> str:
            return self.number(unit, depth - 1)

        match r.randrange(14):
            case 0:
                return f"({part()} {r.choice('+-')} {part()})" if unit != "degC" else f"max({part()}, {part()})"
            case 1:
                return f"({r.choice((0.5, 2, -1))} * {part()})"
            case 2:
                return f"choose({self.condition(depth - 1)}, {part()}, {part()})"
            case 3:
                return f"{r.choice(('min', 'max'))}({part()}, {part()})"
            case 4:
                return f"clamp({part()}, {r.choice((-5, 0, 3))} {unit}, {r.choice((20, 50))} {OTHER[unit]})"
            case 5:
                return f"within({part()}, {r.choice((-5, 0, 3))} {unit}, {r.choice((20, 50))} {unit})"
            case 6:
                return f"first_valid({part()}, {part()})"
            case 7:
                return f"lowpass({part()}, {r.choice(TIMES)})"
            case 8:
                return f"rate_limit({part()}, {r.choice((5, 40))} {unit})".replace(" )", ")")
            case 9:
                return f"delay({part()}, {r.choice(TIMES)})"
            case 10:
                return f"round_to({part()}, {r.choice((1, 5))} {OTHER[unit]})".replace(" )", ")")
            case 11:
                modes = f"'Off': {self.constant(unit)}, 'Idle': invalid, else {self.constant(unit)}"
                return f"lookup(donor.PCM_FAST.Mode, {modes})"
            case 12:
                points = f"0 {unit}: {self.constant(unit)}, 100 {unit}: {self.constant(unit)}".replace(" :", ":")
                return f"table({part()}, {points})"
            case _:
                return f"abs({part()})"

    def condition(self, depth: int) -> str:
        r = self.r
        if depth <= 0:
            return r.choice(
                ("donor.PCM_FAST.Run", "host.Wheels.Brake", "donor.PCM_FAST.Lamp == 'On'", "state == 'run'")
            )
        unit = r.choice(list(SOURCES))
        inner = self.condition(depth - 1)
        match r.randrange(9):
            case 0:
                return f"{self.number(unit, depth - 1)} {r.choice(('<', '<=', '>', '>='))} {self.constant(unit)}"
            case 1:
                return f"({inner} {r.choice(('and', 'or'))} {self.condition(depth - 1)})"
            case 2:
                return f"(not {inner})"
            case 3:
                return f"{r.choice(('debounce', 'hold', 'delay'))}({inner}, {r.choice(TIMES)})"
            case 4:
                return f"{r.choice(('rising', 'falling', 'toggle'))}({inner})"
            case 5:
                return f"hysteresis({self.number(unit, depth - 1)}, {self.constant(unit)}, 40 {unit})".replace(
                    " )", ")"
                )
            case 6:
                return f"time_since({inner}) < {r.choice(TIMES)}"
            case 7:
                return f"valid({self.number(unit, depth - 1)})"
            case _:
                return f"age(donor.PCM_FAST) < {r.choice(TIMES)}"

    def rule(self, value: str, fallback: str, unit: str = "") -> str:
        """One signal's rule with options of all kinds."""
        r = self.r
        parts = [f'value = "{value}"', f'fallback = "{fallback}"']
        if r.random() < 0.3:
            parts.append(f"hold_ms = {r.choice((10, 70, 300))}")
        elif unit and r.random() < 0.3:
            parts.append(f'ramp = "{r.choice((20, 400))} {unit}"')
        if r.random() < 0.2:
            parts.append('seen_states = ["run", "crank"]')
        return f"{{ {', '.join(parts)} }}"

    def bridge(self) -> str:
        """A whole bridge file."""
        r = self.r
        speed = f"clamp({self.number('rpm', 3)}, 0 rpm, 8000 rpm)"
        temp = f"clamp(table({self.number('degC', 2)}, gauge), 0, 250)"
        when, life = r.choice(self.whens), r.choice(self.lives)
        out = [HEAD, STATES, f'[[messages]]\nsend = "host.EngineStatus"\nrest = "zero"\nperiod_ms = 20\n{when}{life}']
        out.append("[messages.signals]")
        out.append(f"Speed = {self.rule(speed, '0 rpm', 'rpm')}")
        out.append(f"Temp = {self.rule(temp, '250')}")
        out.append(f"Running = {self.rule(self.condition(3), 'false')}")
        out.append(f'[[messages]]\nsend = "host.EngineMux"\n{self.pages}[messages.signals]')
        flow = r.choice(("donor.PCM_SLOW.Fuel", "delay(donor.PCM_SLOW.Fuel, 50 ms)"))
        out.append(f'Fuel = "accumulate({flow}, wrap = 655.36 L)"')
        oil = f"clamp({self.number('kPa', 3)}, 0 kPa, 1000 kPa)"
        out.append(f"Oil = {self.rule(oil, '0 kPa', 'kPa')}")
        out.append('Volts = { value = "clamp(donor.PCM_MUX.Volts, 0 V, 25 V)", fallback = "0 V", hold_ms = 120 }')
        stale = r.choice(("", 'when_stale = "stop"\n'))
        out.append(f'[[messages]]\nsend = "host.Ack"\n{self.answers}{stale}[messages.signals]')
        choice = f"choose({self.condition(2)}, 'Cranking', 'Driving')"
        out.append(f"State = {self.rule(choice, chr(39) + 'Stopped' + chr(39))}")
        out.append(f"Brake = {self.rule(self.condition(2), 'true')}")
        return "\n".join(out) + "\n"


def check(seed: int, steps: int) -> bool:
    """Whether the bridge of that seed compiles; then every frame agrees."""
    text = Writer(seed).bridge()
    try:
        result = compiled(text)
    except (RefusedError, InputError):
        return False
    same_payloads(text, seed, steps)
    if seed % 4 == 0:
        drive(result, seed, steps)
    return True


def test_random_bridges() -> None:
    assert sum(check(seed, 200) for seed in range(16)) >= 5


@pytest.mark.long
@pytest.mark.parametrize("part", range(10))
def test_hundreds_of_random_bridges(part: int) -> None:
    assert sum(check(1000 * part + seed, 300) for seed in range(95)) >= 45
