"""What a logger keeps that loses most frames: counters by the clock, and no multiplexer or check made of little."""

from __future__ import annotations

import numpy as np

from swapbridge.core.integrity import Counter
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.checksums import fit_affine
from swapbridge.guessing.integrity.counters import find_counters
from swapbridge.guessing.integrity.vehicle_counters import CounterKind, counter_of_vehicle
from swapbridge.guessing.layout.study import study
from tests.guessing.test_exact import columns_of


def test_a_two_bit_counter_shows_in_trains_of_frames_that_the_logger_wrote_together() -> None:
    """Frames of one train, 20 ms apart or written at once; between trains the clock errs by more than a round."""
    rng = np.random.default_rng(4)
    number, time_ns, now = [], [], 0
    for _ in range(60):
        now += int(rng.integers(20, 40)) * 20_000_000 + int(rng.integers(0, 30_000_000))
        first = int(rng.integers(4))
        for k in range(5):
            number.append(first + k)
            time_ns.append(now)
            now += 3_000 if rng.random() < 0.2 else 20_000_000
    payload = np.zeros((len(number), 2), np.uint8)
    payload[:, 1] = np.array(number) % 4 << 2 | rng.integers(0, 2, len(number)) << 6
    found = find_counters(columns_of(payload, np.array(time_ns)))
    assert [c.positions for c in found] == [(10, 11)]


def test_a_counter_by_three_shows_in_trains_of_frames() -> None:
    """Multiplied by eleven, a nibble that goes on by three goes on by one."""
    rng = np.random.default_rng(4)
    starts = np.cumsum(rng.integers(20, 40, 60))
    sending = (starts[:, None] + np.arange(4)).ravel()
    time_ns = sending * 20_000_000 + np.repeat(rng.integers(0, 30_000_000, 60), 4)
    payload = np.zeros((len(sending), 2), np.uint8)
    payload[:, 1] = 3 * (np.arange(4) + rng.integers(0, 16, 60)[:, None]).ravel() % 16
    (found,) = find_counters(columns_of(payload, time_ns))
    assert (found.positions, found.counter.step) == ((8, 9, 10, 11), 3)
    payload[:, 1] = 3 * np.arange(len(sending)) + rng.integers(0, 2, len(sending)) & 15  # it may as well be a slope
    assert not find_counters(columns_of(payload, time_ns))


def test_a_counter_shows_in_forty_frames_where_the_clock_tells_every_step() -> None:
    rng = np.random.default_rng(5)
    sending = np.cumsum(rng.choice([1, 6, 7, 8, 8, 8, 9], 44))
    payload = np.zeros((44, 1), np.uint8)
    payload[:, 0] = sending % 16 << 2
    time_ns = sending * 100_000_000 + rng.integers(-8_000_000, 8_000_000, 44)
    (found,) = find_counters(columns_of(payload, time_ns))
    assert found.positions == (2, 3, 4, 5)
    assert (found.counter.low, found.counter.high) == (0, 15)


