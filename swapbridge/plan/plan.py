"""Plan room: the plan, a flat integer program that Python interprets and C is written from.

A plan is complete: who is listened to, what is computed, what is sent and when. It names things only so that people
can read reports; nothing in it is looked up by name at run time. Everything is an integer. This docstring is the
contract: the Python translator, the generated C and the slow interpreter in the tests agree on it bit for bit.

Time
----
``now`` is an unsigned 32-bit count of microseconds that wraps. ``elapsed(a) = (now - a) mod 2**32``. A timer value
``t`` *is due* when ``elapsed(t) < 2**31``. Timer values are kept mod 2**32; every period, age, gap and delay is below
2**31. The first call of `on_frame`, `poll` or `next_poll` starts the clock: task k is then first due at
``now + offset_us``, the state slot holds `Plan.initial_state`, and that state is *applied* (below).

Registers, slots, operations
----------------------------
A `Block` is a list of operations; operation number i defines register i and may read registers below i. Every register
is a signed 64-bit integer and carries its proven interval [low, high]; nothing overflows, so C may use a narrower
type where the interval allows. Registers live for one run of their block. Slots are the only memory that blocks
share: signed integers with an initial value and an interval that every store respects. Slot 0 is the state.

=========  ==================================================================================================
kind       register becomes
=========  ==================================================================================================
const      `value`
load       slot number `value`
store      a; and slot number `value` becomes a at once (later loads in the block see it). Tasks only.
add, sub   a + b, a - b
mul        a * b
neg, abs   -a, absolute value of a
div        a / b rounded to the nearest integer, halves away from zero; b's interval never holds 0
mod        a - b * floor(a / b), which is 0 to b - 1; b's interval is above 0
min, max   the smaller, the larger of a and b
lt, le     1 if a < b (a <= b) else 0
eq, ne     1 if a == b (a != b) else 0
and, or    1 if both (any) of a and b are not 0, else 0
not        1 if a == 0 else 0
select     b if a is not 0 else c (both are always computed; neither has an effect)
table      piecewise linear `Table` number `value` at a: y[0] below x[0], y[-1] above x[-1], otherwise with i the last
           point with x[i] <= a:  y[i] + div((a - x[i]) * (y[i+1] - y[i]), x[i+1] - x[i])  with `div` as above
lookup     `Lookup` number `value`: values[k] where keys[k] == a, else its `default`
delay      what `DelayLine` number `value` was given `length` runs ago, 0 before there was so much; it is given a at
           once. Tasks only; a line has one such operation.
fresh      1 if feed number `value` is fresh, else 0
age        elapsed(feed.last) if feed number `value` is fresh, else 2**31 - 1
awake      1 if bus number `value` is awake, else 0
=========  ==================================================================================================

Receiving: ``on_frame(bus, word, data, now)``, in this order
-----------------------------------------------------------
1. Start the clock if this is the first call. ``bus.last = now``, ``bus.awake = 1``. If the bus has `wakes` set and the
   state slot is 0 (asleep), the state slot becomes 1 (wake) and the state is applied. If the bus was not awake and has
   sends `with_bus`: left = count for these, and the state is applied once more.
2. Passing: `Plan.passes` of this bus in order. A rule matches when ``first <= word <= last``. The first matching rule
   for each target bus decides: `block` rules end it, others append (target, `new_word` or word, data) to the pass
   queue, a first-in-first-out of `pass_queue` frames; a frame that finds it full is dropped (and counted).
   A rule with ``to_bus == -1`` is a block rule for every target.
3. Claims: for each `AddressClaim` of this bus that word and data fit (below), each of its sends ends (below) and is
   *lost*: no state allows it any more. If word is that of 'address claimed', whoever sends it and to whom, and data has
   8 bytes, low byte first the NAME of its sender: for each receive of this bus with a `sender_name`, in order:

   a. it has a present sender whose NAME this is: that is now the address of word; none, if that is 254 or 255;
   b. otherwise: if the address of word is that of the present sender, there is no present sender any more (who keeps
      the address says so once more). Then, if there is none, the address is below 254 and this NAME fits `sender_name`:
      the address becomes the present sender, with this NAME.

   Where the present sender's address changed, no counter value counts as taken before. Then requests: for every send
   (in order) with a `Request` whose bus and word match and whose `prefix` are the first bytes of data: pending = 1 if
   it is active. The same for every send with `on_request` whose bus it is, when word is a J1939 request (group EA00)
   at any priority, from anybody, to everybody or to the address that it is sent as, and the first three bytes of data
   are its group, low byte first.
4. The joined answer, if the plan has one for this bus. Then the `Receive` of this bus that word fits (it equals
   the receive's own word in every bit of `mask`; no word fits two), if there is one. If its mask leaves the sender
   open (the low 8 bits, a J1939 source address) and those bits of word are not its present sender: the frame ends here
   if it has a `sender_name`, or any feed of the receive has (fresh or good > 0) and elapsed(last) <= max_age_us;
   otherwise they become its present sender, and no counter value counts as taken before. A receive begins without a
   sender. Then:

   a. data shorter than `minimum_length` is bad; a checksum that does not hold is bad;
   b. counter, if any (not looked at in a frame already bad): value outside low to high is bad. Otherwise, if one was
      taken before, ``steps = ((value - previous) mod (high - low + 1))``, bad unless steps is ``k * step`` modulo
      (high - low + 1) for a k of 1 to ``1 + lost_ok``. The value becomes previous either way. The first is good;
   c. a bad frame sets good = 0 for every feed of the receive and ends here (and is counted);
   d. for each feed in order whose `mux_values` is empty or holds the raw value of `Receive.mux`: if (fresh or good > 0)
      and elapsed(last) > max_age_us, then fresh = 0 and good = 0. Then last = now, good = min(good + 1, 255), every
      extract's raw value goes to its slot, and 1 or 0 to its `valid_slot` (0 when raw lies in one of its `invalid`
      ranges). If not fresh and good >= (good_again if seen else good_first): fresh = 1, seen = 1. If fresh, every
      send of `triggers` that is active becomes pending.

Sending: ``poll(now)``, at most one frame a call, in this order
--------------------------------------------------------------
1. Start the clock if this is the first call.
2. Latches: for each feed, if (fresh or good > 0) and elapsed(last) > max_age_us: fresh = 0, good = 0. For each bus, if
   awake and elapsed(last) > silent_us: awake = 0, and if it has sends `with_bus`, the state is applied once more. For
   each send, if ending and end_at is due: it ends (below).
3. Tasks: the first task in order that is due runs its block (one task a call); its timer becomes timer + period_us,
   and if elapsed(timer) is then at least 16 * period_us and below 2**31, now + period_us. If slot 0 then differs from
   the applied state, the state is applied.
4. The oldest frame of the pass queue, if any, is returned.
5. Sends in order; the first that *wants* is evaluated, and the call ends with its frame or with None. For an active
   send: if blocked and open_at is due: blocked = 0.
   ``cyc = (period_us > 0 or count > 0) and due_at is due``; ``chk = check_us > 0 and check_at is due``;
   wants = cyc or ((pending or chk) and not blocked). Evaluation:

   a. if chk: check_at = now + check_us. The variant number ``turns[index]`` runs its block; the payload is its `base`
      with its fields packed (later fields after earlier ones; they never overlap). forced = cyc or (pending and
      check_us == 0). pending = 0;
   b. if the `send_if` register (when >= 0) is 0: the frame is suppressed: no counter, no index, no gap; if cyc, due_at
      moves (as in d) and, if count > 0, left = left - 1, and it ends when that is 0; return None;
   c. if not forced, has_last is 1 and the payload equals last: return None. If check_us > 0: last = payload,
      has_last = 1 (before counter and checksum);
   d. if cyc: due_at += period_us, and if it is still due: due_at = now + period_us. Otherwise if period_us > 0:
      due_at = now + period_us. If gap_us > 0: blocked = 1, open_at = now + gap_us. If count > 0: left = left - 1, and
      it ends when that is 0;
   e. each counter is packed and steps: counter = low + (counter - low + step) mod (high - low + 1), starting at
      low; then the checksum is packed; index = (index + 1) mod number of turns. The frame is returned.

6. If no send wants: the joined answer.

None from `poll` means that this call had no frame; while `next_poll(now)` gives `now` there is more to do at once.

Applying a state: new state n, applied state o (at the start of the clock o is 0)
-----------------------------------------------------------------------------
If o is 0 and n is not: left = count for every send. Then for every send in order: allowed = it is not lost, its claim
does not wait (`swapbridge.plan.j1939_node`), bit n of `states` is set, and its bus is awake where it is `with_bus`. If
allowed: ending = 0, and if it is not active and (count is 0 or left > 0): active = 1, due_at = check_at = now +
delay_us, pending = 0, has_last = 0, blocked = 1 and open_at = now + delay_us if delay_us > 0, else blocked = 0. If not
allowed: if it is active, linger_us > 0 and n is not 0, then unless it is ending: ending = 1, end_at = now + linger_us;
else it ends. A send that ends: active = 0, pending = 0, ending = 0. If n is 0, no receive with a `sender_name` has a
present sender any more.

Joined answers (`Plan.joined`) are received and polled as `swapbridge.plan.joined_answer` has it.

``next_poll(now)``
------------------
The earliest time at which `poll` may do something: now if the pass queue holds a frame; for every task its timer; for
every active send end_at if ending; due_at if (period_us > 0 or count > 0); if check_us > 0, check_at, or open_at if
blocked and later; if pending, open_at if blocked, else now; for the joined answer now if it is gathering, due_at if it
is not idle. A timer already due counts as now. A plan has at least one task, so there always is such a time. Latches
are not counted: they matter only to what these timers do.

`now` never goes back from one call to the next (it wraps), and the caller polls at least every 2**31 microseconds (35
minutes); after a longer sleep it starts afresh.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field

from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.core.integrity import Checksum
from swapbridge.core.j1939 import ADDRESS_CLAIMED, EVERYBODY, NamePattern
from swapbridge.core.layout import Layout
from swapbridge.plan.joined_answer import Joined
from swapbridge.plan.packing import pack

PLAN_FORMAT = "swapbridge-plan"
PLAN_VERSION = 7
EXACT_MASK = 0xFFFF_FFFF
"""Mask of a receive that hears one identifier only."""
CLAIM_MASK = EXTENDED_BIT | 0x03FF_00FF
"""Bits of an identifier word that say 'address claimed', and by which address."""
ANY_CLAIM_MASK = EXTENDED_BIT | 0x03FF_0000
"""Bits of an identifier word that say 'address claimed', by whichever address."""
ANY_CLAIM = EXTENDED_BIT | ADDRESS_CLAIMED << 8
MAX_TIME_US = (1 << 31) - 1
"""Every period, age, gap and delay of a plan is at most this."""
MAX_PASS_QUEUE = 4096
MAX_TURNS = 256
MAX_COUNT = 255
MAX_LINE = 2000
"""Values that a line remembers at most: 2 s of steps of 1 ms."""

STATES = ("asleep", "wake", "key_on", "crank", "run", "after_run")
"""Names of the values of slot 0."""

OP_ARITY = {
    "const": 0,
    "load": 0,
    "store": 1,
    "add": 2,
    "sub": 2,
    "mul": 2,
    "neg": 1,
    "abs": 1,
    "div": 2,
    "mod": 2,
    "min": 2,
    "max": 2,
    "lt": 2,
    "le": 2,
    "eq": 2,
    "ne": 2,
    "and": 2,
    "or": 2,
    "not": 1,
    "select": 3,
    "table": 1,
    "lookup": 1,
    "delay": 1,
    "fresh": 0,
    "age": 0,
    "awake": 0,
}
"""Every operation and how many registers it reads."""

EFFECTS = frozenset({"store", "delay"})
"""Operations that change memory: tasks only, and never left out because nothing reads their register."""


@dataclass(frozen=True, slots=True)
class Op:
    """One operation; defines the register of its own index. `low` and `high` are its proven interval."""

    kind: str
    low: int
    high: int
    a: int = -1
    b: int = -1
    c: int = -1
    value: int = 0

    @property
    def args(self) -> tuple[int, ...]:
        """The registers it reads."""
        return (self.a, self.b, self.c)[: OP_ARITY[self.kind]]

    def short(self) -> list[str | int]:
        """Its fields in order, as a plan's file holds them."""
        return [self.kind, self.low, self.high, self.a, self.b, self.c, self.value]


