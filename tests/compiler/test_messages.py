"""When and what is sent: timing, states, fallbacks, recovery, verification, passing, diagnostics."""

from __future__ import annotations

from fractions import Fraction as F
from itertools import pairwise

import pytest

from swapbridge.core.errors import RefusedError
from swapbridge.plan.plan import STATES
from swapbridge.plan.python.translator import Translator
from tests.compiler.kit import DONOR, HEAD, HOST, RICH, compile_text

FAST = DONOR.messages[0]
SIGNALS = {s.name: s for m in (*DONOR.messages, *HOST.messages) for s in m.signals}


class Bench:
    """A translator with a clock in milliseconds and sources that send periodically while switched on."""

    def __init__(self, text: str) -> None:
        self.plan = compile_text(text).plan
        self.translator = Translator(self.plan)
        self.ms = 0
        self.sent: list[tuple[int, int, bytes]] = []
        self.counter = 0
        self.fast: dict[str, int] | None = None
        self.key: int | None = None

    def frame(self, bus: int, word: int, data: bytes) -> None:
        self.translator.on_frame(bus, word, data, self.ms * 1000 % 2**32)

    def pcm(self, bad: int = 0, **raw: int) -> None:
        """One PCM_FAST frame with the right counter and checksum, unless `bad`."""
        data = bytearray(8)
        for name, value in {**raw, "Cnt": self.counter}.items():
            next(s for s in FAST.signals if s.name == name).layout.pack(data, value)
        self.counter = (self.counter + 1) % 15
        checksum = FAST.signals[-1].checksum
        assert checksum is not None
        checksum.insert(data)
        data[7] ^= bad
        self.frame(0, 0x100, bytes(data))

    def run(self, ms: int) -> list[tuple[int, int, bytes]]:
        """Let time pass; frames sent as (ms, word, data)."""
        begin = len(self.sent)
        for _ in range(ms):
            self.ms += 1
            if self.fast is not None and self.ms % 10 == 0:
                self.pcm(**self.fast)
            if self.key is not None and self.ms % 100 == 0:
                self.frame(1, 0x600, bytes([self.key, 0]))
            while True:
                now = self.ms * 1000 % 2**32
                sent = self.translator.poll(now)
                if sent is not None:
                    self.sent.append((self.ms, sent.word, sent.data))
                elif self.translator.next_poll(now) != now:
                    break
        return self.sent[begin:]

    @property
    def state(self) -> str:
        return STATES[self.translator.state]


def raw(name: str, data: bytes) -> int:
    return SIGNALS[name].layout.unpack(data)


SPEED = (
    HEAD
    + """
[[messages]]
send = "host.EngineStatus"
rest = "zero"
period_ms = 20
[messages.signals]
Speed = { value = "min(donor.PCM_FAST.RPM, 8000 rpm)", hold_ms = 100 }
"""
)


def test_cyclic_frames_are_on_time_and_stop_when_everything_sleeps() -> None:
    bench = Bench(SPEED)
    assert bench.run(200) == [], "nothing is sent before anything is heard"
    bench.fast = {"RPM": 4000}
    times = [t for t, _, _ in bench.run(1000)]
    assert {b - a for a, b in pairwise(times)} == {20}
    bench.fast = None
    bench.run(5200)
    assert bench.run(1000) == [], "silence of all buses is sleep: nothing keeps the bus awake"
    assert bench.state == "asleep"


def test_hold_then_fallback_then_recovery_after_several_good_frames() -> None:
    bench = Bench(SPEED)
    bench.fast = {"RPM": 4000}
    assert raw("Speed", bench.run(300)[-1][2]) == 8000
    bench.fast = None
    bench.frame(1, 0x600, bytes(2))
    ages = [(t - 300, int.from_bytes(d[:2], "little")) for t, _, d in bench.run(400)]
    # stale 50 ms (five periods) after the last frame at 300, then held for 100 ms more, then 'invalid'
    assert all(v == 8000 for t, v in ages if t <= 130)
    assert all(v == 65535 for t, v in ages if t >= 175)
    for good in range(1, 5):
        bench.pcm(RPM=2000)
        value = int.from_bytes(bench.run(20)[-1][2][:2], "little")
        assert (value == 4000) == (good >= 3)