def test_what_seldom_flips_is_no_check_of_what_flips_often() -> None:
    """Five flips are met by some parity of a dozen bits now and then: naming it takes as much as they do."""
    rng = np.random.default_rng(2689)  # where one is met
    payload = np.zeros((22, 3), np.uint8)
    payload[:, 0], payload[:, 1] = rng.integers(0, 256, 22), rng.integers(0, 8, 22)
    payload[:, 2] = np.where(np.arange(22) // int(rng.integers(4, 7)) % 2, 0x57, 0x50)
    assert fit_affine(columns_of(payload), tuple(range(16, 24))) is None


def test_copies_of_a_quantity_in_a_lossy_log_have_no_pages() -> None:
    """With few frames nearly every value follows others for the first time, and foretells nothing."""
    rng = np.random.default_rng(6)
    n = 2200
    wanders = np.clip(70 + np.cumsum(rng.integers(-9, 10, n)) // 2, 0, 255).astype(np.uint8)
    payload = np.zeros((n, 8), np.uint8)
    payload[:, [0, 4, 5]] = wanders[:, None]
    payload[:, 6] = wanders + (np.arange(n) // 40 % 20).astype(np.uint8)
    kept = np.sort(rng.choice(n, 450, replace=False))
    time_ns = (np.arange(n) * 10_000_000)[kept]
    columns = make_columns(0x140, False, time_ns, np.full(450, 8, np.uint8), payload[kept])
    assert study(columns).mux is None


def test_the_low_end_of_a_steady_ramp_is_no_counter_in_a_lossy_log() -> None:
    """By 9 each time: its low three bits go on by one, and so does all that stands above them by what it carries."""
    rng = np.random.default_rng(7)
    sending = np.flatnonzero(rng.random(1400) < 0.8)
    payload = np.zeros((len(sending), 2), np.uint8)
    payload[:, 0] = np.where(rng.random(len(sending)) < 0.01, 8, 0) + 9 * sending
    found = find_counters(columns_of(payload, sending * 10_000_000))
    assert [c.positions for c in found if len(c.positions) < 8] == []


def test_the_upper_end_of_a_steady_ramp_is_no_counter_in_a_lossy_log() -> None:
    """By 3.8 or 4.2 a frame: the upper six bits go on by one, but for where the lower two go round."""
    rng = np.random.default_rng(8)
    sending = np.flatnonzero(rng.random(1500) < 0.15)[:110]
    time_ns = sending * 50_000_000 // 20_500_000 * 20_500_000  # a coarse clock
    for rate in (3.8, 4.2):
        payload = np.zeros((len(sending), 1), np.uint8)
        payload[:, 0] = (rate * sending + 7).astype(np.int64) & 255
        assert find_counters(columns_of(payload, time_ns)) == []
    payload[:, 0] = (sending % 64 << 2) | np.cumsum(rng.random(len(sending)) < 0.1) & 3  # two flags below a counter
    (found,) = find_counters(columns_of(payload, time_ns))
    assert found.positions == tuple(range(2, 8))


def trains(seed: int, pace: float, shortest: int = 10, longest: int = 30, number: int = 40) -> BitColumns:
    """Trains of frames 20 ms apart; what counts to 14 goes on by `pace` each; pauses are anyhow long."""
    rng = np.random.default_rng(seed)
    sending, time_ns, now = [], [], 0
    for _ in range(number):
        now += int(rng.integers(150, 900)) * 1_000_000
        first = int(rng.integers(0, 600))
        for k in range(int(rng.integers(shortest, longest + 1))):
            sending.append(first + k)
            time_ns.append(now + 20_000_000 * k)
        now = time_ns[-1]
    payload = np.zeros((len(sending), 2), np.uint8)
    payload[:, 1] = (np.array(sending) * pace).astype(np.int64) % 15 << 4
    return columns_of(payload, np.array(time_ns))


def test_a_counter_that_rests_for_four_frames_shows_in_trains_by_its_whole_rests() -> None:
    (found,) = find_counters(trains(9, 0.25))
    assert (found.positions, found.every, found.counter.high) == ((12, 13, 14, 15), 4, 14)
    assert find_counters(trains(9, 0.26)) == []  # what climbs at nearly that pace


def test_a_few_whole_rests_show_a_counter_of_the_vehicles_kind() -> None:
    kinds = [CounterKind(True, -4, 4, Counter(0, 14), 4)]
    few = trains(9, 0.25)
    few = few.select(np.arange(len(few)) < 60)
    assert find_counters(few) == []
    found = counter_of_vehicle(few, kinds, [], ())
    assert found is not None
    assert found.every == 4
    climbs = trains(9, 0.28)
    assert counter_of_vehicle(climbs.select(np.arange(len(climbs)) < 60), kinds, [], ()) is None


def test_the_upper_bits_of_a_counter_in_trains_are_none_of_their_own() -> None:
    """Of every second frame they rest for two and then go on; the bit below moves in each."""
    frames = trains(9, 1.0, 5, 8, 100)
    pause = np.diff(frames.time_ns) > 20_000_000
    sending = 2 * np.arange(len(frames)) + np.concatenate(([0], np.cumsum(pause * np.arange(3, 3 + len(pause)) % 19)))
    frames.payload[:, 1] = sending % 16 << 4
    late = np.random.default_rng(11).random(len(frames)) < 0.2
    time_ns = frames.time_ns.copy()
    time_ns[:-1][late[:-1] & ~pause] = time_ns[1:][late[:-1] & ~pause]  # written together with the next
    frames = make_columns(1, False, time_ns, frames.length, frames.payload)
    assert [(c.positions, c.every) for c in find_counters(frames)] == [((12, 13, 14, 15), 1)]