Block = tuple[Op, ...]


@dataclass(frozen=True, slots=True)
class Slot:
    """Memory of one signed integer, always within [low, high]."""

    name: str
    initial: int
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Table:
    """Piecewise linear; x strictly rising, at least two points."""

    name: str
    x: tuple[int, ...]
    y: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Lookup:
    """Exact match; keys strictly rising."""

    name: str
    keys: tuple[int, ...]
    values: tuple[int, ...]
    default: int


@dataclass(frozen=True, slots=True)
class DelayLine:
    """Memory of the last `length` values given to it, each 0 to `high`; it begins full of zeros."""

    name: str
    length: int
    high: int


@dataclass(frozen=True, slots=True)
class Bus:
    """A named bus. `wakes`: its traffic wakes the translator. `silent_us`: quiet that long, it counts as asleep."""

    name: str
    bit_rate: int
    fd: bool
    data_rate: int
    placement: str
    wakes: bool
    silent_us: int


@dataclass(frozen=True, slots=True)
class Extract:
    """A source signal: raw bits to a slot; a raw value inside one of `invalid` (low, high) is not a measurement."""

    name: str
    layout: Layout
    slot: int
    valid_slot: int
    invalid: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Feed:
    """Signals that arrive together: one message, or one multiplexer value of it; they go stale together."""

    name: str
    max_age_us: int
    good_first: int
    good_again: int
    extracts: tuple[Extract, ...]
    mux_values: tuple[int, ...] = ()
    triggers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class CounterCheck:
    """A counter that is verified on the way in; up to `lost_ok` frames in a row may be missing."""

    layout: Layout
    low: int
    high: int
    step: int
    lost_ok: int


