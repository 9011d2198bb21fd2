"""Units against published factors, and roles against the safe answers that they carry."""

from __future__ import annotations

from fractions import Fraction as F

import pytest

from swapbridge.core.errors import InputError
from swapbridge.core.roles import BY_NAME, ROLES, find_role
from swapbridge.core.units import SPELLINGS, find_unit


@pytest.mark.parametrize(
    ("value", "unit", "other", "wanted", "source"),
    [
        ("1", "mph", "km/h", "1.609344", "international mile, NIST SP 811 B.8 (exact)"),
        ("1", "km/h", "m/s", "0.27777777777777777", "NIST SP 811 B.8"),
        ("1", "psi", "kPa", "6.894757293168", "NIST SP 811 B.8: 6.894757 E+00"),
        ("1", "bar", "kPa", "100", "NIST SP 811 (exact)"),
        ("1", "lbf ft", "Nm", "1.3558179483314004", "NIST SP 811 B.8: 1.355818 E+00 (exact product)"),
        ("212", "degF", "degC", "100", "boiling point of water"),
        ("-40", "degC", "degF", "-40", "where the scales meet"),
        ("0", "K", "degC", "-273.15", "definition of the degree Celsius"),
        ("1", "gal", "L", "3.785411784", "US gallon of 231 cubic inches (exact)"),
        ("1", "g0", "m/s2", "9.80665", "standard gravity (exact)"),
        ("50", "%", "ratio", "0.5", "definition"),
        ("3600", "kg/h", "g/s", "1000", "definition"),
    ],
)
def test_conversions_agree_with_published_factors(value: str, unit: str, other: str, wanted: str, source: str) -> None:
    found = find_unit(unit).convert(F(value), find_unit(other))
    assert abs(found - F(wanted)) <= abs(F(wanted)) / 10**12, source
    assert find_unit(other).convert(found, find_unit(unit)) == F(value)


@pytest.mark.parametrize(
    ("unit", "base", "factor"),
    [
        ("hPa", "kPa", F(1, 10)),
        ("Pa", "kPa", F(1, 1000)),
        ("MPa", "kPa", F(1000)),
        ("ms", "s", F(1, 1000)),
        ("min", "s", F(60)),
        ("h", "s", F(3600)),
        ("m", "km", F(1, 1000)),
        ("mi", "km", F("1.609344")),
        ("mL", "L", F(1, 1000)),
        ("uL", "L", F(1, 10**6)),
        ("mL/s", "L/h", F("3.6")),
        ("mV", "V", F(1, 1000)),
        ("mA", "A", F(1, 1000)),
        ("W", "kW", F(1, 1000)),
        ("g", "kg", F(1, 1000)),
        ("mg", "kg", F(1, 10**6)),
    ],
)
def test_prefixes_and_multiples_are_exact(unit: str, base: str, factor: F) -> None:
    """SI Brochure, 9th edition, tables 7 and 8; the mile from NIST SP 811."""
    assert find_unit(unit).convert(F(1), find_unit(base)) == factor


def test_every_kind_has_a_base_unit_and_only_temperatures_an_offset() -> None:
    """So no other factor or offset of the table is ever anything but 1 and 0."""
    named = {unit.name: unit for unit in SPELLINGS.values() if unit.name}
    bases = {unit.kind: unit.name for unit in named.values() if unit.factor == 1 and unit.offset == 0}
    assert set(bases) == {unit.kind for unit in named.values()}
    assert sorted(unit.name for unit in named.values() if unit.offset) == ["K", "degF"]
    scaled = {unit.name for unit in named.values() if unit.factor != 1}
    assert scaled == {
        *("%", "MPa", "Pa", "W", "bar", "degF", "g", "g0", "gal", "h", "hPa", "kg/h", "lbf ft", "m", "m/s", "mA"),
        *("mL", "mL/s", "mV", "mg", "mi", "min", "mph", "ms", "psi", "uL"),
    }


@pytest.mark.parametrize(
    "spelling", ["RPM", "1/min", "°C", "deg_C", "kph", "N.m", "Nm", " Nm ", "mbar", "lb-ft", "", "-"]
)
def test_spellings_of_dbc_files_are_known(spelling: str) -> None:
    assert find_unit(spelling).kind


def test_an_unknown_spelling_is_refused_until_declared() -> None:
    with pytest.raises(InputError, match=r"unit 'Umdr' is not known: declare it under \[units\]"):
        find_unit("Umdr")
    assert find_unit("Umdr", {"Umdr": "rpm"}) == find_unit("rpm")


def test_kinds_that_differ_are_refused() -> None:
    with pytest.raises(InputError, match="rpm is rotational speed, Nm is torque"):
        find_unit("rpm").convert(F(1), find_unit("Nm"))


def test_every_spelling_has_one_unit_and_an_exact_factor() -> None:
    assert len({id(u) for u in SPELLINGS.values()}) >= 30
    assert all(isinstance(u.factor, F) and u.factor > 0 for u in SPELLINGS.values())


@pytest.mark.parametrize(
    ("alias", "fallback"),
    [
        # the table of safe answers of the trade (common practice, no source)
        ("actual_torque", "invalid or high"),
        ("coolant_temperature", "invalid or high"),
        ("oil_pressure_lamp", "on"),
        ("charge_lamp", "on"),
        ("malfunction_lamp", "on"),
        ("engine_speed", "hold then zero"),
        ("vehicle_speed", "invalid"),
        ("park_neutral", "in gear"),
        ("torque_increase_request", "off"),
        ("cruise_switch", "off"),
        ("torque_reduction_request", "ramp to none"),
        ("compressor_request", "off"),
        ("engine_running", "hold then zero"),
    ],
)
def test_roles_carry_the_safe_answer(alias: str, fallback: str) -> None:
    assert find_role(alias).fallback == fallback
    assert find_role(find_role(alias).name) is find_role(alias)


def test_role_names_are_unique_and_near_ones_are_offered() -> None:
    assert len(BY_NAME) == 2 * len(ROLES)
    with pytest.raises(InputError, match="near: engine_speed"):
        find_role("engine_sped")
