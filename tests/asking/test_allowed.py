"""What asking may put on a bus: the list, and 10,000 random sessions among hostile modules that never leave it."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.asking.allowed import GROUPS, Permit, is_allowed
from swapbridge.asking.ask import Asking, Questions
from swapbridge.core.errors import RefusedError
from tests.asking.bench import Bench
from tests.asking.modules import MS, Cyclic, Frame, HeavyEngine, Memory, Module, Node, Vehicle, X

SERVICES = {0x01, 0x03, 0x07, 0x09, 0x0A, 0x19, 0x22, 0x3E}
"""Of SAE J1979 and ISO 14229-1, as the task names them; written down apart from the list."""
NEVER = (
    0x04,
    0x05,
    0x06,
    0x08,
    0x10,
    0x11,
    0x14,
    0x23,
    0x27,
    0x28,
    0x2E,
    0x2F,
    0x31,
    0x34,
    0x35,
    0x36,
    0x3D,
    0x85,
    0x87,
)
"""Clearing, sessions, resets, security access, writing, routines, control of outputs and of what is stored."""
REQUESTED = {0xFECB, 0xFEEB, 0xFEDA, 0xFEEC, 0xFDC5}
"""J1939 groups: DM2, component, software and vehicle identification, identification of the module (from memory)."""


class Hostile(Node):
    """Answers what it likes: broken, late, twice, for ever 'pending', long and never finished, or well."""

    def __init__(self, draw: random.Random, words: list[int]) -> None:
        super().__init__()
        self.draw, self.words = draw, words
        self.left = 60

    def hear(self, word: int, data: bytes, now_ns: int) -> None:
        if self.left <= 0 or not data:
            return
        for _ in range(self.draw.choice((0, 1, 1, 1, 2))):
            self.left -= 1
            at = now_ns + self.draw.choice((1, 5, 40, 320, 1200)) * MS
            self.plan(at, self.draw.choice(self.words), self._content(data))

    def _content(self, asked: bytes) -> bytes:
        draw, body = self.draw, asked[1:8].ljust(7, b"\0")
        random_bytes = bytes(draw.getrandbits(8) for _ in range(8))
        return draw.choice(
            (
                bytes([draw.randrange(8), body[0] + 0x40 & 0xFF]) + body[1:3] + random_bytes[:4],
                bytes([6, body[0] + 0x40 & 0xFF]) + body[1:2] + b"\xff\xff\xff\xff\0",
                bytes([0x03, 0x7F, body[0], draw.choice((0x11, 0x21, 0x78, 0x31, 0x33))]) + b"\xaa" * 4,
                bytes([0x10 | draw.randrange(16), draw.getrandbits(8), body[0] + 0x40 & 0xFF]) + random_bytes[:5],
                bytes([0x20 | draw.randrange(16)]) + random_bytes[:7],
                bytes([0x30, draw.getrandbits(8), 0]) + random_bytes[:5],
                random_bytes[: draw.randrange(9)],
            )
        )


def random_session(seed: int) -> tuple[Bench, Asking]:
    """A session with random questions among random nodes."""
    draw = random.Random(seed)
    answers = [0x7E8 + n for n in range(8)] + [X | 0x18DAF100 | draw.getrandbits(8) for _ in range(3)]
    addresses = {}
    if draw.random() < 0.3:
        addresses[0x5A0 + draw.randrange(16)] = 0x580 + draw.randrange(16)
    nodes: list[Node] = [Hostile(draw, draw.sample(answers, draw.randrange(1, 4)) + list(addresses))]
    vehicle = Vehicle(speed_kmh=draw.choice((0, 0, 0, 3, 40)))
    for number in draw.sample(range(8), draw.randrange(4)):
        memory = Memory(vehicle, fixed={draw.getrandbits(24): draw.getrandbits(8) for _ in range(draw.randrange(9))})
        memory.available, memory.form = draw.choice((0xFF, 0x2F, 0x00)), draw.choice((0, 0, 1, 2, 4, 9))
        server = Module(0x7E0 + number, 0x7E8 + number, memory, (0x7DF,), obd=draw.random() < 0.6, vin="X" * 17)
        server.uds = draw.random() < 0.8
        nodes.append(server)
    if draw.random() < 0.3:
        codes = [bytes(draw.getrandbits(8) for _ in range(4)) for _ in range(draw.randrange(4))]
        nodes.append(HeavyEngine(draw.choice((0, 3, 249)), codes, codes, bytes(draw.randrange(1, 40))))
        nodes.append(Hostile(draw, [X | 0x18EEFFF9, X | 0x1CECF900, X | 0x1CEBF900, X | 0x18FECA00]))
    if draw.random() < 0.5:
        word = draw.choice((0x123, 0x124, 0x7DF, 0x7E0, 0x7E9, X | 0x0CF00400))
        nodes.append(Cyclic(word, 100 * MS, lambda t: bytes(draw.getrandbits(8) for _ in range(8)), end_ns=6000 * MS))
    forbidden = frozenset(draw.sample([0x7DF, *range(0x7E0, 0x7F0)], draw.choice((0, 0, 3))))
    questions = Questions(draw.choice(("auto", "obd", "j1939")), addresses, forbidden)
    bench = Bench(*nodes)
    asking = Asking(questions)
    bench.run(asking.session)
    return bench, asking


def requests_in(sent: list[Frame]) -> Iterator[tuple[int, bytes]]:
    """Requests as ISO 15765-2 assembles them, by hand; a first frame would be one that no answer's length hides."""
    for word, data in sent:
        heavy = word & X and word >> 16 & 0xFF in (0xEA, 0xEC, 0xEE)
        if not heavy and data[0] >> 4 != 3:
            assert 1 <= data[0] <= 7, f"{word:X} {data.hex()} is no request in one frame"
            yield word, data[1 : 1 + data[0]]