@dataclass(frozen=True, slots=True)
class Receive:
    """A message that is listened to. `feeds` are indices into `Plan.feeds`; a feed belongs to one receive.

    `mask` has a bit set where an identifier word must equal `word`: all of them, or those of a J1939 parameter group,
    with its sender's or receiver's address where that matters. `long` marks a group that may come in packets, and
    `sender_name` is the NAME of a sender that is followed from address to address.
    """

    name: str
    bus: int
    word: int
    minimum_length: int
    feeds: tuple[int, ...]
    mux: Layout | None = None
    checksum: Checksum | None = None
    counter: CounterCheck | None = None
    period_us: int = 0
    mask: int = EXACT_MASK
    long: bool = False
    sender_name: NamePattern | None = None

    @property
    def any_sender(self) -> bool:
        """Whether its sender's address is left open: it has a present one, heard first or followed by its NAME."""
        return not self.mask & 0xFF

    def fits(self, word: int) -> bool:
        """Whether it hears that identifier word."""
        return not (word ^ self.word) & self.mask


@dataclass(frozen=True, slots=True)
class Task:
    """A block that runs at a fixed period: filters, limits, timers, the state machine."""

    name: str
    period_us: int
    offset_us: int
    block: Block


@dataclass(frozen=True, slots=True)
class Field:
    """A signal that is sent: register `register` of the variant's block goes into `layout`.

    The rest is for reports: physical value = raw * scale + offset (exact fractions as text such as "1/4"), role,
    raw fallback or None, the expression as written, and what the compiler says about it. `ramps` says that the fallback
    is reached by a ramp: a stop ramps it out, too.
    """

    name: str
    layout: Layout
    register: int
    unit: str = ""
    scale: str = "1"
    offset: str = "0"
    role: str = ""
    fallback: int | None = None
    expression: str = ""
    note: str = ""
    feeds: tuple[int, ...] = ()
    ramps: bool = False


