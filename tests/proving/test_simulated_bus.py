"""Prove room: the simulated bus: arbitration, times, queues, errors, bus-off, and recorded traffic left alone."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import Capture
from swapbridge.core.can_bits import arbitration_key, frame_bits
from swapbridge.core.identifier_words import EXTENDED_BIT, split_word
from swapbridge.proving.bench.nodes import Controller, NodeUnderTest
from swapbridge.proving.bench.simulated_bus import SimulatedBus, Simulation
from swapbridge.proving.bench.traffic import Rates, merge, pick, traffic_from

MS = 1_000_000
RATES = Rates(500_000)


def _node(program: Any, listens: Any = frozenset(), **options: Any) -> NodeUnderTest:
    return NodeUnderTest("node", program, [listens], [Controller(**options)])


def _empty(capture_of: Callable[..., Capture]) -> Any:
    return traffic_from(capture_of([]), RATES)


def _simulate(
    programs: list[Any], traffic: Any, until_ms: int, *, listens: Any = frozenset(), **bus_options: Any
) -> tuple[SimulatedBus, list[NodeUnderTest]]:
    nodes = [_node(p, listens) for p in programs]
    bus = SimulatedBus("b", traffic, **bus_options)
    Simulation([bus], nodes).run(until_ms * MS)
    return bus, nodes


def test_example_of_davis_et_al_reaches_its_worst_case(periodic: Any, capture_of: Any) -> None:
    """Three messages of 1 ms, periods 2.5, 3.5, 3.5 ms: 2, 3 and 3.5 ms, the last in its second instance.

    Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007); recomputed by hand.
    """
    a = [(i * 2500, 1, b"") for i in range(40)]
    b = [(i * 3500, 2, b"") for i in range(40)]
    c = [(i * 3500, 3, b"") for i in range(40)]
    traffic = _empty(capture_of)
    rest = traffic.rates.intermission_ns

    def worst(node: NodeUnderTest) -> int:
        return max(s.received_ns - s.asked_ns for s in node.sent) + RATES.intermission_ns

    _, nodes = _simulate([periodic(a), periodic(b), periodic(c)], traffic, 40, duration_ns=lambda word, data: MS)
    assert worst(nodes[2]) == 3_500_000
    assert nodes[2].sent[0].received_ns + rest == 3 * MS, "the first instance takes 3 ms only"
    # The lowest begins a microsecond before the others ask: the blocking that the first two suffer.
    late = [[(t + 1, w, d) for t, w, d in m] for m in (a, b)]
    _, nodes = _simulate(
        [periodic(late[0]), periodic(late[1]), periodic(c)], traffic, 40, duration_ns=lambda word, data: MS
    )
    assert nodes[0].sent[0].received_ns + rest - nodes[0].sent[0].asked_ns == 2 * MS - 1000
    assert nodes[1].sent[0].received_ns + rest - nodes[1].sent[0].asked_ns == 3 * MS - 1000


def test_29_bit_base_wins_over_a_larger_11_bit_identifier(periodic: Any, capture_of: Any) -> None:
    words = [0x400, 0x0CF00400 | EXTENDED_BIT, 0x33C]
    _, nodes = _simulate([periodic([(10, w, b"\x55" * 8)]) for w in words], _empty(capture_of), 5)
    order = sorted((n.sent[0].received_ns, n.sent[0].word) for n in nodes)
    assert [w for _, w in order] == [0x33C, 0x0CF00400 | EXTENDED_BIT, 0x400]


def test_fifo_controller_lets_an_old_frame_hold_up_an_urgent_one(periodic: Any, capture_of: Any) -> None:
    mine = [(0, 0x700, bytes(8)), (0, 0x010, bytes(8))]
    other = [(0, 0x300, bytes(8))]
    for discipline, expected in (("priority", [0x010, 0x300, 0x700]), ("fifo", [0x300, 0x700, 0x010])):
        nodes = [_node(periodic(list(mine)), discipline=discipline), _node(periodic(list(other)))]
        Simulation([SimulatedBus("b", _empty(capture_of))], nodes).run(5 * MS)
        sent = sorted((s.received_ns, s.word) for n in nodes for s in n.sent)
        assert [w for _, w in sent] == expected


def test_a_mailbox_keeps_only_the_newest(periodic: Any, capture_of: Any) -> None:
    node = _node(periodic([(1500, 0x100, b"\1"), (1600, 0x100, b"\2"), (1700, 0x100, b"\3")]), replace=True)
    busy = traffic_from(capture_of([(i * 100_000 + 400_000, 0x001, b"\xff" * 8) for i in range(50)]), RATES)
    assert busy.load(MS, 5 * MS) > 0.99
    Simulation([SimulatedBus("b", busy)], [node]).run(50 * MS)
    assert [s.data for s in node.sent] == [b"\3"]


@st.composite
def _rows(draw: st.DrawFn) -> list[tuple[int, int, bytes]]:
    count = draw(st.integers(1, 25))
    t, rows = 0, []
    for _ in range(count):
        t += draw(st.integers(0, 800_000))
        word = draw(st.one_of(st.integers(0, 0x7FF), st.integers(0, 0x1FFFFFFF).map(lambda i: i | EXTENDED_BIT)))
        rows.append((t, word, draw(st.binary(max_size=8))))
    return rows


def _oracle(
    recorded: list[tuple[int, int, int, int, bytes]], own: list[tuple[int, int, int, bytes]]
) -> list[tuple[int, int]]:
    """Obvious single-server simulation: at every idle moment the smallest arbitration field among those asking goes.

    Rows are (asks, order, duration, word, ...); gives (end of frame with intermission, word) in order.
    """
    waiting = [
        (asks, arbitration_key(*split_word(word)), k, dur, word) for k, (asks, dur, _, word, _) in enumerate(recorded)
    ]
    waiting += [
        (asks, arbitration_key(*split_word(word)), 1000 + k, dur, word) for k, (asks, dur, word, _) in enumerate(own)
    ]
    free, out = 0, []
    while waiting:
        asking = [w for w in waiting if w[0] <= free]
        if not asking:
            free = min(w[0] for w in waiting)
            continue
        chosen = min(asking, key=lambda w: (w[1], w[2]))
        waiting.remove(chosen)
        free += chosen[3]
        out.append((free, chosen[4]))
    return out


@settings(max_examples=60)
@given(
    _rows(),
    st.lists(st.tuples(st.integers(0, 12_000), st.integers(0, 0x7FF), st.binary(max_size=8)), max_size=12),
    st.sampled_from([0, 1_000, 100_000]),
)
def test_columns_and_events_equal_an_obvious_simulation(
    periodic: Any,
    capture_of: Any,
    rows: list[tuple[int, int, bytes]],
    asks: list[tuple[int, int, bytes]],
    latency_ns: int,
) -> None:
    """Whatever the recorded traffic and the frames of two nodes, all end when the slow model says they end."""
    taken = {r[1] for r in rows}
    own = sorted((t, w, d) for t, w, d in asks if w not in taken)
    traffic = traffic_from(capture_of(rows), RATES, begin_ns=-1_000_000)
    recorded = [
        (int(traffic.start_ns[i]), int(traffic.duration_ns[i]), 0, int(traffic.word[i]), b"")
        for i in range(len(traffic))
    ]
    lengths = [(t * 1000 + latency_ns, frame_bits(w, False, d)[0] * 2000, w, d) for t, w, d in own]
    expected = _oracle(recorded, lengths)
    listener = _node(periodic([]), None)
    senders = [_node(periodic([ask for ask in own if ask[1] & 1 == odd])) for odd in (0, 1)]
    for node in (*senders, listener):
        node.latency_ns = latency_ns
    bus = SimulatedBus("b", traffic)
    Simulation([bus], [*senders, listener]).run(10**12)
    got = [(now, word) for now, word, _ in listener.program.heard]  # type: ignore[attr-defined]
    rest = traffic.rates.intermission_ns
    assert got == [((end - rest) // 1000, word) for end, word in expected]


def test_left_alone_recorded_frames_arrive_when_they_were_recorded(periodic: Any, capture_of: Any) -> None:
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.integers(300_000, 900_000, 500))
    rows = [(int(t), int(rng.integers(0, 0x7FF)), bytes(rng.integers(0, 256, 8, dtype=np.uint8))) for t in times]
    traffic = traffic_from(capture_of(rows), RATES, begin_ns=0)
    node = _node(periodic([]), None)
    Simulation([SimulatedBus("b", traffic)], [node]).run(10**12)
    heard = node.program.heard  # type: ignore[attr-defined]
    assert [(w, d) for _, w, d in heard] == [(w, d) for _, w, d in rows]
    assert [t for t, _, _ in heard] == [t // 1000 for t, _, _ in rows]


def test_errors_cost_a_retransmission_and_count(periodic: Any, capture_of: Any) -> None:
    frames = [(i * 10_000, 0x100, bytes([i & 255])) for i in range(200)]
    node = _node(periodic(frames))
    other = _node(periodic([]), None)
    bus = SimulatedBus("b", _empty(capture_of), error_rate=0.2, rng=random.Random(3))
    Simulation([bus], [node, other]).run(3_000 * MS)
    assert [s.data for s in node.sent] == [f[2] for f in frames], "every frame gets through in the end, in order"
    assert 20 < bus.errors < 80
    assert node.controllers[0] is not None
    assert 0 <= node.controllers[0].tec < 256
    assert len(other.program.heard) == 200  # type: ignore[attr-defined]


def test_bus_off_and_recovery_time(periodic: Any, capture_of: Any) -> None:
    """Transmit errors count 8: more than 255 after 32; recovery takes 128 x 11 bits (ISO 11898-1, from memory)."""
    frames = [(i * 10_000, 0x100, b"") for i in range(60)]
    node = _node(periodic(frames), restart_ns=50 * MS)
    controller = node.controllers[0]
    assert controller is not None
    controller.fails = lambda t: t < 40 * MS
    bus = SimulatedBus("b", _empty(capture_of))
    Simulation([bus], [node]).run(1_000 * MS)
    assert len(controller.bus_offs) == 1
    assert bus.errors == 32
    off = controller.bus_offs[0]
    back = off + 50 * MS + 128 * 11 * 2000
    assert node.sent[0].asked_ns >= back
    assert node.sent[0].asked_ns - back <= 10 * MS
    never = _node(periodic(frames), restart_ns=None)
    assert never.controllers[0] is not None
    never.controllers[0].fails = lambda t: t < 40 * MS
    Simulation([SimulatedBus("b", _empty(capture_of))], [never]).run(1_000 * MS)
    assert never.sent == []


def test_an_error_passive_node_waits_after_its_own_frames(periodic: Any, capture_of: Any) -> None:
    """Above 127 a sender waits 8 more bits before it sends again, so another's worse frame can go first."""
    passive = _node(periodic([(0, 0x010, b""), (0, 0x011, b"")]))
    assert passive.controllers[0] is not None
    passive.controllers[0].tec = 200
    other = _node(periodic([(50, 0x700, b"")]))
    Simulation([SimulatedBus("b", _empty(capture_of))], [passive, other]).run(10 * MS)
    order = sorted((s.received_ns, s.word) for s in [*passive.sent, *other.sent])
    assert [w for _, w in order] == [0x010, 0x700, 0x011]


