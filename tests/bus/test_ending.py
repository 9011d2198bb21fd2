"""What a stop sends: safe answers at once, requests ramping out, counters and checksums going on, and then nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from swapbridge.bus.running.ending import LATE_US, QUICK_END_US, RAMP_US, Ending, SafeAnswers
from swapbridge.core.integrity import Checksum, Sum
from swapbridge.core.layout import Layout
from swapbridge.plan.plan import Plan, Send
from tests.bus.conftest import EVENT, FALLBACK, GAUGE, make_plan

REQUEST = "Vehicle.Powertrain.Transmission.TorqueReductionRequest"


def with_request(plan: Plan, **changes: object) -> Plan:
    """The gauge's value made a request that ramps to none."""
    send = plan.sends[0]
    one = replace(send.variants[0].fields[0], role="torque_reduction_request", fallback=0)
    form = replace(send.variants[0], fields=(one,))
    return replace(plan, sends=(replace(send, variants=(form,), **changes), *plan.sends[1:]))  # type: ignore[arg-type]


def frame(value: int, counter: int = 0) -> bytes:
    return value.to_bytes(2, "little") + bytes(5) + bytes((counter,))


def play(plan: Plan, newest: dict[tuple[int, int], bytes], late_us: int = 0) -> list[tuple[int, Send, bytes]]:
    """All that is sent, taken `late_us` after each is due."""
    ending = Ending(plan, SafeAnswers(plan), newest, {number: data for (number, _), data in newest.items()})
    out = []
    while (due := ending.next_us()) is not None:
        assert ending.take(due - 1) is None
        taken = ending.take(due + late_us)
        if taken is not None:
            out.append((due + late_us, *taken))
    return out


def value_of(data: bytes) -> int:
    return int.from_bytes(data[:2], "little")


def test_without_a_request_it_is_over_at_once() -> None:
    sent = play(make_plan(), {(0, 0): frame(1234, 254), (1, 0): frame(99)})
    assert sent[0][0] == 0
    assert sent[-1][0] <= QUICK_END_US
    assert {value_of(data) for _, _, data in sent} == {FALLBACK}
    gauges = [data[7] for _, send, data in sent if send.word == GAUGE]
    assert gauges == [(255 + n) % 256 for n in range(len(gauges))]
    assert len(gauges) == QUICK_END_US // 10_000 + 1
    assert sum(send.word == EVENT for _, send, _ in sent) == 1, "an event once"


def test_a_request_ramps_out_in_half_a_second_and_says_none_last() -> None:
    sent = play(with_request(make_plan()), {(0, 0): frame(1000), (1, 0): frame(7)})
    ramp = [(at, value_of(data)) for at, send, data in sent if send.word == GAUGE]
    assert ramp[0] == (0, 1000)
    assert ramp[-1] == (RAMP_US, 0)
    assert [value for _, value in ramp] == sorted((value for _, value in ramp), reverse=True)
    assert max(abs(value - 1000 * (RAMP_US - at) / RAMP_US) for at, value in ramp) <= 1
    assert value_of(next(data for _, send, data in sent if send.word == EVENT)) == FALLBACK


def test_a_request_that_is_none_already_needs_no_ramp() -> None:
    sent = play(with_request(make_plan()), {(0, 0): frame(0)})
    assert sent[-1][0] <= QUICK_END_US
    assert {value_of(data) for _, _, data in sent} == {0}


def test_what_was_not_being_sent_stays_silent_and_a_constant_stays_what_it_is() -> None:
    plan = make_plan()
    assert play(plan, {}) == []
    send = plan.sends[0]
    fixed = replace(send.variants[0].fields[0], register=2, fallback=0)  # register 2 is a constant
    constant = replace(plan, sends=(replace(send, variants=(replace(send.variants[0], fields=(fixed,)),)),))
    assert play(constant, {(0, 0): frame(1234)}) == []


def test_the_checksum_is_made_afresh() -> None:
    checksum = Checksum(Layout(48, 8), Sum(8, tuple(range(6)), 8))
    plan = make_plan()
    plan = replace(plan, sends=(replace(plan.sends[0], checksum=checksum), plan.sends[1]))
    for _, send, data in play(plan, {(0, 0): frame(1234), (1, 0): frame(5)}):
        assert send.checksum is None or send.checksum.holds(data)


@given(
    st.integers(0, 0xFFFF),
    st.sampled_from([0, 1_000, 10_000, 20_000, 100_000, 333_333, 1_000_000]),
    st.integers(0, 60_000),
    st.booleans(),
)
def test_however_late_its_loop_the_first_is_at_once_and_the_last_in_time(
    value: int, period_us: int, late_us: int, ramp: bool
) -> None:
    make: Callable[[Plan], Plan] = (lambda p: with_request(p, period_us=period_us)) if ramp else (lambda p: p)
    plan = make(make_plan())
    sent = play(plan, {(0, 0): frame(value)}, late_us)
    times = [at for at, _, _ in sent]
    ramping = ramp and value != 0
    assert times[0] == late_us
    assert times[-1] <= (RAMP_US if ramping else QUICK_END_US) + late_us
    assert value_of(sent[-1][2]) == (0 if ramp else FALLBACK)


def test_a_stall_does_not_draw_the_end_out() -> None:
    """What was said already is not said again late; what was not said yet is, however late."""
    plan = make_plan()
    newest = {(0, 0): frame(1234), (1, 0): frame(5)}
    ending = Ending(plan, SafeAnswers(plan), newest, {0: frame(1234), 1: frame(5)})
    first = ending.take(0)
    assert first is not None
    late = QUICK_END_US + LATE_US + 1
    second = ending.take(late)
    assert second is not None
    assert not ending.again
    assert {first[0].word, second[0].word} == {GAUGE, EVENT}
    assert ending.take(late + 1) is None
    assert ending.next_us() is None


def test_a_ramp_stated_for_another_role_ramps_at_a_stop_too() -> None:
    plan = make_plan()
    send = plan.sends[0]
    one = replace(send.variants[0].fields[0], ramps=True, fallback=0)
    form = replace(send.variants[0], fields=(one,))
    plan = replace(plan, sends=(replace(send, variants=(form,)), *plan.sends[1:]))
    sent = play(plan, {(0, 0): frame(1000)})
    values = [value_of(data) for _, _, data in sent]
    assert values[0] == 1000
    assert values[-1] == 0
    assert len(set(values)) > 20
