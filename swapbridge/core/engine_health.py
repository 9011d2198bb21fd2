"""Core room: the engine health sheet: leak-down and compression readings a cylinder, judged by common practice.

A leak-down test feeds a cylinder at top dead centre through a regulator; what the cylinder does not hold leaks. The
sheet is `health.toml`::

    [[engine]]
    which = "donor"          # donor or host
    unit = "psi"             # psi, kPa or bar, gauge

    [[engine.cylinder]]
    number = 1
    supply = 80              # leak-down: regulator's gauge
    cylinder = 76            # and the cylinder's
    air_heard = "oil filler" # optional: oil filler, intake, exhaust, coolant
    compression = 175        # optional: cranking compression

    [[engine.oil]]           # optional: what the oil said, each time that somebody looked
    after = "fresh fill"     # old fill or fresh fill
    seen = "bright metal"    # nothing, bright metal, coolant or fuel

    [gearbox]                # optional: what the host's gearbox can take
    most_torque = 350        # Nm
    shifts_at = 6200         # rpm, highest upshift

An engine may also say `redline`, `idle` (rpm) and `peak_torque` (Nm). Bright metal again after a fresh fill means
that something is wearing, however well the engine runs. Limits are common practice, no source: leakage under 10 % is
good; up to 20 % is worn but usual in a used engine; above that something leaks. The lowest compression should be at
least 75 % of the highest.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from swapbridge.core.errors import InputError

Grade = Literal["good", "worn", "bad", "not measured"]
GOOD_BELOW_PERCENT = 10
WORN_BELOW_PERCENT = 20
COMPRESSION_SHARE = Fraction(3, 4)
UNITS = ("psi", "kPa", "bar")
OIL_FILLS = ("old fill", "fresh fill")
OIL_SEEN = ("nothing", "bright metal", "coolant", "fuel")
HEARD = {
    "oil filler": "past the rings",
    "intake": "past an intake valve",
    "exhaust": "past an exhaust valve",
    "coolant": "through the head gasket, or a crack, into the coolant",
}
"""Where the air is heard, and the way it takes."""


@dataclass(frozen=True, slots=True)
class Cylinder:
    """Readings of one cylinder, gauge pressures in the sheet's unit; None where not measured."""

    number: int
    supply: Fraction | None = None
    cylinder: Fraction | None = None
    air_heard: str = ""
    compression: Fraction | None = None

    @property
    def leakage_percent(self) -> Fraction | None:
        """``100 * (supply - cylinder) / supply``."""
        if self.supply is None or self.cylinder is None:
            return None
        return leakage_percent(self.supply, self.cylinder)

    @property
    def grade(self) -> Grade:
        """What the leakage says."""
        leak = self.leakage_percent
        if leak is None:
            return "not measured"
        if leak < GOOD_BELOW_PERCENT:
            return "good"
        return "worn" if leak < WORN_BELOW_PERCENT else "bad"


@dataclass(frozen=True, slots=True)
class OilLook:
    """What the oil said once: after which fill, and what was in it."""

    after: str
    seen: str


@dataclass(frozen=True, slots=True)
class Gearbox:
    """What the host's gearbox can take and does; None where not known."""

    most_torque_nm: Fraction | None = None
    shifts_at_rpm: Fraction | None = None