def test_added_traffic_is_arbitrated_with_the_recorded(capture_of: Any) -> None:
    recorded = traffic_from(capture_of([(k * 500_000, 0x300, bytes(8)) for k in range(1, 100)]), RATES, begin_ns=0)
    babble = traffic_from(capture_of([(k * 240_000, 0x000, bytes(8)) for k in range(1, 400)]), RATES, begin_ns=0)
    both = merge(recorded, babble)
    assert len(both) == len(recorded) + len(babble)
    ends = both.start_ns + both.duration_ns
    order = np.argsort(both.start_ns, kind="stable")
    assert (both.start_ns[order][1:] >= ends[order][:-1]).all(), "one frame at a time"
    assert (both.start_ns >= both.release_ns).all()
    alone = pick(both, both.word == 0x300)
    assert (alone.start_ns == recorded.start_ns).all()


def test_fd_frames_use_both_rates(periodic: Any, capture_of: Any) -> None:
    node = _node(periodic([(0, 0x123, bytes(64))]))
    traffic = traffic_from(capture_of([]), Rates(500_000, 2_000_000))
    Simulation([SimulatedBus("b", traffic, fd=True, bit_rate_switch=True)], [node]).run(10 * MS)
    slow, fast = frame_bits(0x123, False, bytes(64), fd=True, bit_rate_switch=True)
    assert node.sent[0].received_ns == (slow - 3) * 2000 + fast * 500


def test_power_cut_empties_the_queue(periodic: Any, capture_of: Any) -> None:
    node = _node(periodic([(k * 1000, 0x100, bytes([k])) for k in range(20)]))
    simulation = Simulation([SimulatedBus("b", _empty(capture_of))], [node])
    simulation.at(5 * MS + 500, node.power_off)
    simulation.at(12 * MS, lambda t: node.power_on(t, periodic([(15_000, 0x100, b"\xff")])))
    simulation.run(100 * MS)
    assert [s.data[0] for s in node.sent] == [0, 1, 2, 3, 4, 5, 0xFF], "what is on the wire is not called back"


def test_a_program_that_never_rests_is_an_error(capture_of: Any) -> None:
    class Restless:
        def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None: ...
        def poll(self, now: int) -> None: ...
        def next_poll(self, now: int) -> int:
            return now

    with pytest.raises(RuntimeError, match="without end"):
        Simulation([SimulatedBus("b", _empty(capture_of))], [_node(Restless())]).run(MS)
