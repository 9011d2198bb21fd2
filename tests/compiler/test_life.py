"""When a message lives, and the order of its pages: contract, Python and the exact reference agree on every frame."""

from __future__ import annotations

import dataclasses
from fractions import Fraction as F
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.errors import InputError
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.bridge_file import BridgeRefused
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.dbc_read import parse_map
from swapbridge.signalmap.dbc_write import format_map
from swapbridge.signalmap.signal_map import MapMessage, SignalMap
from tests.compiler.kit import HEAD, HOST, compile_text, drive, signal
from tests.compiler.twins import same_payloads

STATES = """
[states]
key_on = "host.Key.Pos != 'Off'"
crank = "host.Key.Pos == 'Start'"
sleep_after_ms = 500
"""
ACK = """
[[messages]]
send = "host.Ack"
{when}
[messages.signals]
State = "choose(state == 'crank', 'Cranking', 'Stopped')"
Brake = "donor.PCM_FAST.Run"
"""


def bridge(when: str) -> str:
    return HEAD + STATES + ACK.format(when=when)


def times(text: str, keys: list[tuple[int, int | None]], until_ms: int) -> list[int]:
    """Milliseconds at which Ack is sent while the key says what `keys` has from a time on (None: the bus is silent)."""
    translator, out, key = Translator(compile_text(text).plan), [], None
    for ms in range(0, until_ms, 10):
        key = next((value for begin, value in reversed(keys) if begin <= ms), None)
        if key is not None and ms % 50 == 0:
            translator.on_frame(1, 0x600, bytes([key, 0]), ms * 1000)
        for _ in range(20):
            frame = translator.poll(ms * 1000)
            if frame is not None and frame.word == 0x120:
                out.append(ms)
            if translator.next_poll(ms * 1000) != ms * 1000:
                break
    return out


def test_so_often_after_each_wake_and_so_far_apart() -> None:
    text = bridge("once = 3\nperiod_ms = 40\ndelay_ms = 120")
    assert times(text, [(0, 0)], 2000) == [120, 160, 200]
    twice = times(text, [(0, 0), (300, None), (1500, 0)], 3000)
    assert twice == [120, 160, 200, 1620, 1660, 1700]


def test_one_frame_a_wake_needs_no_spacing_and_may_have_one() -> None:
    assert times(bridge("once = 1\nperiod_ms = 40\ndelay_ms = 50"), [(0, 0)], 900) == [50]
    assert times(bridge("once = true\ndelay_ms = 50"), [(0, 0)], 900) == [50]


def test_first_and_last_frame_after_the_key() -> None:
    text = bridge('period_ms = 100\nstates = ["key_on", "crank"]\ndelay_ms = 30\nlast_ms = 350')
    sent = times(text, [(0, 0), (1000, 1), (2000, 0)], 4000)
    assert sent[0] == 1000 + 30
    assert sent == list(range(1030, 2351, 100))


def test_the_last_frames_never_keep_a_sleeping_bus_awake() -> None:
    text = bridge('period_ms = 100\nstates = ["key_on"]\nlast_ms = 30000')
    sent = times(text, [(0, 1), (1000, None)], 4000)
    assert sent[-1] < 1000 + 500 + 20


def test_a_key_turned_on_again_goes_on_without_a_gap() -> None:
    text = bridge('period_ms = 100\nstates = ["key_on"]\nlast_ms = 400')
    sent = times(text, [(0, 1), (1000, 0), (1200, 1), (2000, 0)], 3000)
    assert {b - a for a, b in pairwise(sent)} == {100}
    assert sent[-1] == 2300  # its end comes before a frame of the same moment


def test_each_bus_sleeps_after_its_own_time() -> None:
    text = bridge("period_ms = 100").replace("[buses.host]", "[buses.host]\nsleep_after_ms = 200")
    assert [b.silent_us for b in compile_text(text).plan.buses] == [500_000, 200_000]
    assert times(text, [(0, 0), (1000, None)], 3000)[-1] == 1100
    assert same_payloads(text, 4, 2000) > 20


def test_what_the_recordings_showed_to_keep_a_bus_awake_stops_with_the_key() -> None:
    ack = dataclasses.replace(HOST.messages[4], evidence={"network_management": True})
    host = dataclasses.replace(HOST, messages=(*HOST.messages[:4], ack, *HOST.messages[5:]))
    states = compile_text(bridge("period_ms = 100"), host=host).plan.sends[0].states
    assert states == 0b111100
    assert (
        compile_text(bridge("period_ms = 100\nnetwork_management = false"), host=host).plan.sends[0].states == 0b111110
    )
    assert compile_text(bridge("period_ms = 100\nnetwork_management = true")).plan.sends[0].states == states