@dataclass(frozen=True, slots=True)
class Variant:
    """One form of a message (one multiplexer value of it, or its only form)."""

    base: bytes
    block: Block
    fields: tuple[Field, ...]
    send_if: int = -1


@dataclass(frozen=True, slots=True)
class CounterOut:
    """A counter written into every frame sent, starting at `low`."""

    layout: Layout
    low: int
    high: int
    step: int


@dataclass(frozen=True, slots=True)
class Request:
    """A frame on `bus` with one of `words` that begins with `prefix` asks for this send."""

    bus: int
    words: tuple[int, ...]
    prefix: bytes


@dataclass(frozen=True, slots=True)
class AddressClaim:
    """A J1939 address that some sends use; when another node claims it, these sends end.

    A claim takes the address away if it has an identifier of 29 bits, the group 'address claimed' (EE00, at any
    priority and to any node), the sender `address` and 8 bytes. If the plan defends the address (`contends`), these
    bytes, low byte first, must also be a NAME of at most `name`: the lower NAME keeps an address, and an equal one
    belongs to the module itself.

    `sends` are indices into `Plan.sends`, `name` is the NAME of 64 bits under which the plan claims the address, and
    `wait_us` the time from the claim to the first other frame from this address (`swapbridge.plan.j1939_node`).
    """

    bus: int
    address: int
    sends: tuple[int, ...]
    name: int = 0
    contends: bool = False
    wait_us: int = 0

    def says(self, word: int, data: bytes) -> bool:
        """Whether a frame claims the address."""
        return word & CLAIM_MASK == self.word and len(data) == 8

    def fits(self, word: int, data: bytes) -> bool:
        """Whether a frame takes the address away."""
        return self.says(word, data) and not (self.contends and int.from_bytes(data, "little") > self.name)

    @property
    def word(self) -> int:
        """The bits of `CLAIM_MASK` of such a frame's identifier word."""
        return EXTENDED_BIT | ADDRESS_CLAIMED << 8 | self.address


