"""Bus room: safe answers made from the frames sent last, so that a stop or a stall never waits for the translator.

A stop must not depend on age limits, on hold times, or on a translator that may itself be broken. So the last frame
sent of each message is used again: signals that come from the other side are replaced by their safe answers, the
counter continues and the checksum is computed anew. Requests ramp out as their role says. Pure: takes frames and the
time.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping
from dataclasses import dataclass, field

from swapbridge.core.integrity import Counter
from swapbridge.core.roles import BY_NAME
from swapbridge.plan.plan import Field, Plan, Send, Variant

RAMP_US = 500_000
"""A request has ramped out by then; the last frame goes out at this moment, and there is no other."""
QUICK_END_US = 100_000
"""Without a ramp, messages go on for so long that their receivers hear the safe answer more than once."""
LATE_US = 40_000
"""So long after its end a stop only sends what has not been said yet: a computer that stalls does not draw it out."""
RAMP_STEP_US = 20_000
"""How often a message without a period is sent while one of its requests ramps out."""

SendForm = tuple[int, int]
"""Number of a send of the plan, and of its form."""


class SafeAnswers:
    """What a plan's frames say when nothing of the other side is to be believed."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._fields: dict[SendForm, tuple[Field, ...]] = {
            (number, form): tuple(f for f in variant.fields if f.fallback is not None and _moves(f, variant))
            for number, send in enumerate(plan.sends)
            if send.request is None
            for form, variant in enumerate(send.variants)
        }

    def has(self, number: int) -> bool:
        """Whether a send says anything in doubt; one that has nothing to say stops."""
        return any(self._fields.get((number, form)) for form in range(len(self._plan.sends[number].variants)))

    def ramps(self, form: SendForm, origin: bytes) -> bool:
        """Whether a request in this form still has to ramp out, `origin` being the last frame that was believed."""
        return any(_ramps(f) and f.layout.unpack(origin) != f.fallback for f in self._fields.get(form, ()))

    def frame(self, form: SendForm, data: bytes, origin: bytes, gone_us: int) -> bytes:
        """A frame like `data` that says the safe answers.

        Parameters
        ----------
        form : (int, int)
        data : bytes
            Gives everything else, the counter too.
        origin : bytes
            The last frame of this form that was believed: a ramp begins there.
        gone_us : int
            Time since then.
        """
        out = bytearray(data)
        for one in self._fields.get(form, ()):
            assert one.fallback is not None
            raw = one.fallback
            if _ramps(one) and gone_us < RAMP_US:
                begin = one.layout.unpack(origin)
                raw = begin + (one.fallback - begin) * max(0, gone_us) // RAMP_US
            one.layout.pack(out, raw)
        checksum = self._plan.sends[form[0]].checksum
        if checksum is not None:
            checksum.insert(out)
        return bytes(out)


def _moves(one: Field, variant: Variant) -> bool:
    """Whether a field can say more than one thing; a constant stays what it is."""
    made = variant.block[one.register]
    return made.low != made.high


def _ramps(one: Field) -> bool:
    role = BY_NAME.get(one.role)
    return one.ramps or (role is not None and role.fallback == "ramp to none")


@dataclass(slots=True)
class Ending:
    """The last frames of every message that was being sent.

    Parameters
    ----------
    plan : Plan
    answers : SafeAnswers
    newest : mapping of (int, int) to bytes
        The last frame of each form that was sent; only of messages that are still alive.
    latest : mapping of int to bytes
        The last frame of each send, for its counter.

    Attributes
    ----------
    again : bool
        Whether the frame taken last says what its message has said before.
    """

    plan: Plan
    answers: SafeAnswers
    newest: Mapping[SendForm, bytes]
    latest: Mapping[int, bytes]
    ramping: bool = False
    again: bool = False
    _due: list[tuple[int, int, int]] = field(default_factory=list)
    _counters: dict[tuple[int, int], int] = field(default_factory=dict)
    _answered: set[SendForm] = field(default_factory=set)

    def __post_init__(self) -> None:
        ramps = {form: self.answers.ramps(form, data) for form, data in self.newest.items()}
        self.ramping = any(ramps.values())
        for number, form in sorted(self.newest):
            if self.answers.has(number):
                forms = len(self.plan.sends[number].variants)
                gap = min(self.plan.sends[number].period_us or RAMP_STEP_US, QUICK_END_US // forms)
                heapq.heappush(self._due, (form * gap, number, form))

    def next_us(self) -> int | None:
        """When the next frame is due, from the beginning of the end; None when it is over."""
        return self._due[0][0] if self._due else None

    def take(self, now_us: int) -> tuple[Send, bytes] | None:
        """The next frame that is due by now."""
        last = RAMP_US if self.ramping else QUICK_END_US
        while self._due and now_us > last + LATE_US and self._due[0][1:] in self._answered:
            heapq.heappop(self._due)
        if not self._due or self._due[0][0] > now_us:
            return None
        due, number, form = heapq.heappop(self._due)
        send = self.plan.sends[number]
        origin = self.newest[number, form]
        self.again = (number, form) in self._answered
        if max(due, now_us) >= RAMP_US or not self.answers.ramps((number, form), origin):
            self._answered.add((number, form))
        step = send.period_us * len(send.turns)
        if not step and self.answers.ramps((number, form), origin):
            step = max(send.gap_us, RAMP_STEP_US)
        following = max(due, now_us) + step if step else last + 1
        if self.ramping and following > last > due and self.answers.ramps((number, form), origin):
            following = last  # its last frame says that the ramp is over
        if following <= last:
            heapq.heappush(self._due, (following, number, form))
        data = bytearray(origin)
        for k, counter in enumerate(send.counters):
            value = self._counters.get((number, k), counter.layout.unpack(self.latest[number]))
            self._counters[number, k] = Counter(counter.low, counter.high, counter.step).after(value)
            counter.layout.pack(data, self._counters[number, k])
        # a frame that goes out late must not be behind its time
        return send, self.answers.frame((number, form), bytes(data), origin, max(due, now_us))
