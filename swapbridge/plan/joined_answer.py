"""Plan room: answers to a scan tool that asks for several identifiers at once, `Plan.joined`: the contract.

It is part of the contract of `swapbridge.plan.plan`, which says when it is received and polled.

A request that names several identifiers of a service is answered by one message of ISO 15765-2: the service's answer
byte, then of each part asked for what its own send's payload holds from byte 2 to byte ``payload[0]``. It begins idle.

Receiving, with size the first byte of data:

a. word is one of `words`, size is 3 to 7 and below data's length, data[1] is `service`, and at least one of data[2] to
   data[size] is the number of a part: these parts, in the order of data, are asked for (others are left out; one
   named twice counts twice). If it was neither gathering nor ready, due_at = now + gap_us. Now it is gathering, the
   message is the one byte ``service + 0x40``;
b. otherwise, if it is waiting, word is `flow_word`, data has at least 3 bytes and ``size >> 4`` is 3 (flow control):
   ``size & 15`` = 0: it is sending, left = data[1], pause_us = the time that data[2] codes (0 to 0x7F milliseconds,
   0xF1 to 0xF9 hundreds of microseconds from 100, anything else 127 ms) but at least gap_us, due_at = now + pause_us;
   1: due_at = now + 1,000,000; anything else: it is idle.

``poll``, when no send wants:

a. gathering: the next part asked for: if its send is active, its variant runs and, unless `send_if` is 0, its bytes are
   appended. After the last part it is ready, or idle if the message is still one byte. The call ends with None;
b. ready and due_at is due: a message of at most 7 bytes is sent as one frame, its length before it, and it is idle; of
   a longer one go ``0x10 + (length >> 8)``, ``length & 255`` and the first six bytes, sequence = 1, it is waiting,
   due_at = now + 1,000,000. The frame is returned, filled up to eight bytes with 0x55;
c. waiting and due_at is due: it is idle;
d. sending and due_at is due: ``0x20 + sequence`` and the next seven bytes, filled up likewise; sequence =
   (sequence + 1) mod 16. If that was the last byte, it is idle; otherwise, if left is 1, it is waiting and due_at =
   now + 1,000,000, else left = max(left - 1, 0) and due_at = now + pause_us. The frame is returned.
"""

from __future__ import annotations

from dataclasses import dataclass

FLOW_WAIT_US = 1_000_000
"""How long a joined answer waits for flow control (N_Bs of ISO 15765-2)."""


@dataclass(frozen=True, slots=True)
class Joined:
    """Answers requests for several identifiers at once (see the module's docstring).

    `parts` are (identifier, index of the send that answers it alone), in rising order of identifiers. Frames of `words`
    on `bus` ask; flow control comes under `flow_word`; answers go out under `word` of the same bus, and no two of
    their frames are nearer than `gap_us`.
    """

    bus: int
    words: tuple[int, ...]
    flow_word: int
    word: int
    service: int
    gap_us: int
    parts: tuple[tuple[int, int], ...]
