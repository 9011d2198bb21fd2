"""A draft's HTML report: the outlook first, every message and field, words beside colours, nothing from outside."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from swapbridge.drafting.draft import draft
from swapbridge.drafting.drafted import Drafted
from swapbridge.drafting.outlook import label, outlook
from swapbridge.drafting.recordings import open_swap
from swapbridge.swapfolder.draft_report import draft_html
from tests.drafting.rig import recordings


@pytest.fixture(scope="module")
def told() -> tuple[Drafted, str]:
    drafted = draft(open_swap(*recordings())[0])
    return drafted, draft_html(drafted, "a <b>swap</b>")


class Reader(HTMLParser):
    """What a person reads, and which tags stay open."""

    def __init__(self) -> None:
        super().__init__()
        self.text, self.open = "", 0
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open += tag == "div"
        self.links += [v or "" for k, v in attrs if k in ("href", "src")]

    def handle_endtag(self, tag: str) -> None:
        self.open -= tag == "div"

    def handle_data(self, data: str) -> None:
        self.text += data


def test_it_says_everything_and_needs_nothing(told: tuple[Drafted, str]) -> None:
    drafted, page = told
    reader = Reader()
    reader.feed(page)
    assert reader.open == 0
    assert all(link.startswith("#") for link in reader.links)
    assert "http" not in page
    assert "<script" not in page
    assert "a <b>swap" in reader.text
    at = [reader.text.index(line) for line in outlook(drafted)]
    first = reader.text.index(label(drafted.messages[0]) + " ", max(at))
    assert max(at) < first
    for made in drafted.messages:
        assert label(made) in reader.text
        for one in made.fields:
            assert one.words in reader.text
            assert one.value in reader.text


def test_every_field_has_its_word_and_its_picture(told: tuple[Drafted, str]) -> None:
    """The colour of a field's edge is also a word in its heading."""
    drafted, page = told
    fields = [f for m in drafted.messages for f in m.fields]
    words = re.findall(r'class="chip (?:pass|warn|unproved)">(sure|not sure|open)<', page)
    assert len(words) == len(fields)
    assert page.count("<figure>") + page.count("Not drawn") == len(fields)
    assert page.count("<figure>") >= len(fields) - 2
    assert "This stretch was not used to learn the rule." in page
    assert "can't be made" in page.replace("&#x27;", "'")
