"""J1939 groups in maps and bridges: heard whatever priority and sender, reserved values, one sender at a time."""

from __future__ import annotations

import random
from typing import Any

import cantools
import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.core.errors import RefusedError, SwapbridgeError
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.addresses import addressed
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import SentFrame, Translator
from swapbridge.plan.serialise import plan_from_json
from swapbridge.proving.reference.open_choices import steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.signalmap.dbc_read import parse_map
from swapbridge.signalmap.dbc_write import format_map
from swapbridge.signalmap.decode import decode_columns
from tests.compiler.group_maps import BRIDGE, DONOR, DONOR_TEXT, MAPS, frame_of
from tests.compiler.twins import polled_alike
from tests.surveying.heavy import capture_of, heavy_frames

EEC1, CCVS = 0xF004, 0xFEF1


def plan_of(text: str = BRIDGE) -> Plan:
    return compile_bridge(parse_bridge(text), MAPS).plan


def sent(plan: Plan, frames: list[tuple[int, int, bytes]], until_us: int) -> list[SentFrame]:
    """What a plan sends while these frames (microseconds, word, data) come in on the donor's bus."""
    translator, out, now = Translator(plan), list[SentFrame](), 0
    waiting = sorted(frames)
    while now < until_us:
        while waiting and waiting[0][0] <= now:
            _, word, data = waiting.pop(0)
            translator.on_frame(0, word, data, now)
        frame = translator.poll(now)
        if frame is not None:
            out.append(frame)
        if translator.next_poll(now) != now:
            now += 1000
    return out


def engine(speed: int, source: int = 0, priority: int = 3, end_us: int = 400_000) -> list[tuple[int, int, bytes]]:
    raw = 8 * speed
    data = bytes([0xF0, 125, 125, raw & 255, raw >> 8, 0, 0xFF, 0xFF])
    return [(t, j1939.Identifier(priority, EEC1, source).word, data) for t in range(1000, end_us, 20_000)]


def speed_of(frame: SentFrame) -> float:
    return int.from_bytes(frame.data[:2], "little") / 4


# --- maps


def test_a_dbc_says_j1939_as_cantools_reads_it() -> None:
    theirs = cantools.database.load_string(DONOR_TEXT, "dbc", strict=False)
    assert isinstance(theirs, cantools.database.Database)
    for message in DONOR.messages:
        other = theirs.get_message_by_name(message.name)
        assert message.is_group == (other.protocol == "j1939"), message.name
    assert [m.name for m in DONOR.messages if m.is_group] == ["EEC1", "CCVS", "ET1", "TSC1"]


def test_a_whole_map_may_say_j1939() -> None:
    text = "\n".join(line for line in DONOR_TEXT.splitlines() if "VFrameFormat" not in line)
    said = text + 'BA_DEF_ "ProtocolType" STRING ;\nBA_DEF_DEF_ "ProtocolType" "";\nBA_ "ProtocolType" "J1939";\n'
    assert [m.is_group for m in parse_map(said).messages] == [True, True, True, True, False]
    assert not any(m.is_group for m in parse_map(text).messages)


def test_reserved_values_by_default_and_what_the_map_says_instead() -> None:
    speed, mode = (DONOR.message("EEC1").signal(name) for name in ("Speed", "TorqueMode"))  # type: ignore[union-attr]
    assert speed is not None
    assert mode is not None
    assert set(speed.not_available) == set(range(0xFF00, 0x10000))
    assert set(speed.error_codes) == set(range(0xFB00, 0xFF00))
    assert mode.not_available == (15,)
    own = DONOR_TEXT.replace('BA_ "SwapRole" SG_ 2364540158 Speed', '''BA_DEF_ SG_ "SwapNotAvailable" STRING ;
BA_DEF_DEF_ "SwapNotAvailable" "";
BA_ "SwapNotAvailable" SG_ 2364540158 Speed "0xFFFF";
BA_ "SwapNotAvailable" SG_ 2364540158 TorqueMode "none";
BA_ "SwapRole" SG_ 2364540158 Speed''')  # fmt: skip
    changed = parse_map(own).message("EEC1")
    assert changed is not None
    assert [(s.not_available, s.error_codes) for s in changed.signals if s.name != "ActualTorque"] == [
        ((), ()),
        ((0xFFFF,), ()),
    ]
    assert parse_map(format_map(parse_map(own))).messages == parse_map(own).messages


def test_saved_and_read_again_it_is_the_same() -> None:
    again = parse_map(format_map(DONOR))
    assert again.messages == DONOR.messages
    assert again.nodes == DONOR.nodes
    assert format_map(again) == format_map(DONOR)
    theirs = cantools.database.load_string(format_map(DONOR), "dbc", strict=False)
    assert isinstance(theirs, cantools.database.Database)
    assert theirs.get_message_by_name("EEC1").protocol == "j1939"