@pytest.mark.parametrize(("ramp", "rpm_a_second"), [("1 rpm", 1), ("7.3 rpm", F("7.3")), ("1000 rpm", 1000)])
def test_a_stated_ramp_has_the_speed_that_it_says(ramp: str, rpm_a_second: F) -> None:
    """One raw step is 0.125 rpm: a ramp by whole raw steps could not be slower than 12.5 rpm a second."""
    bench = Bench(SPEED.replace(", hold_ms = 100", f', ramp = "{ramp}", fallback = "0 rpm"'))
    (field,) = (f for send in bench.translator.plan.sends for v in send.variants for f in v.fields if f.name == "Speed")
    assert field.ramps
    bench.fast = {"RPM": 4000}
    bench.run(300)
    bench.fast = None
    frames = [(t, int.from_bytes(d[:2], "little")) for t, _, d in bench.run(4000)]
    begun = next(k for k, (_, value) in enumerate(frames) if value != 8000)
    (first_ms, _), (last_ms, low) = frames[begun], frames[-1]
    fell = min(F(last_ms - first_ms + 20, 1000) * rpm_a_second, F(1000)) / F("0.125")
    assert abs((8000 - low) - fell) <= 1 + rpm_a_second * F("0.02") / F("0.125")


def test_a_ramp_that_never_comes_anywhere_is_refused() -> None:
    with pytest.raises(RefusedError, match="which is too slow for a ramp"):
        compile_text(SPEED.replace(", hold_ms = 100", ', ramp = "0.000001 rpm"'))


@pytest.mark.parametrize(("ramp", "fine"), [("0.00018183 rpm", True), ("0.00018139 rpm", False)])
def test_the_slowest_ramp_is_off_by_a_twentieth(ramp: str, fine: bool) -> None:
    """A raw step is 0.125 rpm, a step 10 ms: these are 0.9533 and 0.9510 of the finest change, 2**-16 of a raw step."""
    text = SPEED.replace(", hold_ms = 100", f', ramp = "{ramp}", fallback = "0 rpm"')
    if fine:
        assert compile_text(text).plan.sends
        return
    with pytest.raises(RefusedError, match="which is too slow for a ramp"):
        compile_text(text)


def test_a_signal_without_a_ramp_has_none() -> None:
    plan = compile_text(SPEED).plan
    assert not any(f.ramps for send in plan.sends for v in send.variants for f in v.fields)


def test_wrong_checksums_and_stuck_counters_are_not_used() -> None:
    bench = Bench(SPEED)
    bench.fast = {"RPM": 4000}
    frames = bench.run(200)
    bench.fast = None
    for _ in range(40):
        bench.pcm(bad=1, RPM=100)
        frames = bench.run(10) or frames
    assert raw("Speed", frames[-1][2]) == 65535
    assert bench.translator.bad_frames == 40
    for _ in range(40):
        bench.counter = 5
        bench.pcm(RPM=100)
        frames = bench.run(10) or frames
    assert raw("Speed", frames[-1][2]) == 65535


def test_reserved_source_codes_are_invalid_inputs() -> None:
    bench = Bench(SPEED.replace(", hold_ms = 100", ", hold_ms = 0"))
    bench.fast = {"RPM": 65535}
    assert raw("Speed", bench.run(300)[-1][2]) == 65535
    bench.fast = {"RPM": 65534}
    assert raw("Speed", bench.run(300)[-1][2]) == 64000


def test_a_stated_range_and_reserved_codes_narrow_what_a_source_can_say() -> None:
    ranged = SPEED.replace("min(donor.PCM_FAST.RPM, 8000 rpm)", "donor.PCM_FAST.RPM").replace(
        "hold_ms = 100", "hold_ms = 0"
    )
    ranged += '[sources."donor.PCM_FAST".signals.RPM]\nrange = ["300 rpm", "8000 rpm"]\n'
    bench = Bench(ranged)
    for rpm, wanted in ((4 * 300, 2400), (4 * 299, 65535), (4 * 8000, 64000), (4 * 8000 + 1, 65535), (4000, 8000)):
        bench.fast = {"RPM": rpm}
        assert raw("Speed", bench.run(100)[-1][2]) == wanted
    torque = HEAD + (
        '[[messages]]\nsend = "host.EngineTorque"\n[messages.signals]\nActual = "donor.PCM_FAST.Tq"\nPedal = "0 %"\n'
    )
    compile_text(torque + '[sources."donor.PCM_FAST".signals.Tq]\nrange = ["-100 Nm", "450 Nm"]\n')
    coolant = HEAD + (
        '[[messages]]\nsend = "host.EngineStatus"\nrest = "zero"\n[messages.signals]\n'
        'Temp = { value = "donor.PCM_SLOW.Coolant / 1 degC + 36", fallback = 250 }\n'
    )
    with pytest.raises(RefusedError, match="goes from -4 to 250, the signal from 0 to 250"):
        compile_text(coolant)  # raw 255, 'not available', would be 251