@dataclass(frozen=True, slots=True)
class HealthSheet:
    """One engine's readings; `gearbox` is the host's, where the sheet states it."""

    which: str
    unit: str
    cylinders: tuple[Cylinder, ...]
    oil: tuple[OilLook, ...] = ()
    redline_rpm: Fraction | None = None
    idle_rpm: Fraction | None = None
    peak_torque_nm: Fraction | None = None
    gearbox: Gearbox | None = None

    @property
    def oil_grade(self) -> Grade:
        """What the oil says: metal again after a fresh fill, or coolant in it, is bad."""
        seen = {(look.after, look.seen) for look in self.oil}
        if ("fresh fill", "bright metal") in seen or any(what == "coolant" for _, what in seen):
            return "bad"
        if any(what in ("bright metal", "fuel") for _, what in seen):
            return "worn"
        return "good" if seen else "not measured"

    @property
    def grade(self) -> Grade:
        """The worst of its cylinders, compression's spread included; "not measured" when nothing is."""
        grades = [c.grade for c in self.cylinders if c.grade != "not measured"]
        share = self.compression_share
        if share is not None:
            grades.append("good" if share >= COMPRESSION_SHARE else "bad")
        if self.oil_grade != "not measured":
            grades.append(self.oil_grade)
        order: tuple[Grade, ...] = ("bad", "worn", "good")
        return next((g for g in order if g in grades), "not measured")

    def _oil_sentences(self) -> list[str]:
        seen = {(look.after, look.seen) for look in self.oil}
        out = []
        if ("fresh fill", "bright metal") in seen:
            out.append("bright metal again after a fresh fill: something is wearing, however well the engine runs")
        elif ("old fill", "bright metal") in seen:
            out.append("bright metal in the old oil: change oil and filter, run it, and look again")
        out += [_oil_words(look) for look in self.oil if look.seen in ("coolant", "fuel")]
        return out

    @property
    def compression_share(self) -> Fraction | None:
        """Lowest over highest compression, when two cylinders or more were measured."""
        values = [c.compression for c in self.cylinders if c.compression is not None]
        return min(values) / max(values) if len(values) > 1 else None

    def sentences(self) -> list[str]:
        """What a mechanic should know, the worst first."""
        out = self._oil_sentences()
        oil_sentences = len(out)
        measured = [c for c in self.cylinders if c.leakage_percent is not None]
        for c in sorted(measured, key=lambda c: -(c.leakage_percent or 0)):
            if c.grade == "good":
                continue
            way = f", air {HEARD[c.air_heard]}" if c.air_heard else ", listen at oil filler, intake, exhaust, coolant"
            out.append(f"cylinder {c.number} leaks {float(c.leakage_percent or 0):.0f} %{way}")
        if measured and len(out) == oil_sentences:
            worst = max(c.leakage_percent or 0 for c in measured)
            out.append(f"leak-down good on {len(measured)} cylinders, at most {float(worst):.0f} %")
        share = self.compression_share
        if share is not None and share < COMPRESSION_SHARE:
            low = min((c for c in self.cylinders if c.compression is not None), key=lambda c: c.compression or 0)
            out.append(
                f"compression of cylinder {low.number} is {float(100 * share):.0f} % of the best: under 75 % is too far"
            )
        missing = [str(c.number) for c in self.cylinders if c.leakage_percent is None]
        if missing:
            out.append(f"no leak-down reading of cylinder {', '.join(missing)}")
        return out


def _oil_words(look: OilLook) -> str:
    return f"{look.seen} in the oil of the {look.after}"


def leakage_percent(supply: Fraction, cylinder: Fraction) -> Fraction:
    """Leakage in percent of the supply, both gauge pressures in one unit.

    Raises
    ------
    InputError
        Supply not above zero, or a cylinder outside 0 to supply.
    """
    if supply <= 0:
        raise InputError(f"supply pressure is {float(supply):g}: it must be above zero")
    if not 0 <= cylinder <= supply:
        raise InputError(f"cylinder pressure {float(cylinder):g} is not between 0 and the supply's {float(supply):g}")
    return 100 * (supply - cylinder) / supply


def load_health(path: str | Path) -> tuple[HealthSheet, ...]:
    """Read `health.toml`.

    Raises
    ------
    InputError
        Not there, not TOML, or a reading that can't be: which engine, which cylinder, why.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"health sheet {path} can't be read ({error}): name a health.toml") from None
    return parse_health(text, str(path))


def parse_health(text: str, path: str) -> tuple[HealthSheet, ...]:
    """A health sheet's text as `load_health` reads it; `path` names the file in what is refused."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{path}: not valid TOML ({error}): check the line it names for a missing quote or bracket"
        ) from None
    engines = data.get("engine", [])
    if not isinstance(engines, list) or set(data) - {"engine", "gearbox"}:
        raise InputError(f"{path}: a health sheet contains only [[engine]] tables and one [gearbox]")
    gearbox = _gearbox(data["gearbox"], f"{path}: gearbox") if "gearbox" in data else None
    sheets = tuple(_sheet(e, f"{path}: engine {i}", gearbox) for i, e in enumerate(engines, 1))
    names = [s.which for s in sheets]
    if len(set(names)) < len(names):
        raise InputError(f"{path}: two sheets for the same engine: keep one [[engine]] for the donor, one for the host")
    return sheets


