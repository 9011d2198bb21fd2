"""Plan room: what a plan says and hears as a node of SAE J1939: addresses claimed, messages of more than eight bytes.

It is a layer round the translator of `swapbridge.plan.plan`: that one hears and makes whole groups, this one makes
packets of them. A plan has it where it sends as an address (`Plan.claims`), hears a `Receive` that is `long` or has a
`sender_name`, or sends a `Send` that is long (more than 8 bytes and no CAN FD frame). This docstring is the contract
for the layer. It follows SAE J1939-21 (transport) and J1939-81 (addresses), from memory; times are microseconds,
compared as there.

A claim with a `wait_us` *waits* from the start, and whenever the rules below say so: its sends end, and no state allows
them while it does. An *own* address of a bus is that of one of its claims that neither is lost nor waits. An identifier
word is taken apart as group, sender and receiver whatever its priority; what is said has priority 6, of transport 7,
and is filled up with FF. Groups are EC00 (control), EB00 (data), EA00 (request), EE00 (address claimed). Bytes 5 to 7
of control, low byte first, are the group that it is about.

``on_frame(bus, word, data, now)``: the translator hears the frame as it is. Then

1. an `AddressClaim` of this bus that word and data fit, not yet lost: it is lost; it owes its claim at now + its
   `delay_us`; what is connected there is closed, and whatever else is owed as that address is forgotten. One whose
   address the frame claims without fitting it, not lost: it owes its claim at now;
2. a request of at least 3 bytes, the first three 00 EE 00, to everybody or to an address: each claim of this bus, of
   that address where there is one: if it is not lost it owes its claim at now; if it is, and everybody was asked, and
   it owes none, at now + its `delay_us`;
   Any other request of at least 3 bytes, to an own address, from below 254: if no send of that claim is of the group
   that these three bytes are, low byte first, or each that is has `on_request` and is not active, a refusal is owed: an
   answer that the group can't be had. One is owed at a time for the whole plan, the first;
3. control of 8 bytes, by its first byte, with ``size`` = bytes 1 and 2, low byte first, and ``packets`` = byte 3. A
   size is *possible* when it is 9 to 1,785 and ``packets = (size + 6) // 7``. A long receive *takes* it when it is of
   this bus and that group, the word of that group, sender and receiver fits it, and the sender is its present one where
   it has a `sender_name`. A long receive is open with a
   sender, as *announced* to everybody or *connected* at an own address; opening and closing forget what it owed.

   * 32 (announced, to everybody): what this sender announced and is not done with is closed. If size is possible and a
     long receive takes it that is closed: it is open as announced, next = 1, due_at = now + T1.
   * 16 (asks to send, to an own address): if size is possible: no long receive takes it: an abort is owed, reason 2.
     Another one is connected with this sender at this address, or the one that takes it is open in any other way than
     that: an abort, reason 1. Otherwise it is open as connected, next = 1, most = byte 4 (255 when that is 0), and owes
     the next permission (below).
   * 17 (permits ``packets`` = byte 1, from number byte 2 on), to an own address, and a long send with this connection
     and group is asking or sending. Sending: it is idle, an abort is owed, reason 4. Asking: packets is 0: due_at = now
     + T4; byte 2 is 0 or above its packets: nothing. Otherwise, if byte 2 is below its next: repeats + 1, and above 2
     it is idle and an abort is owed, reason 5. Otherwise next = byte 2, end = the smaller of byte 2 + packets - 1 and
     its packets, it is sending, due_at = now.
   * 19 (all received) and 255 (aborts), to an own address: a long send with this connection and group that is asking or
     sending is idle. 255 also closes a long receive connected with this sender at this address, of that group.

4. data of 8 bytes, to everybody or an own address: the long receive that is open with this sender, announced or
   connected at this address. Byte 0 is its next: the other seven bytes are kept as far as `keep` reaches; next + 1;
   after the last packet it is closed, owes 'all received' if it was connected, and its group is received: step 4 of the
   translator's ``on_frame`` for its group's word with this sender, with the first ``min(size, keep)`` bytes. Otherwise,
   connected and after the packet ``end``: it owes the next permission; else due_at = now + T1. Byte 0 is one below
   next: nothing, the frame came twice. Anything else: it is closed, and where it was connected an abort is owed, reason
   7.

The next permission is for ``min(most, packets left)`` packets from next on; end is the last of them; due_at = now + T2
when it comes to be owed, and what comes meanwhile does not change it. An abort is owed only while none is: one at a
time for the whole plan.

``poll(now)``: the first call starts the clock. If the translator's applied state is 0 (asleep), everything is forgotten
except what is lost: nothing is owed, open or begun, the layer is not announced, and every claim with a `wait_us` that
is not lost waits, for no time yet. Otherwise, first, claims in order: one that waits until a time that is due waits no
more, and the translator's state is applied once more. Then the first of these that gives a frame ends the call:

1. not announced: it is announced, and every claim that is not lost owes its claim at now; every bus that has a receive
   with a `sender_name` owes its question at now;
2. claims in order: owed and its time is due: 'address claimed' to everybody with the name, sent as its address or,
   where that is lost, as 254 ('cannot claim'); one that waits for no time yet waits until now + `wait_us`. Then buses
   in order: owed and its time is due: it is owed again at now + 2,000,000, and if any of its receives with a
   `sender_name` has no present sender, this is a request for 'address claimed', the three bytes 00 EE 00, from 254 to
   everybody;
3. the abort that is owed. Then the refusal that is owed: group E800 from that address to everybody, with 01 FF FF FF,
   the address that asked, and the group that it asked for, low byte first;
4. long receives in order: what it owes ('all received' before a permission). Or it is open and due_at is due: closed;
   where it was connected an abort is owed, reason 3, and given;
5. long sends in order: not idle, and the translator would not send it now (its claim is lost or waits, or it is neither
   active nor has the applied state among its `states`): it is idle. Waiting, and none of the same connection is asking
   or sending: it begins with its control frame: next = 1, repeats = 0; to everybody 32, sending, end = packets, due_at
   = now + 50,000; to an address 16, asking, due_at = now + T3. Sending and due_at is due: packet next, next + 1; if
   that was ``end``: idle where it goes to everybody, else asking, due_at = now + T3; otherwise due_at = now + 50,000 to
   everybody, 10,000 to an address. Asking and due_at is due: idle, an abort is owed, reason 3, and given;
6. the translator's own poll. A frame of a long send is not given but begun: where it is idle or waiting the payload is
   kept and it is waiting; otherwise the payload is dropped.

``next_poll(now)``: the translator's own, or what comes first of these while the applied state is not 0: now if it is
not announced, an abort or a refusal is owed, a receive owes something, or a send is waiting whose connection is free;
due times of what claims and buses owe, until when claims wait, of open receives, of sends that are asking or sending.
"""