@dataclass(frozen=True, slots=True)
class Send:
    """A message that is sent: where, what and when.

    Attributes
    ----------
    states : int
        Bit n is set if the message may be sent in state n.
    count : int
        How often it is sent after each wake; 0 for as often as it is due.
    linger_us : int
        How long it is still sent after its states have ended.
    order : tuple of int
        Numbers of the variants in the order in which they are sent; empty: each in turn.
    with_bus : bool
        Whether it is sent only while its own bus is awake.
    on_request : bool
        Whether it is a J1939 group that is sent to every node that requests it.
    to : int
        J1939 address that a long message goes to (`swapbridge.plan.j1939_node`).
    """

    name: str
    bus: int
    word: int
    is_fd: bool
    states: int
    variants: tuple[Variant, ...]
    period_us: int = 0
    delay_us: int = 0
    gap_us: int = 0
    check_us: int = 0
    count: int = 0
    request: Request | None = None
    counter: CounterOut | None = None
    checksum: Checksum | None = None
    linger_us: int = 0
    order: tuple[int, ...] = ()
    more_counters: tuple[CounterOut, ...] = ()
    to: int = EVERYBODY
    with_bus: bool = False
    on_request: bool = False

    @property
    def is_long(self) -> bool:
        """Whether it is too long for one frame and goes out in packets."""
        return self.length > 8 and not self.is_fd

    @property
    def counters(self) -> tuple[CounterOut, ...]:
        """Every counter of the message; each goes its own way."""
        return (self.counter, *self.more_counters) if self.counter is not None else ()

    @property
    def once(self) -> bool:
        """Whether it is sent only so often after each wake."""
        return self.count > 0

    @property
    def turns(self) -> tuple[int, ...]:
        """Number of the variant of each turn."""
        return self.order or tuple(range(len(self.variants)))

    @property
    def length(self) -> int:
        """Payload bytes."""
        return len(self.variants[0].base)


@dataclass(frozen=True, slots=True)
class Pass:
    """A rule for frames copied from `bus` to `to_bus`, or blocked on the way (see the module's docstring)."""

    bus: int
    first: int
    last: int
    to_bus: int
    block: bool = False
    new_word: int = -1


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole program.

    `inputs` holds (name, SHA-256) of every file it was compiled from; `unreviewed` names every message or signal whose
    rule was learned from recordings and not reviewed by a person (`swapbridge.plan.unreviewed` says what that forbids).
    """

    name: str
    buses: tuple[Bus, ...]
    slots: tuple[Slot, ...]
    tables: tuple[Table, ...]
    lookups: tuple[Lookup, ...]
    feeds: tuple[Feed, ...]
    receives: tuple[Receive, ...]
    tasks: tuple[Task, ...]
    sends: tuple[Send, ...]
    passes: tuple[Pass, ...]
    pass_queue: int = 32
    initial_state: int = 0
    joined: Joined | None = None
    inputs: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = field(default=())
    unreviewed: tuple[str, ...] = ()
    lines: tuple[DelayLine, ...] = ()
    claims: tuple[AddressClaim, ...] = ()

    def __repr__(self) -> str:
        buses = ", ".join(bus.name for bus in self.buses)
        return f"<Plan {self.name!r}: {len(self.receives)} messages heard, {len(self.sends)} sent, on {buses}>"

    def to_json(self) -> str:
        """Deterministic JSON text; `plan_from_json` reads it back and checks it."""
        body = {"format": PLAN_FORMAT, "version": PLAN_VERSION, **pack(self)}
        return json.dumps(body, indent=1, ensure_ascii=True) + "\n"

    def bus_number(self, name: str) -> int:
        """Index of the bus of that name.

        Raises
        ------
        InputError
            No such bus in the plan.
        """
        for number, bus in enumerate(self.buses):
            if bus.name == name:
                return number
        from swapbridge.core.errors import InputError

        raise InputError(f"the plan has no bus {name!r}: it has {', '.join(b.name for b in self.buses)}")


def div_round(a: int, b: int) -> int:
    """The `div` operation: a / b to the nearest integer, halves away from zero."""
    if b < 0:
        a, b = -a, -b
    return (2 * a + b) // (2 * b) if a >= 0 else -((-2 * a + b) // (2 * b))


def table_at(table: Table, a: int) -> int:
    """The `table` operation."""
    x, y = table.x, table.y
    if a <= x[0]:
        return y[0]
    if a >= x[-1]:
        return y[-1]
    i = max(k for k in range(len(x)) if x[k] <= a)
    return y[i] + div_round((a - x[i]) * (y[i + 1] - y[i]), x[i + 1] - x[i])