def test_a_group_is_decoded_from_every_sender() -> None:
    frames = sorted([*heavy_frames(4.0, engine=0), *heavy_frames(4.0, engine=17, priority=6)])
    values = decode_columns(capture_of(frames), DONOR)
    assert len(values["EEC1", "Speed"].values) == 400
    assert (values["EEC1", "Speed"].time_s[1:] >= values["EEC1", "Speed"].time_s[:-1]).all()


# --- the translator


@pytest.mark.parametrize(("priority", "source"), [(3, 0), (6, 0), (0, 17), (7, 253)])
def test_a_group_is_heard_whatever_priority_and_sender(priority: int, source: int) -> None:
    frames = sent(plan_of(), engine(1500, source, priority), 300_000)
    assert speed_of(frames[-1]) == 1500


def test_another_group_is_not_heard() -> None:
    others = [(t, word ^ 0x100, data) for t, word, data in engine(1500)]
    assert all(speed_of(f) != 1500 for f in sent(plan_of(), others, 300_000))


def test_of_two_senders_one_is_kept_until_it_goes_quiet() -> None:
    frames = sent(plan_of(), [*engine(1500), *[(t + 500, w, d) for t, w, d in engine(900, 1)]], 390_000)
    assert {speed_of(f) for f in frames[5:]} == {1500}
    later = [f for f in engine(1500) if f[0] < 200_000] + [(t + 500, w, d) for t, w, d in engine(900, 1)]
    assert speed_of(sent(plan_of(), later, 399_000)[-1]) == 900


@pytest.mark.parametrize("told", ["1", '"CAB"'])
def test_from_hears_that_address_only(told: str) -> None:
    address = 1 if told == "1" else 49
    text = BRIDGE + f'[sources."donor.EEC1"]\nfrom = {told}\n'
    both = [*engine(1500), *[(t + 500, w, d) for t, w, d in engine(900, address)]]
    assert {speed_of(f) for f in sent(plan_of(text), both, 390_000)[5:]} == {900}


@pytest.mark.parametrize(
    ("raw", "heard"), [(0xFAFF, True), (0xFB00, False), (0xFDFF, False), (0xFE00, False), (0xFF00, False)]
)
def test_reserved_values_are_no_measurement(raw: int, heard: bool) -> None:
    data = bytes([0xFF, raw & 255, raw >> 8, 0, 0xFF, 0xFF, 0xFF, 0xFF])
    frames = [(t, j1939.Identifier(6, CCVS, 0).word, data) for t in range(1000, 400_000, 50_000)]
    road = int.from_bytes(sent(plan_of(), frames, 390_000)[-1].data[3:5], "little")
    assert (road != 60_000) == heard  # 600 km/h is what the bridge says in doubt


def test_a_group_goes_into_a_plan_file_and_back() -> None:
    plan = plan_of()
    assert plan_from_json(plan.to_json()) == plan
    assert [r.any_sender for r in plan.receives] == [True, True, True]


# --- refusals


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('[sources."host.GearboxRequest"]\nfrom = 3\n', "is not a J1939 group"),
        (
            '[sources."donor.EEC1"]\nfrom = "GHOST"\n',
            r"no J1939 address for module 'GHOST'; .* it knows ENGINE \(0\), CAB \(49\)",
        ),
        ('[sources."donor.EEC1"]\nfrom = 254\n', "is not an SAE J1939 address"),
        ('[sources."donor.EEC1"]\nfrom = true\n', "is not an SAE J1939 address"),
    ],
)
def test_a_from_that_can_not_be_is_refused(more: str, said: str) -> None:
    with pytest.raises(SwapbridgeError, match=said):
        plan_of(BRIDGE + more)


TSC1 = """
[[messages]]
send = "donor.TSC1"
from = 49
[messages.signals.Mode]
value = "'Limit control'"
fallback = "'No override'"
role = "status"
[messages.signals.Limit]
value = "clamp(host.GearboxRequest.Reduce / 10 Nm, 0, 100) * 1 %"
limits = ["0 %", "100 %"]
fallback = "100 %"
ramp = "200 %"
"""


def test_a_command_needs_an_address_and_limits() -> None:
    with pytest.raises(RefusedError, match="its sender address is not stated"):
        plan_of(BRIDGE + TSC1.replace("from = 49\n", ""))
    with pytest.raises(RefusedError, match="limits"):
        plan_of(BRIDGE + TSC1.replace('limits = ["0 %", "100 %"]\n', ""))
    plan = plan_of(BRIDGE + TSC1)
    assert {s.name: s.word for s in plan.sends}["donor.TSC1"] == j1939.Identifier(3, 0, 49, 0).word