from __future__ import annotations

from swapbridge.core import j1939
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.plan.plan import AddressClaim, Plan, Receive, Send

T1_US, T2_US, T3_US, T4_US = 750_000, 1_250_000, 1_250_000, 1_050_000
"""Longest waits of SAE J1939-21: between packets, after a permission, after the last packet, while held."""
TO_ALL_GAP_US, TO_ONE_GAP_US = 50_000, 10_000
"""From one packet to the next; the standard wants 50 to 200 ms to everybody, at most 200 ms to one."""
MOST_REPEATS = 2
CLAIM_WAIT_US = 250_000
WAITING_ADDRESSES = range(128, 248)
"""From these on nothing is sent for so long after a claim, in which another node may claim too (J1939-81)."""
CLAIM_DELAY_US = 600
"""'Cannot claim' waits this long times a number of 0 to 255 (J1939-81)."""


ASK_AGAIN_US = 2_000_000
"""Time between requests for claims while a NAME that a plan hears has no address; common practice, no source."""


def has_node(plan: Plan) -> bool:
    """Whether a plan speaks as a J1939 node, hears long messages, or follows a NAME."""
    heard = any(r.long or r.sender_name for r in plan.receives)
    return bool(plan.claims) or heard or any(s.is_long for s in plan.sends)


def asking_buses(plan: Plan) -> list[int]:
    """Buses on which a plan listens to NAMEs, in order."""
    return sorted({r.bus for r in plan.receives if r.sender_name is not None})


def long_receives(plan: Plan) -> list[tuple[int, Receive]]:
    """Receives that may come as long messages, with their numbers."""
    return [(n, r) for n, r in enumerate(plan.receives) if r.long]


def long_sends(plan: Plan) -> list[tuple[int, Send]]:
    """Sends that go out as long messages, with their numbers."""
    return [(n, s) for n, s in enumerate(plan.sends) if s.is_long]


def keep(receive: Receive) -> int:
    """Bytes of a long message that its receive looks at."""
    return receive.minimum_length


def group_number(word: int) -> int:
    """Group of an identifier word that is of 29 bits."""
    return (j1939.group_of(word) or (0, 0, 0))[0]


def connection(send: Send) -> tuple[int, int, int]:
    """Bus, own address and receiver of a long send."""
    return send.bus, send.word & 0xFF, send.to


def packets_of(size: int) -> int:
    """Packets of a long message."""
    return (size + 6) // 7


def cannot_claim_delay_us(claim: AddressClaim) -> int:
    """How long 'cannot claim' waits: any number will do that differs between nodes."""
    return (sum(claim.name.to_bytes(8, "little")) + claim.address) % 256 * CLAIM_DELAY_US


def request_words(send: Send) -> tuple[int, int]:
    """Identifiers in the bits of `REQUEST_MASK` under which a group is asked for: of its address, of everybody."""
    own, everybody = (j1939.word_of_group(j1939.REQUEST, 0, to, 0) for to in (send.word & 0xFF, j1939.EVERYBODY))
    return own, everybody


REQUEST_MASK = EXTENDED_BIT | 0x03FF_FF00


def sending_us(send: Send) -> int:
    """How long a long message takes when nobody is slow."""
    gap = TO_ALL_GAP_US if send.to == j1939.EVERYBODY else TO_ONE_GAP_US
    return packets_of(send.length) * gap


OWN_MASK = EXTENDED_BIT | 0x03FF_00FF
"""Bits of an identifier word that say a group of the layer and its sender."""


def own_words(plan: Plan) -> dict[tuple[int, int], AddressClaim]:
    """What the layer says, by bus and the bits of `OWN_MASK`: claims, control and data of each address."""
    groups = (j1939.ADDRESS_CLAIMED, j1939.TRANSPORT, j1939.TRANSPORT_DATA, j1939.ACKNOWLEDGEMENT)
    return {(c.bus, EXTENDED_BIT | group << 8 | c.address): c for c in plan.claims for group in groups}


def nobodys_words(plan: Plan) -> set[tuple[int, int]]:
    """Bus and identifier of what is said from no address: that one is lost, and the question who has which."""
    lost = {(c.bus, j1939.word_of_group(j1939.ADDRESS_CLAIMED, j1939.NO_ADDRESS)) for c in plan.claims}
    return lost | {(bus, j1939.word_of_group(j1939.REQUEST, j1939.NO_ADDRESS)) for bus in asking_buses(plan)}
