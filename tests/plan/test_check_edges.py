"""Each promise of a plan holds up to its last allowed value, and the first one beyond it is refused."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import pytest

from swapbridge.core.errors import InputError
from swapbridge.plan.check import check_plan
from swapbridge.plan.plan import Plan
from tests.compiler.kit import RICH, compile_text
from tests.compiler.test_packets import plan_of

PLAN = compile_text(RICH).plan
GROUPS = plan_of()
TIME = (1 << 31) - 1
EIGHT = (1 << 64) - 1
TALL = 1 << 62
Path = tuple[Any, ...]


def changed(at: Any, path: Sequence[Any], value: Any) -> Any:
    """The same value with one part of it replaced; a path has names of fields and numbers of entries."""
    if not path:
        return value
    key, *rest = path
    if isinstance(key, int):
        return (*at[:key], changed(at[key], rest, value), *at[key + 1 :])
    return dataclasses.replace(at, **{key: changed(getattr(at, key), rest, value)})


def problem(plan: Plan) -> str:
    """What a plan is refused for; empty where it is accepted."""
    try:
        check_plan(plan)
    except InputError as error:
        return str(error)
    return ""


BUS: Path = ("buses", 0)
FEED: Path = ("feeds", 1)
RPM: Path = (*FEED, "extracts", 1)
RECEIVE: Path = ("receives", 0)
CHECKED: Path = (*RECEIVE, "counter")
CRC: Path = (*RECEIVE, "checksum", "method")
SEND: Path = ("sends", 0)
MASKS: Path = (*SEND, "checksum", "method")
SUM: Path = ("sends", 3, "checksum", "method")
LISTED: Path = ("sends", 2, "checksum")
PAGES: Path = ("sends", 4)
ASKED: Path = ("sends", 7, "request")
SIGNAL: Path = (*SEND, "variants", 0, "fields", 0)
PASS: Path = ("passes", 9)
BLOCK: Path = ("passes", 0)
JOINED: Path = ("joined",)
SLOTS = len(PLAN.slots)
FIRST = PLAN.slots[3]
OPERATIONS = len(PLAN.sends[0].variants[0].block)
PARTS = PLAN.joined.parts if PLAN.joined is not None else ()

EDGES: list[tuple[Path, Sequence[Any], Sequence[Any], str]] = [
    (("initial_state",), (0, 5), (-1, 6), "the initial state is not a state"),
    (("pass_queue",), (1, 4096), (-1, 4097), "must hold 0 to 4096 frames"),
    (("pass_queue",), (1,), (0,), "is empty although frames are passed"),
    (("slots", 3, "initial"), (FIRST.low, FIRST.high), (FIRST.low - 1, FIRST.high + 1), "begins outside"),
    ((*BUS, "silent_us"), (1, TIME), (0, TIME + 1), "bad silent time"),
    ((*BUS, "bit_rate"), (1, 1_000_000), (0, 1_000_001), "bad bit rate"),
    (("tables", 0, "x"), ((0, 1, 2, 3),), ((0, 1, 2, 2), (0, 1, 2)), "table 0 needs"),
    (("tables", 0), (), (dataclasses.replace(PLAN.tables[0], x=(5,), y=(5,)),), "at least two points"),
    (("tables", 0, "x"), ((-TALL, 0, 1, TALL - 1),), ((-TALL, 0, 1, TALL),), "spans more than 64 bits"),
    (("tables", 0, "y"), ((0, 0, 0, 2 * TALL - 1),), ((0, 0, 0, 2 * TALL),), "table 0 needs more than 64 bits"),
    (("lookups", 0, "keys"), ((3, 4, 5),), ((3, 4, 4), (3, 4)), "lookup recorded states needs"),
    (
        ("lookups", 0),
        (dataclasses.replace(PLAN.lookups[0], keys=(3,), values=(1,)),),
        (dataclasses.replace(PLAN.lookups[0], keys=(), values=()),),
        "needs as many values as keys",
    ),
    (("slots", 0, "high"), (5,), (4, 6), "must be the state, 0 to 5"),
    (("lines", 0, "length"), (1, 2000), (0, 2001), "must remember 1 to 2000 values"),
    (("lines", 0, "high"), (1, 2 * TALL - 1), (0, 2 * TALL), "has a bad interval"),
    (("tasks", 0, "period_us"), (1, TIME // 32), (0, TIME // 32 + 1), "has a period outside"),
    (("tasks", 0, "offset_us"), (0, TIME), (-1, TIME + 1), "has a bad offset"),
    ((*FEED, "max_age_us"), (1, TIME), (0, TIME + 1), "has an age limit outside"),
    ((*FEED, "good_first"), (1, 255), (0, 256), "bad number of good frames"),
    ((*FEED, "good_again"), (1, 255), (0, 256), "bad number of good frames"),
    ((*FEED, "triggers"), ((0, len(PLAN.sends) - 1),), ((-1,), (len(PLAN.sends),)), "triggers a send"),
    ((*RPM, "slot"), (3,), (-1, 0, SLOTS), "writes slot"),
    ((*RPM, "valid_slot"), (4,), (-2, 0, SLOTS), "writes a validity slot"),
    ((*RPM, "valid_slot"), (4,), (-1,), "invalid values but no validity slot"),
    ((*RPM, "invalid"), (((7, 7),),), (((8, 7),), ((0, 2 * TALL),)), "bad invalid range"),
    (("slots", 4, "high"), (1,), (0,), "validity slot that can't hold 0 and 1"),
    (("slots", 4), (), (dataclasses.replace(PLAN.slots[4], initial=1, low=1),), "validity slot that can't hold"),
    (("slots", 3, "high"), (FIRST.high,), (FIRST.high - 1,), "can leave the interval of slot 3"),
    ((*RECEIVE, "word"), (0x7FF, 0x9FFF_FFFF), (0x800, 0xA000_0000, 1 << 32), "has a bad identifier"),
    ((*RECEIVE, "bus"), (0, 1), (-1, 2), "is on a bus that is not there"),
    ((*RECEIVE, "minimum_length"), (8, 64), (-1, 65), "has a bad length"),
    ((*RECEIVE, "minimum_length"), (8,), (7,), "has bits outside its 7 bytes"),
    ((*RECEIVE, "period_us"), (0, TIME), (-1, TIME + 1), "has a bad period"),
    ((*CHECKED, "lost_ok"), (0, 255), (-1, 256), "bad number of lost frames"),
    ((*CHECKED, "low"), (0, 13), (-1, 14), "counter that does not fit its bits"),
    ((*CHECKED, "high"), (1, 15), (0, 16), "counter that does not fit its bits"),
    ((*CHECKED, "step"), (1, 14), (0, 15), "bad counter step"),
    ((*CRC, "init"), (0, 255), (-1, 256), "has a bad CRC"),
    ((*CRC, "xor_out"), (0, 255), (-1, 256), "has a bad CRC"),
    ((*CRC, "polynomial"), (1, 255), (-1, 256), "has a bad CRC"),
    ((*CRC, "before"), (bytes(64),), (bytes(65),), "too many constant bytes"),
    ((*CRC, "after"), (bytes(64),), (bytes(65),), "too many constant bytes"),
    ((*CRC, "coverage"), ((0, 7),), ((8,), (-1,)), "covers bytes it does not have"),
    ((*CRC, "coverage"), ((0,) * 256,), ((0,) * 257,), "covers too many bytes"),
    ((*SUM, "unit_bits"), (1, 4, 8), (0, 2, 16), "sum of odd units"),
    ((*SUM, "factor"), (65_535, -65_535), (65_536, -65_536), "has a bad sum"),
    ((*SUM, "constant"), ((1 << 32) - 1, 1 - (1 << 32)), (1 << 32, -(1 << 32)), "has a bad sum"),
    ((*MASKS, "constant"), (0, 255), (-1, 256), "has a bad constant"),
    ((*MASKS, "masks"), ((EIGHT,) * 8, (0,) * 8), ((EIGHT + 1,) * 8, (-1,) * 8), "covers bits it does not have"),
    ((*MASKS, "masks"), ((1,) * 8,), ((1,) * 7, (1,) * 9), "has a mask missing"),
    ((*LISTED, "by_counter"), ((0,) * 15 + (255,),), ((0,) * 15 + (256,), (-1,)), "bad constants by counter"),
    ((*LISTED, "counter"), (), (None,), "constants by counter but no counter"),
    *(
        ((*SEND, name), (0, TIME), (-1, TIME + 1), "microseconds")
        for name in ("period_us", "delay_us", "gap_us", "linger_us")
    ),
    ((*SEND, "check_us"), (0, TIME), (-1, TIME + 1), "has a bad check time"),
    ((*SEND, "states"), (0, 63), (-1, 64), "names states that are not there"),
    ((*SEND, "count"), (0, 255), (-1, 256), "is sent more than 255 times"),
    (("sends", 5, "count"), (0, 1), (2,), "is sent several times a wake at no spacing"),
    ((*SEND, "bus"), (0, 1), (-1, 2), "is on a bus that is not there"),
    ((*PAGES, "order"), ((0, 1), (0,) * 255 + (1,)), ((0,), (0, 1, 2), (0,) * 256 + (1,)), "has odd turns"),
    ((*SEND, "variants", 0, "send_if"), (-1, OPERATIONS - 1), (-2, OPERATIONS), "a condition that is not there"),
    ((*SIGNAL, "register"), (OPERATIONS - 1,), (-1, OPERATIONS), "reads a register that is not there"),
    ((*SIGNAL, "feeds"), ((0, 4),), ((-1,), (5,)), "names a feed that is not there"),
    ((*ASKED, "prefix"), (b"\x02", bytes(64)), (b"", bytes(65)), "has an empty request"),
    ((*ASKED, "words"), ((0x7DF,),), ((),), "has an empty request"),
    ((*PASS, "last"), (1536, 0xFFFF_FFFF), (1535, 1 << 32), "has an empty range"),
    ((*PASS, "to_bus"), (0,), (-2, 1, 2), "leads to a bus that is not there"),
    ((*PASS, "to_bus"), (0,), (-1,), "leads nowhere"),
    ((*BLOCK, "new_word"), (-1,), (0,), "blocks and renames at once"),
    ((*JOINED, "gap_us"), (0, TIME), (-1, TIME + 1), "has a bad gap"),
    ((*JOINED, "service"), (0, 0x3F), (-1, 0x40), "has a bad service"),
    ((*JOINED, "words"), ((0x7DF,),), ((),), "is asked for by no frame"),
    ((*JOINED, "parts"), (((0, 6),), ((255, 6),)), ((), ((-1, 6),), ((256, 6),)), "has a bad number of parts"),
    ((*JOINED, "parts"), (PARTS,), (PARTS[::-1], (PARTS[0], PARTS[0])), "needs rising identifiers"),
    ((*JOINED, "parts"), (), (((0, -1),), ((0, len(PLAN.sends)),)), "names a send that is not there"),
]


@pytest.mark.parametrize("row", EDGES, ids=[".".join(map(str, row[0])) for row in EDGES])
def test_both_sides_of_each_limit(row: tuple[Path, Sequence[Any], Sequence[Any], str]) -> None:
    path, allowed, refused, words = row
    for value in allowed:
        assert words not in problem(changed(PLAN, path, value)), value
    for value in refused:
        assert words in problem(changed(PLAN, path, value)), value


def test_the_plans_here_are_valid() -> None:
    assert problem(PLAN) == problem(GROUPS) == ""


LONG = next(n for n, send in enumerate(GROUPS.sends) if send.is_long)
ASKS = next(n for n, claim in enumerate(GROUPS.claims) if LONG in claim.sends)
OWN = GROUPS.claims[ASKS].address
GROUP_EDGES: list[tuple[Path, Sequence[Any], Sequence[Any], str]] = [
    (("claims", ASKS, "address"), (0, 253), (-1, 254), "has a bad bus or address"),
    (("claims", ASKS, "bus"), (0,), (-1, len(GROUPS.buses)), "has a bad bus or address"),
    (("claims", ASKS, "name"), (0, EIGHT), (-1, EIGHT + 1), "has a bad name"),
    (("claims", ASKS, "wait_us"), (0, TIME), (-1, TIME + 1), "has a bad wait"),
    (("claims", ASKS, "sends"), (), ((-1,), (len(GROUPS.sends),)), "names a send that is not there"),
    (("claims", ASKS, "address"), (OWN,), (OWN + 1,), "names a send of another address"),
    (("sends", LONG, "to"), (0, 253, 255), (-1, 254, 256, OWN), "goes to an address that can't be"),
]


@pytest.mark.parametrize("row", GROUP_EDGES, ids=[f"{row[0][-1]} {row[3]}" for row in GROUP_EDGES])
def test_both_sides_of_each_limit_of_a_node(row: tuple[Path, Sequence[Any], Sequence[Any], str]) -> None:
    path, allowed, refused, words = row
    for value in allowed:
        assert words not in problem(changed(GROUPS, path, value)), value
    for value in refused:
        assert words in problem(changed(GROUPS, path, value)), value