def test_what_is_sent_on_a_bus_is_not_heard_there_as_a_group() -> None:
    text = BRIDGE + TSC1.replace("host.GearboxRequest.Reduce / 10 Nm", "donor.TSC1.Limit / 1 %")
    with pytest.raises(RefusedError, match="listened to on the same bus"):
        plan_of(text)


@pytest.mark.parametrize("number", [*j1939.CLEARING, j1939.REQUEST])
def test_nothing_that_clears_codes_can_be_sent_as_a_group(number: int) -> None:
    word = j1939.Identifier(6, number, 0xFE, 0).word
    text = DONOR_TEXT.replace("2348810494", str(word))
    bridge = parse_bridge(BRIDGE + TSC1)
    with pytest.raises(RefusedError, match=r"clear|request"):
        compile_bridge(bridge, {**MAPS, "donor": parse_map(text)})


# --- addresses


def commands(claim: tuple[int, bytes] | None, at_us: int = 100_000) -> list[int]:
    """When TSC1 is sent while the gearbox asks for it and, at `at_us`, this claim is heard."""
    translator, out, now = Translator(plan_of(BRIDGE + TSC1)), list[int](), 0
    while now < 300_000:
        if now % 20_000 == 0:
            translator.on_frame(1, 0x300, bytes([100, 0, 0, 0, 0, 0, 0, 0]), now)
        if claim is not None and now == at_us:
            translator.on_frame(0, *claim, now)
        frame = translator.poll(now)
        if frame is not None and frame.bus == 0 and frame.word >> 16 & 0xFF != 0xEE:
            out.append(now)
        if translator.next_poll(now) != now:
            now += 1000
    return out


@pytest.mark.parametrize(("name", "to"), [(0, 255), ((1 << 64) - 1, 255), (5, 0)])
def test_an_address_that_another_node_claims_is_given_up(name: int, to: int) -> None:
    """Whoever has the lower name would keep it; the bridge never fights."""
    word = j1939.Identifier(6, j1939.ADDRESS_CLAIMED, 49, to).word
    assert max(commands(None)) > 280_000
    assert 80_000 < max(commands((word, name.to_bytes(8, "little")))) <= 100_000


@pytest.mark.parametrize(
    ("number", "source", "size"),
    [(j1939.ADDRESS_CLAIMED, 48, 8), (j1939.ADDRESS_CLAIMED, 49, 7), (j1939.REQUEST, 49, 8), (0xF004, 49, 8)],
)
def test_what_is_no_claim_of_the_address_stops_nothing(number: int, source: int, size: int) -> None:
    assert max(commands((j1939.Identifier(6, number, source).word, bytes(size)))) > 280_000


def test_the_plan_in_words_says_it() -> None:
    assert (
        "Address 49 on donor: claimed after each wake and whenever a node asks; if another node claims it"
        in " ".join(compile_bridge(parse_bridge(BRIDGE + TSC1), MAPS).explain.split())
    )


# --- three ways


def traffic(rng: random.Random, steps: int) -> list[tuple[int, tuple[int, bytes] | None]]:
    """(time, frame or None for a poll alone): groups from three senders, silences in which another takes over."""
    out: list[tuple[int, tuple[int, bytes] | None]] = []
    now, sender = 0, 0
    for _ in range(steps):
        now += rng.choice((300, 1000, 2500, 7000)) if rng.random() > 0.004 else rng.choice((300_000, 1_500_000))
        if rng.random() < 0.01:
            sender = rng.choice((0, 1, 49))
        who = sender if rng.random() < 0.9 else rng.choice((0, 1, 49))
        number = rng.choice((EEC1, EEC1, CCVS, 0xFEEE, 0xFEEF))
        out.append((now, frame_of(number, rng, who, rng.choice((3, 6)))))
        if rng.random() < 0.001:
            out.append((now, (j1939.Identifier(6, j1939.ADDRESS_CLAIMED, rng.choice((48, 49, 49))).word, bytes(8))))
    return out


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("more", ["", TSC1, '[sources."donor.EEC1"]\nfrom = 1\nmax_age_ms = 60\n'])
@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_translators_and_reference_agree_on_groups(seed: int, more: str, make: Any) -> None:
    bridge = parse_bridge(BRIDGE + more)
    plan = compile_bridge(bridge, MAPS).plan
    translator = make(plan)
    twin = Reference(bridge, addressed(bridge, MAPS), steps_of(plan))
    compared = 0
    for now, frame in traffic(random.Random(seed), 3000):
        if frame is not None:
            translator.on_frame(0, *frame, now)
            twin.heard(0, *frame, now)
        compared += len(polled_alike(translator, twin, now))
    assert compared > 200