def _gearbox(entry: Any, where: str) -> Gearbox:
    if not isinstance(entry, Mapping):
        raise InputError(f"{where} is not a table: write [gearbox] above its lines")
    _known(entry, {"most_torque", "shifts_at"}, where)
    return Gearbox(_figure(entry, "most_torque", where), _figure(entry, "shifts_at", where))


def _figure(entry: Mapping[str, Any], key: str, where: str) -> Fraction | None:
    value = entry.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e5:
        raise InputError(f"{where}: {key} is {value!r}, not a number above zero")
    return Fraction(str(value))


def _oil(entry: Any, where: str) -> OilLook:
    if not isinstance(entry, Mapping):
        raise InputError(f"{where} is not a table")
    _known(entry, {"after", "seen"}, where)
    after, seen = entry.get("after"), entry.get("seen")
    if after not in OIL_FILLS or seen not in OIL_SEEN:
        raise InputError(f"{where}: after is one of {', '.join(OIL_FILLS)}, seen one of {', '.join(OIL_SEEN)}")
    return OilLook(str(after), str(seen))


def _sheet(entry: Any, where: str, gearbox: Gearbox | None = None) -> HealthSheet:
    if not isinstance(entry, Mapping):
        raise InputError(f"{where} is not a table: write [[engine]] above its lines")
    _known(entry, {"which", "unit", "cylinder", "oil", "redline", "idle", "peak_torque"}, where)
    which, unit = entry.get("which"), entry.get("unit", "psi")
    if which not in ("donor", "host"):
        raise InputError(f'{where}: which is {which!r}: write which = "donor" or which = "host"')
    if unit not in UNITS:
        raise InputError(f"{where} ({which}): unit is {unit!r}, not one of {', '.join(UNITS)}")
    cylinders = entry.get("cylinder", [])
    if not isinstance(cylinders, list):
        raise InputError(f"{where} ({which}): write [[engine.cylinder]] above each cylinder's lines")
    read = [_cylinder(c, f"{where} ({which}), cylinder entry {i}") for i, c in enumerate(cylinders, 1)]
    if len({c.number for c in read}) < len(read):
        raise InputError(f"{where} ({which}): a cylinder number appears twice")
    oil = entry.get("oil", [])
    if not isinstance(oil, list):
        raise InputError(f"{where} ({which}): write [[engine.oil]] above the lines of each inspection")
    return HealthSheet(
        which,
        unit,
        tuple(sorted(read, key=lambda c: c.number)),
        tuple(_oil(look, f"{where} ({which}), oil entry {i}") for i, look in enumerate(oil, 1)),
        redline_rpm=_figure(entry, "redline", f"{where} ({which})"),
        idle_rpm=_figure(entry, "idle", f"{where} ({which})"),
        peak_torque_nm=_figure(entry, "peak_torque", f"{where} ({which})"),
        gearbox=gearbox,
    )


def _cylinder(entry: Any, where: str) -> Cylinder:
    if not isinstance(entry, Mapping):
        raise InputError(f"{where} is not a table")
    _known(entry, {"number", "supply", "cylinder", "air_heard", "compression"}, where)
    number = entry.get("number")
    if type(number) is not int or number < 1:
        raise InputError(f"{where}: number is {number!r}, not 1, 2, ...")
    values: dict[str, Fraction | None] = {}
    for key in ("supply", "cylinder", "compression"):
        value = entry.get(key)
        if value is not None and (
            isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e5
        ):
            raise InputError(f"{where}: {key} is {value!r}, not a gauge pressure")
        values[key] = None if value is None else Fraction(str(value))
    heard = entry.get("air_heard", "")
    if heard and heard not in HEARD:
        raise InputError(f"{where}: air_heard is {heard!r}, not one of {', '.join(HEARD)}")
    if (values["supply"] is None) != (values["cylinder"] is None):
        raise InputError(f"{where}: a leak-down reading needs both supply and cylinder")
    out = Cylinder(number, values["supply"], values["cylinder"], heard, values["compression"])
    try:
        out.leakage_percent  # noqa: B018  (raises when the readings can't be)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    return out


def _known(entry: Mapping[str, Any], keys: set[str], where: str) -> None:
    odd = set(entry) - keys
    if odd:
        raise InputError(f"{where} has unknown entries {', '.join(sorted(odd))}: known are {', '.join(sorted(keys))}")
