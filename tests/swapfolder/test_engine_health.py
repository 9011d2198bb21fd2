"""Prove room: leak-down and compression readings. Limits are common practice, no source."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.engine_health import Cylinder, HealthSheet, leakage_percent, load_health
from swapbridge.core.errors import InputError

SHEET = """
[[engine]]
which = "donor"
unit = "psi"
[[engine.cylinder]]
number = 1
supply = 80
cylinder = 76
compression = 175
[[engine.cylinder]]
number = 2
supply = 80
cylinder = 60
air_heard = "oil filler"
compression = 120
[[engine.cylinder]]
number = 3
"""


def test_practice_figures() -> None:
    """A 4 psi drop at 80 psi is 5 %, and under 10 % is good (common practice, no source)."""
    assert leakage_percent(Fraction(80), Fraction(76)) == 5
    assert Cylinder(1, Fraction(80), Fraction(76)).grade == "good"
    assert Cylinder(1, Fraction(80), Fraction(72)).grade == "worn", "10 % is not under 10 %"
    assert Cylinder(1, Fraction(80), Fraction(60)).grade == "bad"
    assert Cylinder(1, Fraction(100), Fraction(801, 10)).grade == "worn"
    assert Cylinder(1, Fraction(80), Fraction(64)).grade == "bad", "20 % is not under 20 %"


def test_cylinders_that_leak_nothing_are_good_at_0_percent() -> None:
    sheet = HealthSheet("donor", "psi", tuple(Cylinder(n, Fraction(80), Fraction(80)) for n in (1, 2)))
    assert sheet.sentences() == ["leak-down good on 2 cylinders, at most 0 %"]


@given(st.fractions(min_value=1, max_value=200), st.fractions(min_value=0, max_value=1))
def test_leakage_is_what_is_missing(supply: Fraction, share: Fraction) -> None:
    leak = leakage_percent(supply, supply * share)
    assert 0 <= leak <= 100
    assert leak == 100 * (1 - share), "the pressure unit does not matter"


def test_sheet_is_read_and_told(tmp_path: Path) -> None:
    (tmp_path / "health.toml").write_text(SHEET)
    (sheet,) = load_health(tmp_path / "health.toml")
    assert sheet.which == "donor"
    assert sheet.grade == "bad"
    text = sheet.sentences()
    assert text[0] == "cylinder 2 leaks 25 %, air past the rings"
    assert "compression of cylinder 2 is 69 % of the best: under 75 % is too far" in text
    assert text[-1] == "no leak-down reading of cylinder 3"
    assert HealthSheet("host", "psi", ()).grade == "not measured"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[engine]]\nwhich = 'spare'", "which is 'spare'"),
        ("[[engine]]\nwhich = 'donor'\nunit = 'furlong'", "unit is 'furlong'"),
        ("[[engine]]\nwhich='donor'\n[[engine.cylinder]]\nnumber=1\nsupply=80\ncylinder=90", "not between 0 and"),
        ("[[engine]]\nwhich='donor'\n[[engine.cylinder]]\nnumber=1\nsupply=80", "needs both"),
        ("[[engine]]\nwhich='donor'\n[[engine.cylinder]]\nnumber=1\nair_heard='boot'", "air_heard is 'boot'"),
        ("[[engine]]\nwhich='donor'\n[[engine.cylinder]]\nnumber=1\n[[engine.cylinder]]\nnumber=1", "appears twice"),
        ("[[engine]]\nwhich='donor'\n[[engine]]\nwhich='donor'", "two sheets"),
        ("[[engine]]\nwhich='donor'\n[[engine.cylinder]]\nnumber=1\nsupply=true\ncylinder=1", "not a gauge pressure"),
        ("engine = 3", r"contains only \[\[engine\]\] tables"),
        ("nonsense", "not valid TOML"),
    ],
)
def test_refusals_say_where(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "health.toml").write_text(text)
    with pytest.raises(InputError, match=words):
        load_health(tmp_path / "health.toml")


def test_missing_sheet() -> None:
    with pytest.raises(InputError, match=r"can't be read"):
        load_health("nowhere/health.toml")


def test_the_oil_overrules_a_good_leak_down(tmp_path: Path) -> None:
    """Bright metal again after a fresh fill: something is wearing (common practice, no source)."""
    path = tmp_path / "health.toml"
    engine = '[[engine]]\nwhich = "donor"\ncylinder = [{ number = 1, supply = 80, cylinder = 78 }]\n'
    path.write_text(engine)
    assert load_health(path)[0].grade == "good"
    path.write_text(engine + '[[engine.oil]]\nafter = "old fill"\nseen = "bright metal"\n')
    assert load_health(path)[0].grade == "worn"
    path.write_text(engine + '[[engine.oil]]\nafter = "fresh fill"\nseen = "bright metal"\n')
    (sheet,) = load_health(path)
    assert sheet.grade == "bad"
    assert sheet.sentences()[0].startswith("bright metal again after a fresh fill: something is wearing")
    path.write_text(engine + "redline = 4500\n[gearbox]\nmost_torque = 350\nshifts_at = 6500\n")
    (sheet,) = load_health(path)
    assert sheet.gearbox is not None
    figures = (sheet.redline_rpm, sheet.gearbox.most_torque_nm, sheet.gearbox.shifts_at_rpm)
    assert figures == (Fraction(4500), Fraction(350), Fraction(6500))
    path.write_text(engine + '[[engine.oil]]\nafter = "fresh fill"\nseen = "glitter"\n')
    with pytest.raises(InputError, match="seen one of"):
        load_health(path)


def test_the_cylinder_that_leaks_most_comes_first() -> None:
    leaks = {1: Fraction(68), 2: Fraction(40), 3: Fraction(60)}
    sheet = HealthSheet("donor", "psi", tuple(Cylinder(n, Fraction(80), left) for n, left in leaks.items()))
    assert [text.split(" leaks")[0] for text in sheet.sentences()] == ["cylinder 2", "cylinder 3", "cylinder 1"]