def test_counter_and_checksum_are_made_afresh() -> None:
    bench = Bench(SPEED)
    bench.fast = {"RPM": 400}
    frames = [d for _, _, d in bench.run(1000)]
    counters = [d[6] & 15 for d in frames]
    assert counters[:20] == [*range(1, 16), 1, 2, 3, 4, 5]
    checksum = next(s.checksum for s in HOST.messages[0].signals if s.checksum)
    assert all(checksum.holds(d) for d in frames)


def test_on_arrival_at_once_never_faster_than_its_gap() -> None:
    bench = Bench(SPEED.replace("period_ms = 20", 'on_arrival = ["donor.PCM_FAST"]\nperiod_ms = 200\ngap_ms = 4'))
    bench.fast = {"RPM": 400}
    bench.run(100)
    times = [t for t, _, _ in bench.run(200)]
    assert times == list(range(110, 301, 10))
    bench.fast = None
    for _ in range(10):
        bench.pcm(RPM=1)
        bench.run(1)
    burst = [t for t, _, _ in bench.sent if t > 300]
    assert all(b - a >= 4 for a, b in pairwise(burst))
    later = [burst[-1], *(t for t, _, _ in bench.run(800))]
    assert [b - a for a, b in pairwise(later)][-3:] == [200, 200, 200], "and cyclically when nothing arrives"


def test_on_change_with_a_minimum_gap_and_a_start_up_delay() -> None:
    bench = Bench(
        HEAD
        + '[[messages]]\nsend = "host.Ack"\non_change = true\ngap_ms = 30\ndelay_ms = 50\nrest = "zero"\n'
        + '[messages.signals]\nBrake = "donor.PCM_FAST.Run"\n'
    )
    bench.fast = {"Run": 0}
    first = bench.run(500)
    assert len(first) == 1
    assert first[0][0] >= 60, "the delay counts from waking"
    bench.fast = {"Run": 1}
    changed = bench.run(300)
    assert [d[1] for _, _, d in changed] == [1]
    for n in range(30):
        bench.fast = {"Run": n % 2}
        bench.run(10)
    times = [t for t, _, _ in bench.sent[2:]]
    assert len(times) > 4
    assert all(b - a >= 30 for a, b in pairwise(times))


def test_a_sequence_of_multiplexer_values() -> None:
    bench = Bench(
        HEAD
        + '[[messages]]\nsend = "host.EngineMux"\nmux = [1, 2, 2]\nperiod_ms = 10\n[messages.signals]\n'
        + 'Fuel = "0 L"\nOil = "100 kPa"\nVolts = "12 V"\n'
    )
    bench.fast = {}
    frames = [d for _, _, d in bench.run(100)]
    assert [d[0] & 15 for d in frames[:6]] == [1, 2, 2, 1, 2, 2]
    assert frames[1][1] == 25


def test_states_from_the_key_and_frames_once_after_wake() -> None:
    bench = Bench(RICH)
    bench.key = 0
    bench.run(350)
    assert bench.state == "wake"
    once = [t for t, w, _ in bench.sent if w == 0x500]
    assert len(once) == 1
    bench.key = 1
    bench.run(200)
    assert bench.state == "key_on"
    bench.key = 2
    bench.run(200)
    assert bench.state == "crank"
    bench.key, bench.fast = 1, {"RPM": 4000, "Run": 1}
    bench.run(300)
    assert bench.state == "run"
    bench.fast, bench.key = None, 0
    bench.run(200)
    assert bench.state == "after_run"
    bench.run(400)
    assert bench.state == "wake"
    bench.key = None
    bench.run(1500)
    assert bench.state == "asleep"
    assert len([t for t, w, _ in bench.sent if w == 0x500]) == 1
    bench.key = 0
    bench.run(300)
    assert len([t for t, w, _ in bench.sent if w == 0x500]) == 2, "sent again after the next wake"


