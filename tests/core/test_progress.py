"""What a part of long work tells is a part of the whole."""

from __future__ import annotations

from swapbridge.core.progress import part_of


def test_a_part_tells_its_share_of_the_whole_and_no_more() -> None:
    told: list[tuple[float, str]] = []
    outer = part_of(lambda share, words: told.append((share, words)), 0.5, 1.0)
    inner = part_of(outer, 0.0, 0.5)
    for share in (0.0, 0.5, 1.0, 1.2):
        inner(share, "half of a half")
    assert told == [(share, "half of a half") for share in (0.5, 0.625, 0.75, 0.75)]
    assert part_of(None, 0.0, 1.0) is None