def times_by_bus(text: str, spans: list[tuple[int, int, int]], until_ms: int, make: Any = Translator) -> list[int]:
    """Milliseconds at which Ack goes out on the host's bus; `spans` are bus, begin and end of others' traffic."""
    translator, out = make(compile_text(text).plan), []
    for ms in range(0, until_ms, 10):
        for bus, begin, end in spans:
            if begin <= ms < end and ms % 50 == 0:
                translator.on_frame(bus, 0x7A0, bytes(2), ms * 1000)
        for _ in range(20):
            frame = translator.poll(ms * 1000)
            if frame is not None and frame.word == 0x120:
                out.append(ms)
            if translator.next_poll(ms * 1000) != ms * 1000:
                break
    return out


HOST_SLEEPS = [(0, 0, 6000), (1, 1000, 2000), (1, 4000, 5000)]
"""The donor's bus goes on; the host's has traffic twice."""


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_a_message_lives_while_its_own_bus_is_awake(make: Any) -> None:
    """Its bus sleeps half a second after its last frame."""
    always = times_by_bus(bridge("period_ms = 100"), HOST_SLEEPS, 6000, make)
    assert always == list(range(0, 6000, 100))
    text = bridge("period_ms = 100\nwith_bus = true\ndelay_ms = 30")
    with_bus = times_by_bus(text, HOST_SLEEPS, 6000, make)
    assert with_bus == [*range(1030, 2460, 100), *range(4030, 5460, 100)]


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_so_often_each_time_that_its_bus_wakes_and_so_long_after_it_slept(make: Any) -> None:
    often = bridge("once = 2\nperiod_ms = 40\nwith_bus = true")
    assert times_by_bus(often, HOST_SLEEPS, 6000, make) == [1000, 1040, 4000, 4040]
    longer = bridge("period_ms = 100\nwith_bus = true\nlast_ms = 400")
    assert times_by_bus(longer, HOST_SLEEPS, 3000, make)[-1] == 2800


def test_who_would_be_the_only_one_on_its_bus_would_never_begin() -> None:
    absent = ", ".join(f'"{node.name}"' for node in HOST.nodes)
    text = bridge("period_ms = 100\nwith_bus = true").replace('absent = ["ECM"]', f"absent = [{absent}]")
    with pytest.raises(BridgeRefused, match="it would never begin"):
        compile_text(text)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from((0, 1, 1)), st.integers(0, 60), st.integers(1, 30)), min_size=1, max_size=6),
    st.sampled_from(("period_ms = 70", "once = 3\nperiod_ms = 20", "on_change = true\ngap_ms = 15")),
    st.sampled_from((0, 20, 300)),
)
def test_never_later_than_its_bus_was_awake(spans: list[tuple[int, int, int]], when: str, delay: int) -> None:
    """Whatever the traffic: no frame goes out later than its bus's last one and the time after which that sleeps."""
    told = [(bus, 100 * begin, 100 * (begin + length)) for bus, begin, length in spans]
    heard = [ms for bus, begin, end in told if bus == 1 for ms in range(begin, end, 50)]
    text = bridge(f"{when}\nwith_bus = true\ndelay_ms = {delay}")
    for sent in times_by_bus(text, told, 9500):
        assert any(ms + delay <= sent for ms in heard)
        assert any(0 <= sent - ms <= 510 for ms in heard)


LIVES = [
    "period_ms = 30\nwith_bus = true\ndelay_ms = 20",
    'on_arrival = ["donor.PCM_FAST"]\ngap_ms = 25\nwith_bus = true\nlast_ms = 200',
    "once = 3\nperiod_ms = 15\nwith_bus = true",
    'period_ms = 30\nstates = ["key_on", "crank"]\nlast_ms = 170\ndelay_ms = 20',
    "once = 4\nperiod_ms = 15\ndelay_ms = 25",
    'once = 2\nperiod_ms = 60\nstates = ["crank"]\nlast_ms = 40',
    'on_arrival = ["donor.PCM_FAST"]\ngap_ms = 25\nstates = ["crank", "key_on"]\nlast_ms = 90',
    'on_change = true\ngap_ms = 15\nstates = ["key_on"]\nlast_ms = 500',
    'period_ms = 20\nwhen_stale = "stop"\nstates = ["key_on"]\nlast_ms = 100',
    'once = 5\nperiod_ms = 20\nwhen_stale = "stop"',
]


@pytest.mark.parametrize("when", LIVES)
def test_lives_agree_with_contract_and_reference(when: str) -> None:
    assert drive(compile_text(bridge(when)), 3, 2500, start=0xFFFF_0000) > 0
    assert same_payloads(bridge(when), 3, 2500) > 0


@pytest.mark.parametrize(
    ("when", "reason"),
    [
        ("once = 0.5", "once is not true or a number up to 255"),
        ("once = 256\nperiod_ms = 10", "once is not true or a number"),
        ("once = -1", "once is not true or a number"),
        ("once = 3", "the interval between them is not known; state period_ms"),
        ('once = 3\nperiod_ms = 10\non_arrival = ["donor.PCM_FAST"]', "can't have other triggers"),
        ("period_ms = 10\nlast_ms = 100", "its states never end before the bus sleeps"),
    ],
)
def test_lives_that_make_no_sense(when: str, reason: str) -> None:
    with pytest.raises((BridgeRefused, InputError), match=reason):
        compile_text(bridge(when))


