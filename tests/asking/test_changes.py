"""Before and after the engine computer was unplugged, and what a needs list learns from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from swapbridge.asking.ask import Questions
from swapbridge.asking.changes import codes_of_needs, compare_answers
from swapbridge.asking.module_answers import Answers, Code, Module
from swapbridge.core.errors import InputError
from swapbridge.core.needs import load_needs, with_codes
from tests.asking.car import Car

NEEDS = """# what the host waits for

[[need]]
module = "transmission"
bus = "host"
id = "0C8"     # engine speed and torque
period_ms = 10

# the cluster's
[[need]]
module = "Cluster"
bus = "host"
id = "0C8"
note = "codes = nothing"

[[need]]
module = "climate"
bus = "host"
id = "1A0"
codes = ["U0104-00"]
"""


def whole_and_unplugged() -> tuple[Answers, Answers]:
    questions = Questions(names={"7EE": "cluster"})
    before = Car()
    before.bench.idle(8.0)
    after = Car(engine=False)
    after.bench.idle(8.0)
    return before.asked(questions), after.asked(questions)


def test_what_appeared_and_who_is_silent() -> None:
    changes = compare_answers(*whole_and_unplugged())
    assert [one.name for one in changes.silent] == ["engine computer"]
    by_name = {one.module.name: one for one in changes.modules}
    assert [code.text for code in by_name["transmission"].appeared if code.service == "19 02"] == ["U0100-87"]
    assert [code.text for code in by_name["cluster"].appeared] == ["U0100-00"]
    assert by_name["engine computer"].unknown
    assert not by_name["engine computer"].gone


def test_needs_get_the_codes_that_their_absence_sets(tmp_path: Path) -> None:
    path = tmp_path / "needs.toml"
    path.write_text(NEEDS)
    found = codes_of_needs(compare_answers(*whole_and_unplugged()), load_needs(path))
    assert [(one.need.module, one.codes) for one in found] == [
        ("transmission", ("U0100-87",)),
        ("Cluster", ("U0100-00",)),
    ]
    assert found[0].found == "set after engine computer was unplugged, as answered by 7E9 on 2026-01-01"
    text = with_codes(NEEDS, {one.need.line: (one.codes, one.found) for one in found})
    for line in NEEDS.splitlines():
        assert line in text.splitlines()
    path.write_text(text)
    again = load_needs(path)
    assert [need.codes for need in again] == [("U0100-87",), ("U0100-00",), ("U0104-00",)]
    assert again[0].codes_found == found[0].found
    assert with_codes(text, {need.line: (need.codes, need.codes_found) for need in again[:2]}) == text


def test_a_need_on_another_bus_gets_none(tmp_path: Path) -> None:
    path = tmp_path / "needs.toml"
    path.write_text(NEEDS.replace('"host"', '"body"'))
    assert codes_of_needs(compare_answers(*whole_and_unplugged()), load_needs(path)) == ()


def test_codes_that_miss_a_module_that_is_still_there_are_no_need_of_the_engine() -> None:
    lost = Code("U0121-87", "19 02", about="lost communication", missed="anti-lock brakes")
    transmission = Module("transmission", "7E1", "7E9", "11 bits", codes=(lost,), asked=("19 02",))
    before = Answers("host", "t", (Module("transmission", "7E1", "7E9", "11 bits", asked=("19 02",)),))
    changes = compare_answers(before, Answers("host", "t", (transmission,)))
    assert changes.modules[0].appeared == (lost,)
    assert codes_of_needs(changes, ()) == ()


def test_a_code_is_gone_only_where_its_service_was_answered_again() -> None:
    code = Code("P0128", "03")
    old = Answers("host", "t", (Module("engine computer", "7E0", "7E8", "11 bits", codes=(code,), asked=("03",)),))

    def later(asked: tuple[str, ...]) -> Answers:
        return Answers("host", "t", (Module("engine computer", "7E0", "7E8", "11 bits", asked=asked),))

    assert compare_answers(old, later(("03",))).modules[0].gone == (code,)
    silent = compare_answers(old, later(("19 02",))).modules[0]
    assert (silent.gone, silent.unknown) == ((), (code,))


def test_two_buses_are_not_compared() -> None:
    with pytest.raises(InputError, match="two files of one bus"):
        compare_answers(Answers("host", "t", ()), Answers("donor", "t", ()))


def test_a_needs_list_in_one_list_is_refused() -> None:
    with pytest.raises(InputError, match=r"\[\[need\]\]"):
        with_codes("need = []", {0: (("U0100",), "")})
