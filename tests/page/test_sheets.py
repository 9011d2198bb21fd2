"""The needs list and the health sheet between file and form: what is typed is what the file says, and remarks stay."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.engine_health import HEARD, OIL_FILLS, OIL_SEEN, parse_health
from swapbridge.core.errors import InputError
from swapbridge.core.needs import WAYS, parse_needs
from swapbridge.demo.folder import write_demo_papers
from swapbridge.page.requests import CylinderRow, EngineRow, HealthRows, NeedRow, OilRow
from swapbridge.page.sheets import health_rows, need_rows, with_health, with_needs
from swapbridge.swapfolder.paths import HEALTH, NEEDS, pristine

NEED = NeedRow(
    was=None, module="cluster", bus="host", id="280", period_ms="100", length="8", how="can", role="", signal="",
    note="", codes="", codes_found="",
)  # fmt: skip


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("papers")
    (folder / "signal_maps").mkdir()
    write_demo_papers(folder)
    return {name: (folder / name).read_text() for name in (NEEDS, HEALTH)}


def test_a_form_that_nobody_touched_leaves_the_file_as_it_is(papers: dict[str, str]) -> None:
    for text in (papers[NEEDS], pristine(NEEDS), "", "# a remark\n"):
        assert with_needs(text, need_rows(text, NEEDS), NEEDS) == text
    for text in (papers[HEALTH], pristine(HEALTH), "", "# a remark\n"):
        assert with_health(text, health_rows(text, HEALTH), HEALTH) == text


def test_one_thing_typed_is_one_line_changed(papers: dict[str, str]) -> None:
    text = papers[NEEDS]
    rows = need_rows(text, NEEDS)
    rows[1] = msgspec.structs.replace(rows[1], period_ms="20.5")
    old, new = text.splitlines(), with_needs(text, rows, NEEDS).splitlines()
    assert [(a, b) for a, b in zip(old, new, strict=True) if a != b] == [("period_ms = 20", "period_ms = 20.5")]


def test_a_need_is_added_and_another_taken_away_and_every_remark_stays() -> None:
    first_text = '# top\n[[need]]\nmodule = "a"  # who\nbus = "x"\nid = "100"\n# before b\n\n'
    text = f'{first_text}[[need]]\nmodule = "b"\nhow = "wired"\nnote = "n"\n# end\n'
    first, second = need_rows(text, NEEDS)
    less = with_needs(text, [second], NEEDS)
    assert [n.module for n in parse_needs(less, NEEDS)] == ["b"]
    assert [remark in less for remark in ("# top", "# before b", "# end")] == [True] * 3
    more = with_needs(text, [first, NEED, second], NEEDS)
    assert [n.module for n in parse_needs(more, NEEDS)] == ["a", "b", "cluster"]
    assert more.startswith(text)
    assert with_needs(text, [], NEEDS).strip() == "# top\n# before b\n\n# end"


def test_a_list_in_one_piece_is_written_too() -> None:
    text = 'need = [{ module = "a", bus = "x", id = "100" }, { module = "b", bus = "x", id = "200" }]  # mine\n'
    first, second = need_rows(text, NEEDS)
    assert with_needs(text, [first, second], NEEDS) == text
    changed = with_needs(text, [second, NEED], NEEDS)
    assert [n.module for n in parse_needs(changed, NEEDS)] == ["b", "cluster"]


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"module": ""}, "does not name the module"),
        ({"period_ms": "fast"}, "need 1 (cluster): the period is 'fast', which is not a number"),
        ({"period_ms": "nan"}, "not a number"),
        ({"length": "8.5"}, "not 0 to 64 bytes"),
        ({"id": "XYZ"}, "XYZ"),
        ({"how": "hope"}, "not one of"),
        ({"role": "torq"}, "role 'torq' is not known"),
        ({"id": ""}, "says its bus, and an id, a role or a signal"),
        ({"was": 3}, "load the page again"),
    ],
)
def test_what_cannot_be_a_need_is_refused_in_one_sentence(typed: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError) as refused:
        with_needs("", [msgspec.structs.replace(NEED, **typed)], NEEDS)
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


def test_readings_are_written_beside_what_is_there() -> None:
    text = pristine(HEALTH)
    sheet = health_rows(text, HEALTH)
    donor, host = sheet.engines
    cylinders = [msgspec.structs.replace(donor.cylinders[0], supply="80", cylinder="76.5"), *donor.cylinders[1:]]
    engines = [msgspec.structs.replace(donor, cylinders=cylinders), host]
    new = with_health(text, msgspec.structs.replace(sheet, engines=engines), HEALTH)
    assert "{number = 1, supply = 80, cylinder = 76.5},            # {" in new
    assert text.split("[[engine]]")[0] == new.split("[[engine]]")[0]
    assert "{ number = 2 }," in new
    six = [*cylinders, CylinderRow(was=None, number="5", supply="", cylinder="", compression="150", air_heard="")]
    host = msgspec.structs.replace(host, redline="6500", oil=[OilRow(was=None, after="old fill", seen="nothing")])
    sheet = HealthRows(engines=[msgspec.structs.replace(donor, cylinders=six), host], most_torque="350", shifts_at="")
    found = {s.which: s for s in parse_health(with_health(text, sheet, HEALTH), HEALTH)}
    assert [c.number for c in found["donor"].cylinders] == [1, 2, 3, 4, 5]
    assert found["host"].redline_rpm == 6500
    assert found["host"].oil_grade == "good"
    assert found["host"].gearbox is not None
    assert found["host"].gearbox.most_torque_nm == 350


def test_a_reading_that_cannot_be_is_refused_in_one_sentence() -> None:
    text = pristine(HEALTH)
    sheet = health_rows(text, HEALTH)
    donor = sheet.engines[0]
    for typed, words in (
        ({"supply": "80", "cylinder": "90"}, "not between 0 and the supply"),
        ({"supply": "80"}, "needs both supply and cylinder"),
        ({"supply": "eighty"}, "donor, cylinder 1: supply is 'eighty', which is not a number"),
        ({"number": "2"}, "appears twice"),
        ({"number": ""}, "number is None"),
        ({"air_heard": "boot"}, "not one of"),
    ):
        cylinders = [msgspec.structs.replace(donor.cylinders[0], **typed), *donor.cylinders[1:]]
        engines = [msgspec.structs.replace(donor, cylinders=cylinders), sheet.engines[1]]
        with pytest.raises(InputError) as refused:
            with_health(text, msgspec.structs.replace(sheet, engines=engines), HEALTH)
        assert words in str(refused.value)


numbers = st.sampled_from(["", "80", "76.5", "0.25"])
needs = st.builds(
    NeedRow, was=st.none(), module=st.sampled_from(["a", "b \"c\"", "# d"]), bus=st.just("host"), id=st.just("1A0"),
    period_ms=st.sampled_from(["", "10", "12.5"]), length=st.sampled_from(["", "8"]), how=st.sampled_from(WAYS),
    role=st.sampled_from(["", "engine_speed"]), signal=st.sampled_from(["", "M.S"]),
    note=st.text(st.characters(blacklist_categories=["Cs", "Cc"]), max_size=8).map(str.strip),
    codes=st.sampled_from(["", "U0100-87", "U0100-87, U0101-00"]), codes_found=st.sampled_from(["", "unplugged"]),
)  # fmt: skip
cylinders = st.lists(
    st.builds(
        CylinderRow, was=st.none(), number=st.just(""), supply=st.just("80"), cylinder=st.sampled_from(["76", "52.5"]),
        compression=numbers, air_heard=st.sampled_from(["", *HEARD]),
    ),
    max_size=3,
).map(lambda rows: [msgspec.structs.replace(row, number=str(n)) for n, row in enumerate(rows, 1)])  # fmt: skip
oil = st.lists(
    st.builds(OilRow, was=st.none(), after=st.sampled_from(OIL_FILLS), seen=st.sampled_from(OIL_SEEN)), max_size=2
)


def engine(which: str) -> st.SearchStrategy[EngineRow]:
    rest = {key: st.sampled_from(["", "6000"]) for key in ("redline", "idle", "peak_torque")}
    return st.builds(EngineRow, which=st.just(which), unit=st.just("psi"), cylinders=cylinders, oil=oil, **rest)


sheets = st.builds(
    HealthRows, engines=st.tuples(engine("donor"), engine("host")).map(list),
    most_torque=st.sampled_from(["", "350"]), shifts_at=st.just(""),
)  # fmt: skip


def untied(form: Any) -> Any:
    """A form as plain data, without the places that its rows had."""
    if isinstance(form, dict):
        return {key: untied(item) for key, item in form.items() if key != "was"}
    return [untied(item) for item in form] if isinstance(form, list) else form


def typed(form: Any) -> Any:
    return untied(msgspec.to_builtins(form))


@given(before=st.lists(needs, max_size=3), after=st.lists(needs, max_size=2), keep=st.sets(st.integers(0, 2)))
def test_whatever_is_typed_reads_back(before: list[NeedRow], after: list[NeedRow], keep: set[int]) -> None:
    text = with_needs("", before, NEEDS)
    rows = [row for row in need_rows(text, NEEDS) if row.was in keep] + after
    assert typed(need_rows(with_needs(text, rows, NEEDS), NEEDS)) == typed(rows)


@given(first=sheets, then=sheets)
def test_whatever_is_measured_reads_back(first: HealthRows, then: HealthRows) -> None:
    text = with_health("", first, HEALTH)
    assert typed(health_rows(with_health(text, then, HEALTH), HEALTH)) == typed(then)
