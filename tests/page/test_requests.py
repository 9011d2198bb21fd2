"""A request that does not fit its type is one sentence and writes nothing, whatever is wrong with it (RFC 8259)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swapbridge.core.errors import InputError
from swapbridge.page.requests import AcceptAll, BridgeCurve, BridgeSave, DraftDecision, Edit, PageRequest, decoded

OpenPage = Callable[[Path], Any]
DEEP = b"[" * 100_000
AGAIN = "load the page again; nothing was done"
BAD = {
    "not JSON": (b"{", AGAIN),
    "no object": (b"[1]", "Expected `object`"),
    "nothing": (b"", AGAIN),
    "no UTF-8": (b"\xff\xfe", AGAIN),
    "missing": (b'{"text": "x"}', "missing required field `version`"),
    "extra": (b'{"text": "x", "version": "", "more": 1}', "unknown field `more`"),
    "another type": (b'{"text": 5, "version": ""}', "Expected `str`, got `int` in text"),
    "nan": (b'{"text": NaN, "version": ""}', AGAIN),
    "infinite": (b'{"text": 1e999, "version": ""}', AGAIN),
    "half a character": (b'{"text": "\\ud800", "version": ""}', "lone surrogate"),
    "deep": (b'{"text": ' + DEEP, "Expected `str`, got `array` in text"),
    "deep, of no field": (b'{"more": ' + DEEP, AGAIN),
    "too long": (
        b'{"version": "", "text": "' + b"x" * 400_001 + b'"}',
        "what was typed for text is longer than 400000 characters: shorten it; nothing was done",
    ),
}


@pytest.mark.parametrize("what", BAD)
def test_each_bad_request_is_one_sentence_and_writes_nothing(what: str, tmp_path: Path, open_page: OpenPage) -> None:
    content, words = BAD[what]
    here = open_page(tmp_path)
    answer = here.http.post("/api/bridge/save", content=content, headers=here.headers)
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert "\n" not in answer.json()["error"]
    assert not (tmp_path / "bridge.toml").exists()


def test_numbers_are_finite_wherever_they_stand() -> None:
    for text in (b"NaN", b"Infinity", b"-1e999"):
        with pytest.raises(InputError, match=AGAIN):
            decoded(b'{"text": "", "table": "t", "points": [[0, ' + text + b"]]}", BridgeCurve)


TYPED = [
    (AcceptAll, "confidence", b"0.2", "what was typed for confidence is less than 0.5: write 0.5 or more"),
    (AcceptAll, "confidence", b"1.5", "what was typed for confidence is more than 1: write 1 or less"),
    (AcceptAll, "confidence", b'"0.9"', "what was typed for confidence is not a number: write one such as 3"),
    (AcceptAll, "confidence", b"null", "what was typed for confidence is not a number: write one such as 3"),
    (BridgeCurve, "points", b"[[0, null]]", "what was typed for points is not a number: write one such as 3"),
    (Edit, "start", b"null", "what was typed for start is not a number: write one such as 3"),
    (
        DraftDecision,
        "value",
        b'"%s"' % (b"x" * 4001),
        "what was typed for value is longer than 4000 characters: shorten it",
    ),
]


@pytest.mark.parametrize(("kind", "field", "text", "words"), TYPED)
def test_what_a_person_typed_is_told_by_its_field_and_with_what_to_do(
    kind: type[PageRequest], field: str, text: bytes, words: str
) -> None:
    """The words of msgspec 0.19 to 0.23 for these; where it says it otherwise one day, this test tells."""
    with pytest.raises(InputError) as refused:
        decoded(b'{"%s": %s}' % (field.encode(), text), kind)
    assert str(refused.value) == f"{words}; nothing was done"


def test_what_fits_is_what_was_sent() -> None:
    assert decoded(b'{"text": "x = \\"\\ud83d\\ude97\\"", "version": "v"}', BridgeSave).text == 'x = "\U0001f697"'
    edit = decoded(b'{"start": "3", "length": 8, "byte_order": "big_endian", "signed": true, "scale": "0.1"}', Edit)
    assert (edit.start, edit.length, edit.scale, edit.signed) == ("3", 8, "0.1", True)