def check_session(seed: int) -> None:
    bench, asking = random_session(seed)
    sent = [(word, data) for _, word, data in bench.sent]
    given_words = set(asking.session.addresses.values())
    for word, request in requests_in(sent):
        assert request[0] in SERVICES, f"seed {seed}: {request.hex()}"
        usual = word in (0x7DF, *range(0x7E0, 0x7E8)) or (word & X and word >> 16 & 0x3FF in (0xDA, 0xDB))
        assert usual or word in given_words, f"seed {seed}: asked {word:X}"
        assert word not in asking.session.forbidden
        if request[0] == 0x22:
            assert 0xF180 <= int.from_bytes(request[1:3], "big") <= 0xF19F
        if request[0] == 0x19:
            assert request[1] in (0x01, 0x02, 0x06, 0x0A)
        if request[0] == 0x3E:
            assert request == b"\x3e\x00"
    for word, data in sent:
        if word & X and word >> 16 & 0xFF == 0xEA:
            assert int.from_bytes(data, "little") in REQUESTED
            assert word & 0xFF in (249, 250)
    asking.answers("bench", "now").to_dict()


def test_random_sessions_stay_on_the_list() -> None:
    for seed in range(60):
        check_session(seed)


@pytest.mark.long(130)
@pytest.mark.timeout(1200)
def test_ten_thousand_random_sessions_stay_on_the_list() -> None:
    for seed in range(10_000):
        check_session(seed)


@pytest.mark.parametrize("service", NEVER)
def test_what_changes_a_module_is_not_on_the_list(service: int) -> None:
    for rest in (b"", b"\0", b"\xff\xff\xff", b"\x01\x02", b"\x03\xff\0\0"):
        assert not is_allowed(bytes([service]) + rest)


@given(st.binary(max_size=12))
def test_only_listed_services_pass(request: bytes) -> None:
    if is_allowed(request):
        assert request[0] in SERVICES


@given(st.integers(0, 0x7FF), st.binary(max_size=8))
def test_the_permit_lets_no_other_identifier_out(word: int, data: bytes) -> None:
    permit = Permit(forbidden=frozenset({0x7E3}))
    try:
        permit.check(word, data)
    except RefusedError:
        return
    assert word in (0x7DF, *range(0x7E0, 0x7E8))
    assert word != 0x7E3
    assert data[0] >> 4 == 3 or data[1] in SERVICES


def test_flow_control_never_goes_to_everybody() -> None:
    with pytest.raises(RefusedError, match="not on the list"):
        Permit().check(0x7DF, bytes.fromhex("30000055555555 55".replace(" ", "")))


@pytest.mark.parametrize("group", [0xFECC, 0xFED3, 0xFECA, 0xFEF1, 0xD900])
def test_groups_that_clear_or_are_not_listed_are_never_requested(group: int) -> None:
    assert group not in GROUPS
    with pytest.raises(RefusedError, match="not on the list"):
        Permit(address=249).check(X | 0x18EA00F9, group.to_bytes(3, "little"))
