"""Prove room: Hypothesis drives the translator through frames, faults, silences, power cuts and time.

Rules of the proof as invariants: every frame given is what the exact reference says, when it says; only planned
identifiers; never faster than planned; no torque value older than its age limit.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from swapbridge.compiler.compile import compile_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.reference.open_choices import steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.reference.worked_out import WorkedOut
from tests.proving import small_swap

WRAP = 1 << 32
FAST, SLOW, REQUEST, BODY = (0, 0x101), (0, 0x291), (1, 0x0B4), (1, 0x2F0)
KNOWN = WorkedOut()


@lru_cache(maxsize=1)
def _compiled() -> tuple[Any, Any, Plan]:
    bridge, maps = small_swap.bridge(), small_swap.maps()
    return bridge, maps, compile_bridge(bridge, maps).plan


class TranslatorMachine(RuleBasedStateMachine):
    """One translator and its twin under everything that can happen to them."""

    @initialize(start=st.sampled_from([0, 5, WRAP - 3_000_000, WRAP - 1]))
    def begin(self, start: int) -> None:
        self.bridge, self.maps, self.plan = _compiled()
        self.messages = {(n, m.word): m for n, b in enumerate(self.plan.buses) for m in self.maps[b.name].messages}
        self.now = start
        self.elapsed = 0
        self.counts: dict[tuple[int, int], int] = {}
        self.sent_at: dict[tuple[int, int], list[int]] = {}
        self.torque_heard: int | None = None
        self.power_up()

    def power_up(self) -> None:
        self.translator = Translator(self.plan)
        self.reference = Reference(self.bridge, self.maps, steps_of(self.plan), KNOWN)
        self.torque_heard = None

    def hear(self, key: tuple[int, int], values: dict[str, int], *, step: int = 1, broken: int = -1) -> None:
        message = self.messages[key]
        data = bytearray(message.length)
        for signal in message.signals:
            if signal.counter is not None:
                count = self.counts.get(key, 0)
                self.counts[key] = signal.counter.after(signal.counter.low + count, step) - signal.counter.low
                signal.layout.pack(data, signal.counter.low + self.counts[key])
            elif signal.name in values:
                low, high = signal.layout.raw_range
                signal.layout.pack(data, min(max(values[signal.name], low), high))
        for signal in message.signals:
            if signal.checksum is not None:
                signal.checksum.insert(data)
        if broken >= 0:
            data[broken % len(data)] ^= 1 << (broken % 8)
        if key == FAST:
            self.torque_heard = self.elapsed
        self.translator.on_frame(*key, bytes(data), self.now)
        self.reference.heard(*key, bytes(data), self.now)

    @rule(speed=st.integers(0, 0xFFFF), torque=st.integers(0, 0xFFF))
    def engine_frame(self, speed: int, torque: int) -> None:
        self.hear(FAST, {"Speed": speed, "Torque": torque})

    @rule(coolant=st.integers(0, 255), lamp=st.integers(0, 1))
    def slow_frame(self, coolant: int, lamp: int) -> None:
        self.hear(SLOW, {"Coolant": coolant, "Lamp": lamp})

    @rule(torque=st.integers(0, 0xFFF), active=st.integers(0, 1))
    def request_frame(self, torque: int, active: int) -> None:
        self.hear(REQUEST, {"Torque": torque, "Active": active})

    @rule(key=st.integers(0, 1))
    def body_frame(self, key: int) -> None:
        self.hear(BODY, {"Key": key})

    @rule(speed=st.integers(0, 0xFFFF), times=st.integers(1, 6))
    def a_run_of_engine_frames(self, speed: int, times: int) -> None:
        for _ in range(times):
            self.hear(FAST, {"Speed": speed, "Torque": 1443})
            self.pass_time(10_000)

    @rule(broken=st.integers(0, 63))
    def bit_flipped(self, broken: int) -> None:
        self.hear(FAST, {"Speed": 8000, "Torque": 1443}, broken=broken)

    @rule(step=st.integers(0, 14), key=st.sampled_from([FAST, REQUEST]))
    def counter_jumps(self, step: int, key: tuple[int, int]) -> None:
        self.hear(key, {"Speed": 8000, "Torque": 1443}, step=step)

    @rule(word=st.integers(0, 0x7FF), data=st.binary(max_size=8), bus=st.integers(0, 1))
    def stray_frame(self, word: int, data: bytes, bus: int) -> None:
        self.translator.on_frame(bus, word, data, self.now)
        self.reference.heard(bus, word, data, self.now)
        if (bus, word) == FAST:
            self.torque_heard = self.elapsed

    @rule(length=st.integers(0, 7))
    def short_frame(self, length: int) -> None:
        self.translator.on_frame(*FAST, bytes(length), self.now)
        self.reference.heard(*FAST, bytes(length), self.now)

    @rule(us=st.one_of(st.integers(1, 3_000), st.integers(1, 120_000)))
    def time_passes(self, us: int) -> None:
        self.pass_time(us)

    @rule(us=st.integers(500_000, 4_000_000))
    def long_silence(self, us: int) -> None:
        self.pass_time(us)

    @rule(us=st.integers(1, 400_000))
    def late_polls(self, us: int) -> None:
        """The loop is held up: time passes without a poll."""
        self.now = (self.now + us) % WRAP
        self.elapsed += us
        self.poll_all()

    @rule()
    def power_cut(self) -> None:
        self.power_up()
        self.sent_at.clear()

    def pass_time(self, us: int) -> None:
        """Time passes as a caller lets it: polling whenever something may be due."""
        left = us
        while True:
            wait = (self.translator.next_poll(self.now) - self.now) % WRAP
            if wait > left:
                break
            self.now, self.elapsed, left = (self.now + wait) % WRAP, self.elapsed + wait, left - wait
            self.poll_all()
        self.now, self.elapsed = (self.now + left) % WRAP, self.elapsed + left

    def poll_all(self) -> None:
        for _ in range(2_000):
            self.poll()
            if self.translator.next_poll(self.now) != self.now:
                return
        raise AssertionError("poll never comes to rest")

    def poll(self) -> None:
        frame = self.translator.poll(self.now)
        self.reference.polled(self.now)
        if frame is None:
            decision = self.reference.next_due(self.now)
            assert decision is None or decision.payload is None, "due and not sent"
            return
        key = frame.bus, frame.word
        assert key in {(s.bus, s.word) for s in self.plan.sends}, "not in the plan"
        decision = self.reference.decide(*key, self.now)
        assert decision is not None
        assert decision.due, "sent although not due"
        assert bytes(frame.data) == decision.payload
        self.sent_at.setdefault(key, []).append(self.elapsed)
        if key == (1, 0x0C8):
            self.check_torque(frame.data)

    def check_torque(self, data: bytes) -> None:
        """Actual torque: 50 ms age limit, no hold; a step of 10 ms and a held-up loop are allowed for."""
        torque = self.messages[1, 0x0C8].signal("Torque")
        assert torque is not None
        stale = self.torque_heard is None or self.elapsed - self.torque_heard > 50_000
        if stale:
            assert torque.layout.unpack(data) == 0xFFF, "a stale torque was sent"

    @invariant()
    @precondition(lambda self: hasattr(self, "plan"))
    def never_faster_than_planned(self) -> None:
        for send in self.plan.sends:
            times = self.sent_at.get((send.bus, send.word), [])
            shortest = min(send.gap_us or send.period_us, send.period_us)
            for a, b in zip(times, times[10:], strict=False):
                assert b - a >= 9 * shortest - 1, send.name

    def teardown(self) -> None:
        if hasattr(self, "plan"):
            self.pass_time(50_000)


TestTranslatorMachine = TranslatorMachine.TestCase
TestTranslatorMachine.settings = settings(max_examples=40, stateful_step_count=30, deadline=None)