def test_network_management_stops_with_the_key() -> None:
    text = HEAD + (
        "[states]\nkey_on = \"host.Key.Pos != 'Off'\"\n"
        '[[messages]]\nsend = "host.EngineInfo"\nperiod_ms = 100\nnetwork_management = true\n'
        '[messages.signals]\nCode = "1"\nRef = "500 Nm"\n'
    )
    bench = Bench(text)
    bench.key = 1
    assert len(bench.run(1000)) >= 8
    bench.key = 0
    bench.run(200)
    assert bench.run(2000) == [], "the bus still talks, but nothing of ours keeps it awake"


def test_a_message_that_stops_while_its_source_is_stale() -> None:
    bench = Bench(SPEED.replace("period_ms = 20", 'period_ms = 20\nwhen_stale = "stop"'))
    bench.fast = {"RPM": 400}
    frames = [d[6] & 15 for _, _, d in bench.run(300)]
    bench.fast = None
    bench.key = 0
    bench.run(100)
    assert bench.run(300) == []
    bench.fast = {"RPM": 400}
    again = [d[6] & 15 for _, _, d in bench.run(300)]
    assert again[0] == frames[-1] % 15 + 1 or len(again) > 10, "the counter goes on where it stopped"


def test_passing_renaming_blocking_in_line() -> None:
    text = HEAD + (
        '[[pass]]\nfrom = "host"\nto = "donor"\nids = ["600"]\nas = "12345x"\n'
        '[[pass]]\nfrom = "donor"\nto = "host"\nids = ["all"]\n'
        '[[block]]\nfrom = "donor"\nto = "host"\nids = ["300-30F"]\n'
    )
    bench = Bench(text + SPEED.removeprefix(HEAD))
    bench.frame(0, 0x123, b"abc")
    bench.frame(0, 0x305, b"no")
    bench.frame(0, 0x200, b"ours")
    bench.frame(1, 0x600, b"xy")
    bench.frame(1, 0x601, b"not named")
    sent = [(s.bus, s.word, s.data) for s in iter(lambda: bench.translator.poll(1000), None)]
    assert sent[:2] == [(1, 0x123, b"abc"), (0, 0x8001_2345, b"xy")]
    for n in range(100):
        bench.frame(0, 0x700, bytes([n]))
    queued = [s.data[0] for s in iter(lambda: bench.translator.poll(1000), None) if s.word == 0x700]
    assert queued == list(range(32)), "a full queue drops the newest"
    assert bench.translator.dropped_frames == 68


def test_a_rule_that_a_wider_one_before_it_leaves_nothing_is_noted() -> None:
    wide = '[[pass]]\nfrom = "host"\nto = "donor"\nids = ["600-60F"]\n'
    narrow = '[[pass]]\nfrom = "host"\nto = "donor"\nids = ["605"]\nas = "123"\n'
    line = HEAD.count("\n") + 1
    wanted = (
        f"the rule in line {line + 4} for 605 from host to donor never applies, since the rule in line {line} "
        "comes first: put the narrower rule before it"
    )
    assert wanted in compile_text(HEAD + wide + narrow).warnings
    assert not any("never applies" in w for w in compile_text(HEAD + narrow + wide).warnings)
    elsewhere = narrow.replace('from = "host"\nto = "donor"', 'from = "donor"\nto = "host"')
    assert not any("never applies" in w for w in compile_text(HEAD + wide + elsewhere).warnings)


