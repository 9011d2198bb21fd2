"""Core room: units of measurement as DBC files spell them, with exact factors; an unknown spelling is refused.

A value in a unit is ``value * factor + offset`` in the base unit of its kind. Factors are exact: the pound, inch and
mile of 1959 (NIST SP 811, appendix B), the US gallon of 231 cubic inches, standard gravity 9.80665 m/s2.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction as F

from swapbridge.core.errors import InputError


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: its kind, its usual name, and what turns its values into the kind's base unit, exactly."""

    name: str
    kind: str
    factor: F = F(1)
    offset: F = F(0)

    def convert(self, value: F, to: Unit) -> F:
        """The same quantity in another unit of the kind.

        Raises
        ------
        InputError
            The kinds differ.
        """
        scale, shift = self.conversion(to)
        return value * scale + shift

    def conversion(self, to: Unit) -> tuple[F, F]:
        """Factor and offset with ``value in `to` = factor * value + offset``."""
        if self.kind != to.kind:
            raise InputError(
                f"{self.name} is {self.kind}, {to.name} is {to.kind}, and one can't be converted into the other: "
                "write units of one kind"
            )
        return self.factor / to.factor, (self.offset - to.offset) / to.factor


_POUND_FORCE = F("4.4482216152605")
_INCH = F("0.0254")
_FOOT = F("0.3048")
_GALLON = F("3.785411784")

NONE = Unit("", "a plain number")

_TABLE: tuple[tuple[str, str, F, F, str], ...] = (
    # name, kind, factor, offset, spellings (each as DBC files write it; case matters only where it is written twice)
    ("rpm", "rotational speed", F(1), F(0), "rpm RPM 1/min rev/min r/min U/min min-1 /min"),
    ("degC", "temperature", F(1), F(0), "degC °C deg_C C celsius Celsius grad_C DegC degreeC"),
    ("degF", "temperature", F(5, 9), F(-160, 9), "degF °F deg_F F Fahrenheit DegF"),
    ("K", "temperature", F(1), F("-273.15"), "K kelvin Kelvin"),
    ("km/h", "speed", F(1), F(0), "km/h kph KPH kmh km/hr kmph KMH Km/h"),
    ("mph", "speed", F("1.609344"), F(0), "mph MPH mi/h"),
    ("m/s", "speed", F(18, 5), F(0), "m/s"),
    ("kPa", "pressure", F(1), F(0), "kPa kpa KPA KPa"),
    ("Pa", "pressure", F(1, 1000), F(0), "Pa"),
    ("hPa", "pressure", F(1, 10), F(0), "hPa mbar"),
    ("MPa", "pressure", F(1000), F(0), "MPa"),
    ("bar", "pressure", F(100), F(0), "bar Bar BAR"),
    ("psi", "pressure", _POUND_FORCE / _INCH**2 / 1000, F(0), "psi PSI lbf/in2"),
    ("Nm", "torque", F(1), F(0), "Nm N.m N*m N-m NM nm"),
    ("lbf ft", "torque", _POUND_FORCE * _FOOT, F(0), "lbf.ft lbft lb-ft lbf-ft ft-lb ftlb ft.lb lb.ft lbf_ft"),
    ("%", "ratio", F(1, 100), F(0), "% percent pct Percent"),
    ("ratio", "ratio", F(1), F(0), "ratio"),
    ("s", "time", F(1), F(0), "s sec seconds S"),
    ("ms", "time", F(1, 1000), F(0), "ms msec"),
    ("min", "time", F(60), F(0), "min minutes"),
    ("h", "time", F(3600), F(0), "h hr hours"),
    ("km", "distance", F(1), F(0), "km"),
    ("m", "distance", F(1, 1000), F(0), "m"),
    ("mi", "distance", F("1.609344"), F(0), "mi mile miles"),
    ("L", "volume", F(1), F(0), "L l liter litre"),
    ("mL", "volume", F(1, 1000), F(0), "mL ml"),
    ("uL", "volume", F(1, 1_000_000), F(0), "uL ul µL µl mm3"),
    ("gal", "volume", _GALLON, F(0), "gal gal_us"),
    ("L/h", "volume flow", F(1), F(0), "L/h l/h"),
    ("mL/s", "volume flow", F("3.6"), F(0), "mL/s ml/s"),
    ("g/s", "mass flow", F(1), F(0), "g/s"),
    ("kg/h", "mass flow", F(5, 18), F(0), "kg/h"),
    ("V", "voltage", F(1), F(0), "V v Volt volt volts Volts"),
    ("mV", "voltage", F(1, 1000), F(0), "mV"),
    ("A", "current", F(1), F(0), "A Amp amp Amps amps"),
    ("mA", "current", F(1, 1000), F(0), "mA"),
    ("kW", "power", F(1), F(0), "kW KW"),
    ("W", "power", F(1, 1000), F(0), "W"),
    ("deg", "angle", F(1), F(0), "deg ° degree degrees grad"),
    ("rad", "angle in radian", F(1), F(0), "rad"),
    ("m/s2", "acceleration", F(1), F(0), "m/s2 m/s^2 m/s²"),
    ("g0", "acceleration", F("9.80665"), F(0), "g0"),
    ("Hz", "frequency", F(1), F(0), "Hz"),
    ("Ohm", "resistance", F(1), F(0), "Ohm ohm Ω"),
    ("N", "force", F(1), F(0), "N"),
    ("kg", "mass", F(1), F(0), "kg"),
    ("g", "mass", F(1, 1000), F(0), "g"),
    ("mg", "mass", F(1, 1_000_000), F(0), "mg"),
)

SPELLINGS: dict[str, Unit] = {"": NONE, "-": NONE, "1": NONE}
for _name, _kind, _factor, _offset, _words in _TABLE:
    for _word in (_name, *_words.split()):
        SPELLINGS[_word] = Unit(_name, _kind, _factor, _offset)


def find_unit(text: str, declared: dict[str, str] | None = None) -> Unit:
    """The unit of a spelling.

    Parameters
    ----------
    text : str
        As the DBC or the bridge file writes it; blanks around it and inside are ignored.
    declared : dict, optional
        Spellings the user declared, each with the known spelling it stands for.

    Raises
    ------
    InputError
        An unknown spelling: declare it, rather than have it guessed.
    """
    word = (declared or {}).get(text, text)
    for key in (word, word.strip(), word.replace(" ", ""), word.strip().replace(" ", "_")):
        if key in SPELLINGS:
            return SPELLINGS[key]
    raise InputError(f'unit {text!r} is not known: declare it under [units], for example {text!r} = "rpm"')
