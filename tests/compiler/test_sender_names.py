"""A J1939 source by its sender's NAME: followed from address to address, stale until claimed; three ways."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.core.errors import SwapbridgeError
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.addresses import addressed
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.plan.serialise import plan_from_json
from swapbridge.proving.reference.open_choices import steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.signalmap.dbc_read import parse_map
from tests.compiler.group_maps import BRIDGE, DONOR_TEXT, HOST, MAPS, frame_of
from tests.compiler.test_groups import EEC1, engine
from tests.compiler.twins import polled_alike

ENGINE = j1939.J1939Name(identity=77, manufacturer=5, function=0, industry=2)
OTHER_ENGINE = j1939.J1939Name(identity=99, manufacturer=5, function=0, industry=2)
GEARBOX = j1939.J1939Name(identity=77, manufacturer=5, function=3, industry=2)
BY_NAME = BRIDGE + '[sources."donor.EEC1"]\nfrom = { function = 0, industry_group = 2 }\n'
NOBODY_ASKS = (0, j1939.Identifier(6, j1939.REQUEST, j1939.NO_ADDRESS).word, bytes([0, 0xEE, 0]))
Step = tuple[int, int, bytes]


def plan_of(text: str = BY_NAME) -> Plan:
    return compile_bridge(parse_bridge(text), MAPS).plan


def claim(at_us: int, address: int, name: j1939.J1939Name = ENGINE) -> Step:
    return at_us, j1939.Identifier(6, j1939.ADDRESS_CLAIMED, address).word, name.data


def speeds(steps: list[Step], until_us: int, translator: Any = None) -> list[float | None]:
    """Engine speed that the host is told, one a frame; None for its safe answer."""
    translator = translator or Translator(plan_of())
    waiting, out, now = sorted(steps), list[float | None](), 0
    while now < until_us:
        while waiting and waiting[0][0] <= now:
            _, word, data = waiting.pop(0)
            translator.on_frame(0, word, data, now)
        frame = translator.poll(now)
        if frame is not None and frame.bus == 1:
            raw = int.from_bytes(frame.data[:2], "little")
            out.append(raw / 4 if raw else None)
        if translator.next_poll(now) != now:
            now += 1000
    return out


def test_until_its_name_is_claimed_a_source_is_stale() -> None:
    assert set(speeds(engine(1500), 390_000)) == {None}
    assert speeds([claim(500, 0), *engine(1500)], 390_000)[-1] == 1500


@pytest.mark.parametrize("name", [GEARBOX, j1939.J1939Name(function=0, industry=1)])
def test_another_name_is_not_listened_to(name: j1939.J1939Name) -> None:
    assert set(speeds([claim(500, 0, name), *engine(1500)], 390_000)) == {None}


def test_who_has_the_name_is_followed_to_another_address() -> None:
    moved = [claim(500, 0), *engine(1500, end_us=200_000), claim(200_000, 130)]
    after = [f for f in engine(1700, source=130) if f[0] > 200_000]
    stranger = [f for f in engine(900) if f[0] > 200_000]  # who sits at the old address now
    told = speeds([*moved, *after, *stranger], 390_000)
    assert told[-1] == 1700
    assert 900 not in told


@pytest.mark.parametrize("name", [j1939.J1939Name(identity=1, function=9), j1939.J1939Name(identity=1, function=0xFF)])
def test_who_claims_its_address_is_not_listened_to_there(name: j1939.J1939Name) -> None:
    """Nobody else can have it, until who had it claims it again: as it must when it has the lower NAME."""
    begin, others = [claim(500, 0), *engine(1500, end_us=200_000)], engine(900, end_us=1_490_000)[10:]
    assert speeds([*begin, claim(200_000, 0, name), *others], 1_490_000)[-1] is None
    kept = [*begin, claim(200_000, 0, name), claim(201_000, 0), *engine(1600, end_us=990_000)[11:]]
    assert set(speeds(kept, 980_000)[5:]) == {1500, 1600}


def test_who_can_not_claim_is_not_listened_to() -> None:
    gone = claim(200_000, j1939.NO_ADDRESS)
    assert speeds([claim(500, 0), *engine(1500, end_us=990_000), gone], 990_000)[-1] is None


def test_of_two_of_the_name_the_first_is_kept() -> None:
    both = [claim(500, 0), claim(600, 130, OTHER_ENGINE), *engine(1500), *engine(900, source=130)]
    assert set(speeds(both, 390_000)) - {None} == {1500}
    gone = [
        *both,
        claim(400_000, 254),
        claim(401_000, 130, OTHER_ENGINE),
        *engine(800, source=130, end_us=990_000)[20:],
    ]
    assert speeds(gone, 980_000)[-1] == 800


def test_who_has_which_address_is_asked_until_it_is_known() -> None:
    """J1939-81: who has no address asks from 254; a node that is there answers."""
    translator, asked = Translator(plan_of()), list[int]()
    for now in range(0, 9_000_000, 10_000):
        translator.on_frame(0, 0x18FE_CA00 | 1 << 31, bytes(8), now)
        if now == 5_000_000:
            translator.on_frame(0, *claim(now, 0)[1:], now)
        while True:
            frame = translator.poll(now)
            if frame is not None and tuple(frame) == NOBODY_ASKS:
                asked.append(now)
            if translator.next_poll(now) != now:
                break
    assert asked == [0, 2_000_000, 4_000_000]


def test_a_plan_file_keeps_the_name_and_the_plan_in_words_says_it() -> None:
    made = compile_bridge(parse_bridge(BY_NAME), MAPS)
    assert plan_from_json(made.plan.to_json()) == made.plan
    assert "claims: function 0, industry group 2" in " ".join(made.explain.split())


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ("{}", "gives no field of a NAME"),
        ("{ function = 256 }", "does not fit a NAME; write 0 to 255"),
        ("{ function = -1 }", "does not fit a NAME"),
        ('{ function = "engine" }', "is not a whole number"),
        ("{ fuction = 0 }", "did you mean 'function'"),
    ],
)
def test_a_name_that_can_not_be_is_refused(told: str, said: str) -> None:
    with pytest.raises(SwapbridgeError, match=said):
        plan_of(BRIDGE + f'[sources."donor.EEC1"]\nfrom = {told}\n')


def test_a_name_for_what_has_one_sender_is_refused() -> None:
    with pytest.raises(SwapbridgeError, match="is not a J1939 group"):
        plan_of(BRIDGE + '[sources."host.GearboxRequest"]\nfrom = { function = 0 }\n')
    twice = DONOR_TEXT.replace("BO_ 2566844158 ET1", "BO_ 2364539953 EEC1b: 8 CAB\n\nBO_ 2566844158 ET1")
    with pytest.raises(SwapbridgeError, match="for several addresses"):
        compile_bridge(parse_bridge(BY_NAME), {"donor": parse_map(twice), "host": HOST})
    with pytest.raises(SwapbridgeError, match="is not an SAE J1939 address"):
        plan_of(BRIDGE + '[[messages]]\nsend = "donor.TSC1"\nfrom = { function = 0 }\n')


@given(st.fixed_dictionaries({}, optional={k: st.integers(0, (1 << n) - 1) for k, n in j1939.NAME_FIELDS.items()}))
def test_a_pattern_fits_the_names_that_have_its_fields(fields: dict[str, int]) -> None:
    """Where each field is: from memory of J1939-81, checked against `J1939Name` and its peers in tests/core."""
    pattern = j1939.NamePattern.of(fields)
    keys = dict(zip(j1939.NAME_FIELDS, j1939.J1939Name.__slots__, strict=True))
    plain = j1939.J1939Name(**{keys[k]: v for k, v in fields.items()})  # type: ignore[arg-type]
    assert pattern.fits(plain.value)
    for key in fields:
        other = {**fields, key: fields[key] ^ 1}
        assert not pattern.fits(j1939.J1939Name(**{keys[k]: v for k, v in other.items()}).value)  # type: ignore[arg-type]


# --- three ways


def traffic(rng: random.Random, steps: int) -> list[Step]:
    """Groups from addresses that change hands, claims and questions, silences, sleep."""
    out, now, holder = list[Step](), 0, 0
    names = (ENGINE, ENGINE, OTHER_ENGINE, GEARBOX, j1939.J1939Name(identity=1, function=9))
    for _ in range(steps):
        now += rng.choice((300, 1000, 2500, 7000)) if rng.random() > 0.004 else rng.choice((300_000, 7_000_000))
        if rng.random() < 0.01:
            holder = rng.choice((0, 17, 130))
            out.append(claim(now, rng.choice((holder, holder, 0, 17, 254)), rng.choice(names)))
        who = holder if rng.random() < 0.9 else rng.choice((0, 17, 130))
        out.append((now, *frame_of(rng.choice((EEC1, EEC1, 0xFEF1, 0xFEEE)), rng, who, rng.choice((3, 6)))))
    return out


def agree(text: str, make: Any, steps: list[Step]) -> int:
    """How many frames of a translator are those of the exact reference, all of them."""
    bridge = parse_bridge(text)
    plan = compile_bridge(bridge, MAPS).plan
    translator, twin, compared = make(plan), Reference(bridge, addressed(bridge, MAPS), steps_of(plan)), 0
    for now, word, data in steps:
        translator.on_frame(0, word, data, now)
        twin.heard(0, word, data, now)
        compared += len(polled_alike(translator, twin, now))
    return compared


MORE = (
    '[sources."donor.CCVS"]\nfrom = { identity_number = 77, manufacturer_code = 5, function = 0 }\nmax_age_ms = 400\n'
)


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
@pytest.mark.parametrize("more", ["", MORE])
def test_translators_and_reference_agree_on_names(more: str, make: Any) -> None:
    assert agree(BY_NAME + more, make, traffic(random.Random(len(more)), 4000)) > 300


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 1 << 32))
def test_translator_and_reference_agree_whoever_claims(seed: int) -> None:
    agree(BY_NAME + MORE, Translator, traffic(random.Random(seed), 300))