def test_a_scan_tool_is_passed_through_or_answered() -> None:
    passed = Bench(HEAD + '[diagnostics]\nmode = "pass"\ntester = "host"\nengine = "donor"\n')
    for word in (0x7DF, 0x7E0):
        passed.frame(1, word, bytes([2, 1, 0xC, 0, 0, 0, 0, 0]))
    passed.frame(0, 0x7E8, b"answer12")
    sent = [(s.bus, s.word) for s in iter(lambda: passed.translator.poll(0), None)]
    assert sent == [(0, 0x7DF), (0, 0x7E0), (1, 0x7E8)]
    wide = Bench(HEAD + '[diagnostics]\nmode = "pass"\ntester = "host"\nengine = "donor"\nextended = true\n')
    wide.frame(1, 0x98DB33F1, bytes(8))
    assert wide.translator.poll(0) == (0, 0x98DB33F1, bytes(8))
    bench = Bench(RICH)
    bench.fast, bench.key = {"RPM": 6400, "Run": 1}, 1
    bench.run(200)
    for request in ([2, 1, 0xC], [2, 1, 0], [2, 1, 1], [1, 3], [1, 4], [2, 9, 2], [3, 1, 0xC, 5], [2, 1, 5]):
        bench.frame(1, 0x7DF, bytes(request).ljust(8, b"\0"))
        bench.run(20)
    answers = [d for _, w, d in bench.sent if w == 0x7E8]
    assert answers[0][:5] == bytes([4, 0x41, 0xC, *(6400).to_bytes(2, "big")])
    assert answers[1][:7] == bytes([6, 0x41, 0, 0x08, 0x10, 0, 0])
    assert answers[2] == answers[0], "of two asked for at once the stale one is left out"
    assert len(answers) == 3, "readiness, fault codes, clearing, vehicle data and stale values are not answered"


def test_two_sources_of_different_buses_and_three_buses() -> None:
    text = HEAD + (
        '[buses.body]\nplacement = "added-node"\nbit_rate = 125000\n'
        '[[pass]]\nfrom = "donor"\nto = "body"\nids = ["100"]\n[[pass]]\nfrom = "donor"\nto = "host"\nids = ["100"]\n'
    )
    bench = Bench(text)
    bench.frame(0, 0x100, b"12345678")
    assert {s.bus for s in iter(lambda: bench.translator.poll(0), None)} == {1, 2}


@pytest.mark.parametrize("late", [3, 25, 90, 700])
def test_late_polls_never_make_a_burst(late: int) -> None:
    translator = Translator(compile_text(SPEED).plan)
    times = []
    for n in range(0, 20_000, late):
        translator.on_frame(1, 0x600, bytes(2), n * 1000)
        for _ in range(50):
            if translator.poll(n * 1000) is not None:
                times.append(n)
    assert len(times) <= 20_000 / 20 + 1
    assert len(set(times)) == len(times), "never two of a message in one moment"


def test_the_first_frame_leaves_at_once_after_waking() -> None:
    bench = Bench(SPEED)
    bench.run(5)
    bench.frame(1, 0x600, bytes(2))
    assert bench.run(3)[0][0] - 5 <= 1


def test_refusals_are_one_kind_of_error() -> None:
    with pytest.raises(RefusedError):
        compile_text(SPEED.replace("min(donor.PCM_FAST.RPM, 8000 rpm)", "donor.PCM_FAST.RPM"))


def test_floats_and_64_bit_signals_are_copied_bit_for_bit() -> None:
    from swapbridge.core.layout import Layout
    from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

    wide = MapSignal("W", Layout(0, 64), role="value")
    single = MapSignal("F", Layout(7, 32, "big_endian"), is_float=True, role="value")
    donor = SignalMap((MapMessage("A", 1, False, 8, (wide,), period_ms=None), MapMessage("B", 2, False, 8, (single,))))
    host = SignalMap((MapMessage("P", 3, False, 8, (wide,)), MapMessage("Q", 4, False, 8, (single,))))
    text = '[sources."donor.A"]\nmax_age_ms = 100\n[sources."donor.B"]\nmax_age_ms = 100\n'
    for target, source in (("P.W", "A.W"), ("Q.F", "B.F")):
        message, name = target.split(".")
        text += f'[[messages]]\nsend = "host.{message}"\nperiod_ms = 10\nsender_gone = true\nrest = "zero"\n'
        text += f'[messages.signals]\n{name} = {{ value = "donor.{source}", fallback = 0 }}\n'
    heads = HEAD.replace('absent = ["VSC"]', "").replace('absent = ["ECM"]', "")
    translator = Translator(compile_text(heads + text, donor, host).plan)
    data = bytes([0xFF, 0x80, 0, 1, 0xFE, 3, 4, 0xF0])
    translator.on_frame(0, 1, data, 0)
    translator.on_frame(0, 2, data, 0)
    sent = {f.word: f.data for f in (translator.poll(t) for t in range(0, 30_000, 500)) if f is not None and f.data[0]}
    assert sent[3] == data
    assert sent[4] == data[:4] + bytes(4)