# --- pages


def paged(order: tuple[int, ...] = ()) -> SignalMap:
    message = MapMessage(
        "Pages", 0x440, False, 4,
        (
            signal("Page", 0, 4, is_multiplexer=True),
            signal("Shared", 24, 8, role="value"),
            signal("A", 8, 8, mux_signal="Page", mux_values=(1,), role="value"),
            signal("B", 8, 8, mux_signal="Page", mux_values=(2,), role="value"),
            dataclasses.replace(signal("C", 8, 8, mux_signal="Page", mux_values=(3,)), constant=0x77),
            signal("D", 16, 8, mux_signal="Page", mux_values=(1, 3), not_available=(255,)),
        ),
        period_ms=F(10), senders=("ECM",), page_order=order,
    )  # fmt: skip
    return parse_map(format_map(SignalMap((message, *HOST.messages[5:]), HOST.nodes)))


PAGES = (
    HEAD
    + """
[[messages]]
send = "host.Pages"
rest = "zero"
[messages.signals]
Shared = { value = "clamp(donor.PCM_SLOW.Oil / 1 kPa, 0, 255)", fallback = "0", hold_ms = 60 }
A = { value = "clamp(donor.PCM_FAST.RPM / 100 rpm, 0, 255)", fallback = "1" }
[messages.pages.3]
rest = "as recorded"
[messages.pages.3.signals]
D = { value = "9", role = "value", fallback = "9" }
Shared = { value = "200", role = "value", fallback = "200" }
[messages.pages.2.signals]
Shared = { value = "clamp(donor.PCM_SLOW.Oil / 4 kPa, 0, 255)", fallback = "3", hold_ms = 90 }
"""
)


def test_the_map_says_the_order_and_each_page_has_its_own_rest_and_signals() -> None:
    host = paged((1, 2, 1, 3, 3))
    (send,) = compile_text(PAGES, host=host).plan.sends
    assert send.order == (0, 1, 0, 2, 2)
    assert [v.base.hex(" ") for v in send.variants] == ["01 00 00 00", "02 00 00 00", "03 77 00 00"]
    translator = Translator(compile_text(PAGES, host=host).plan)
    translator.on_frame(0, 0x300, bytes([0, 0, 0, 5, 0, 0, 0, 0]), 0)
    frames = [f for ms in range(0, 400, 1) if (f := translator.poll(ms * 1000)) is not None]
    assert [f.data[0] for f in frames[:10]] == [1, 2, 1, 3, 3] * 2
    assert {f.data[1:3] for f in frames if f.data[0] == 3} == {bytes([0x77, 9])}
    assert "its pages in turn: 1, 2, 1, 3, 3" in compile_text(PAGES, host=host).explain


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(1, 3), min_size=3, max_size=12).filter(lambda pages: {2, 3} <= set(pages)))
def test_any_order_is_kept_for_ever(order: list[int]) -> None:
    (send,) = compile_text(PAGES, host=paged(tuple(order))).plan.sends
    pages = [send.variants[turn].base[0] for turn in send.turns]
    assert pages == order


@pytest.mark.parametrize("order", [(1, 2, 1, 3, 3), (3, 2), (2, 1, 3)])
def test_pages_agree_with_contract_and_reference(order: tuple[int, ...]) -> None:
    host = paged(order)
    assert drive(compile_text(PAGES, host=host), 5, 2000) > 50
    assert same_payloads(PAGES, 5, 2500, host=host) > 50


def test_a_rule_may_say_another_order_and_a_page_that_never_comes_is_refused() -> None:
    text = PAGES.replace('rest = "zero"', 'rest = "zero"\nmux = [3, 2]', 1)
    assert [v.base[0] for v in compile_text(text, host=paged((1, 2, 3))).plan.sends[0].variants] == [3, 2]
    with pytest.raises(BridgeRefused, match="never sends page 2: its pages are 3"):
        compile_text(PAGES.replace('rest = "zero"', 'rest = "zero"\nmux = [3]', 1), host=paged())
    with pytest.raises(InputError, match=r"page 'two' is not a raw value"):
        compile_text(PAGES.replace("pages.2.", "pages.two."), host=paged())


def test_the_page_order_of_a_map_survives_its_file_and_nonsense_is_refused() -> None:
    host = paged((1, 2, 1))
    assert host.messages[0].page_order == (1, 2, 1)
    with pytest.raises(InputError, match="SwapPageOrder holds"):
        parse_map(format_map(host).replace('"1, 2, 1"', '"1, two"'))


def test_a_page_that_comes_seldom_is_given_time_before_it_is_stale() -> None:
    message = paged((1, 2, 2, 2, 2, 3)).messages[0]
    assert message.frames_between((1,)) == 6
    assert message.frames_between((2,)) == 3
    assert message.frames_between((1, 3)) == 5
    assert paged().messages[0].frames_between((1,)) == 4
