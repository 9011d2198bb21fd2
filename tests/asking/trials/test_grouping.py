"""Which of many things a module needs: found exactly, though one answer in twenty is wrong, with few trials."""

from __future__ import annotations

import math
import random

import pytest

from swapbridge.asking.trials.grouping import Grouping
from swapbridge.core.errors import InputError

WRONG = 0.05
DOUBT = 0.014
"""Of one stage; messages first, then the bits of each needed message."""


def alone(count: int, needed: set[int], draw: random.Random) -> tuple[int, tuple[int, ...]]:
    """The other way: one thing after the other, each until it is as sure as the whole has to be."""
    step, sure = math.log((1 - WRONG) / WRONG), math.log((1 - DOUBT / count) / (DOUBT / count))
    trials, found = 0, []
    for one in range(count):
        odds = 0.0
        while abs(odds) < sure:
            complains = (one in needed) != (draw.random() < WRONG)
            odds += step if complains else -step
            trials += 1
        if odds > 0:
            found.append(one)
    return trials, tuple(found)


def grouped(
    count: int, most: int, needed: set[int], draw: random.Random, seed: int
) -> tuple[Grouping, tuple[int, ...]]:
    plan = Grouping(count, most, least=1, doubt=DOUBT, seed=seed)
    while (group := plan.next_group()) is not None:
        plan.take(group, bool(set(group) & needed) != (draw.random() < WRONG))
    return plan, plan.result()[0]


def module(draw: random.Random) -> tuple[list[int], dict[int, set[int]]]:
    """14 messages with 200 bits in all; one to three are needed, with five bits at most."""
    sizes = [14] * 10 + [15] * 4
    draw.shuffle(sizes)
    messages = draw.sample(range(14), draw.randrange(1, 4))
    bits: dict[int, set[int]] = {message: set() for message in messages}
    for number in range(draw.randrange(len(messages), 6)):
        message = messages[number] if number < len(messages) else draw.choice(messages)
        bits[message].add(draw.randrange(sizes[message]))
    return sizes, bits


def compare(seeds: range) -> tuple[float, float, float]:
    """Share found exactly by grouping and one by one, and trials of grouping for each one of the other way."""
    right = right_alone = trials = trials_alone = 0
    for seed in seeds:
        draw = random.Random(seed)
        sizes, bits = module(draw)
        plan, found = grouped(14, 3, set(bits), draw, seed)
        count, good = len(plan.answers), set(found) == set(bits)
        other, found = alone(14, set(bits), draw)
        good_alone = set(found) == set(bits)
        if good:
            for message in found if good_alone else bits:
                plan, which = grouped(sizes[message], 5, bits[message], draw, seed)
                count, good = count + len(plan.answers), good and set(which) == bits[message]
                more, which = alone(sizes[message], bits[message], draw)
                other, good_alone = other + more, good_alone and set(which) == bits[message]
        right, right_alone = right + good, right_alone + good_alone
        trials, trials_alone = trials + count, trials_alone + other
    return right / len(seeds), right_alone / len(seeds), trials / trials_alone


def test_most_modules_are_found_exactly_with_half_the_trials() -> None:
    right, _, ratio = compare(range(12))
    assert right >= 0.9
    assert ratio <= 0.53


def test_everything_not_needed_was_left_out_alone() -> None:
    draw = random.Random(3)
    plan, found = grouped(14, 3, {2, 9}, draw, 3)
    assert found == (2, 9)
    left_out_alone = {group[0] for group, _ in plan.answers if len(group) == 1}
    assert set(range(14)) - {2, 9} <= left_out_alone


def test_right_answers_need_few_trials() -> None:
    plan = Grouping(14, 3, wrong=0.001, doubt=0.01)
    while (group := plan.next_group()) is not None:
        plan.take(group, 5 in group)
    assert plan.result()[0] == (5,)
    assert len(plan.answers) <= 20


def test_too_many_at_once_is_refused() -> None:
    with pytest.raises(InputError, match="split them"):
        Grouping(64, 6)
    with pytest.raises(InputError, match="1 to 64"):
        Grouping(65, 1)
