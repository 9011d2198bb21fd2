"""What the emitted files promise as text: complete, deterministic, no heap, no floats, names that can't break out."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.errors import InputError
from swapbridge.core.j1939 import NamePattern
from swapbridge.emit.emit_c import emit_c
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Bus, Plan, Slot, Task, Variant
from tests.compiler.long_maps import HEARS, LONG_MAPS, SAYS
from tests.emit.c_runs import build_harness
from tests.emit.random_plans import random_plan

FILES = ["bridge.h", "bridge.c", "bridge_harness.c", "bridge_linux.c", "bridge_board.c", "bridge_notes.txt"]


def code_of(text: str) -> str:
    """C without comments and strings."""
    return re.sub(r"/\*.*?\*/|\"(\\.|[^\"])*\"", " ", text, flags=re.DOTALL)


def test_same_plan_same_bytes_in_another_process() -> None:
    script = (
        "import hashlib; from swapbridge.emit.emit_c import emit_c; from tests.emit.random_plans import random_plan;"
        "print(hashlib.sha256(repr(sorted(emit_c(random_plan(7)).items())).encode()).hexdigest())"
    )
    seen = {
        subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60,
                       env={**os.environ, "PYTHONHASHSEED": seed}).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    assert len(seen) == 1
    assert list(emit_c(random_plan(7))) == FILES


def test_no_heap_no_floats_no_recursion_no_globals_in_the_translator() -> None:
    for seed in range(30):
        files = emit_c(random_plan(seed))
        code = code_of(files["bridge.h"]) + code_of(files["bridge.c"])
        words = set(re.findall(r"\b[A-Za-z_]\w*\b", code))
        assert not words & {"double", "float", "malloc", "calloc", "realloc", "free", "alloca", "long", "short"}
        assert not re.search(r"\d\.\d", code)
        for data in re.findall(r"^static (?!const)[^(;]*[;=]", code, flags=re.MULTILINE):
            pytest.fail(f"a variable outside the state: {data}")
        assert_no_recursion(code)


def assert_no_recursion(code: str) -> None:
    bodies = dict(re.findall(r"^[a-z][\w *]*?\b(\w+)\([^;{]*\)\n\{\n(.*?)^\}", code, flags=re.DOTALL | re.MULTILINE))
    assert "bridge_poll" in bodies
    calls = {name: {other for other in bodies if re.search(rf"\b{other}\(", body)} for name, body in bodies.items()}
    reached = {name: set(direct) for name, direct in calls.items()}
    for _ in bodies:
        for found in reached.values():
            found |= {deeper for other in found for deeper in calls[other]}
    assert not [name for name, found in reached.items() if name in found]


def test_every_time_in_the_interface_says_microseconds() -> None:
    header = code_of(emit_c(random_plan(7))["bridge.h"])
    times = re.findall(r"uint32_t (\w*(?:time|now|due|check|open|last|looked|quiet)\w*)", header)
    assert times
    assert all(re.sub(r"\[.*", "", t).endswith("_us") for t in times)


def test_names_from_maps_stay_inside_comments() -> None:
    plan = random_plan(7)
    evil = '*/ #error "out" \\\n??/ /*'
    slots = (plan.slots[0], *(replace(s, name=evil) for s in plan.slots[1:]))
    files = emit_c(replace(plan, name=evil, slots=slots))
    assert "#error" not in code_of(files["bridge.c"]) + code_of(files["bridge.h"])
    assert not re.search(r"\\$|\?\?/", files["bridge.h"], flags=re.MULTILINE)


def test_buses_whose_names_spell_alike_keep_apart() -> None:
    buses = tuple(Bus(name, 500_000, False, 0, "added-node", False, 1000) for name in ("a-b", "a_b", "count"))
    plan = Plan("p", buses, (Slot("state", 0, 0, 5),), (), (), (), (), (Task("t", 1000, 0, ()),), (), ())
    numbers = re.findall(r"BRIDGE_BUS_(\w+) = (\d)", emit_c(plan)["bridge.h"])
    assert len({name for name, _ in numbers}) == len(numbers) == 4


@pytest.mark.parametrize("name", ["", "9lives", "Bridge", "a b", "../x", "int", "x" * 32, "a\n"])
def test_names_that_c_cannot_take_are_refused(name: str) -> None:
    with pytest.raises(InputError, match="prefix in C"):
        emit_c(random_plan(7), name)


def test_another_prefix_reaches_every_file() -> None:
    files = emit_c(random_plan(7), "gate")
    assert sorted(files) == sorted(f.replace("bridge", "gate") for f in FILES)
    for name, text in files.items():
        assert not re.search(r"\bbridge_|\bBRIDGE_|@", text), name


def test_a_plan_that_breaks_its_contract_is_refused() -> None:
    plan = random_plan(7)
    assert plan.sends
    broken = replace(plan.sends[0], variants=(Variant(bytes(9), (), ()),))
    with pytest.raises(InputError, match="the plan is not valid"):
        emit_c(replace(plan, sends=(broken, *plan.sends[1:])))


def test_notes_say_where_it_sits_how_to_wire_it_and_what_to_beware_of() -> None:
    notes = emit_c(random_plan(7))["bridge_notes.txt"]
    for word in ("In line or added node", "Not everything goes over CAN", "authenticate", "60 ohm", "120 ohm",
                 "watchdog", "sleep", "cut-off", "torque", "local law", "licensed"):  # fmt: skip
        assert word in notes, word
    assert max(len(line) for line in notes.splitlines()) <= 100


def test_contracts_stand_in_comments() -> None:
    header = emit_c(random_plan(7))["bridge.h"]
    for sentence in ("not reentrant", "never past them", "must not be set back", "Must be the first call"):
        assert sentence in header


@pytest.mark.parametrize(
    "parts",
    [
        "hears",
        "claims",
        "claims hears",
        "claims says",
        "claims hears says",
        "names",
        "names hears",
        "claims names waits",
        "claims contends",
        "claims hears says names waits contends",
    ],
)
def test_every_mix_of_the_j1939_layer_is_clean_c(parts: str, tmp_path: Path) -> None:
    """What a plan does not need is left out, and nothing that is left is unused."""
    plan = compile_bridge(parse_bridge(HEARS + SAYS), LONG_MAPS).plan
    if "says" not in parts:
        plan = replace(plan, sends=tuple(s for s in plan.sends if not s.is_long))
        plan = replace(plan, claims=tuple(replace(c, sends=()) for c in plan.claims if "claims" in parts))
        plan = replace(plan, feeds=tuple(replace(f, triggers=()) for f in plan.feeds))
    if "hears" not in parts:
        plan = replace(plan, receives=tuple(replace(r, long=False) for r in plan.receives))
    if "names" in parts:
        pattern = NamePattern(1 << 40, 0xFF << 40)
        receives = (replace(r, sender_name=pattern) if r.any_sender else r for r in plan.receives)
        plan = replace(plan, receives=tuple(receives))
    wait_us, contends = 250_000 * ("waits" in parts), "contends" in parts
    plan = replace(plan, claims=tuple(replace(c, wait_us=wait_us, contends=contends) for c in plan.claims))
    build_harness(emit_c(plan), tmp_path, flags=("-O0",))
