"""A request that does not fit its type is one sentence and writes nothing, whatever is wrong with it (RFC 8259)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swapbridge.core.errors import InputError
from swapbridge.page.requests import AcceptAll, BridgeCurve, BridgeSave, Edit, decoded

OpenPage = Callable[[Path], Any]
DEEP = b"[" * 100_000
BAD = {
    "not JSON": (b"{", "does not fit"),
    "no object": (b"[1]", "Expected `object`"),
    "nothing": (b"", "does not fit"),
    "no UTF-8": (b"\xff\xfe", "does not fit"),
    "missing": (b'{"text": "x"}', "missing required field `version`"),
    "extra": (b'{"text": "x", "version": "", "more": 1}', "unknown field `more`"),
    "another type": (b'{"text": 5, "version": ""}', "Expected `str`, got `int` - at `$.text`"),
    "nan": (b'{"text": NaN, "version": ""}', "does not fit"),
    "infinite": (b'{"text": 1e999, "version": ""}', "does not fit"),
    "half a character": (b'{"text": "\\ud800", "version": ""}', "lone surrogate"),
    "deep": (b'{"text": ' + DEEP, "Expected `str`, got `array`"),
    "deep, of no field": (b'{"more": ' + DEEP, "does not fit"),
    "too long": (b'{"text": "x", "version": "' + b"0" * 65 + b'"}', "length <= 64"),
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
        with pytest.raises(InputError, match="does not fit"):
            decoded(b'{"text": "", "table": "t", "points": [[0, ' + text + b"]]}", BridgeCurve)
    for text in (b"0.2", b"1.5", b'"0.9"', b"null"):
        with pytest.raises(InputError, match=r"at `\$\.confidence`"):
            decoded(b'{"file": "a", "map": "m", "version": "", "confidence": ' + text + b"}", AcceptAll)


def test_what_fits_is_what_was_sent() -> None:
    assert decoded(b'{"text": "x = \\"\\ud83d\\ude97\\"", "version": "v"}', BridgeSave).text == 'x = "\U0001f697"'
    edit = decoded(b'{"start": "3", "length": 8, "byte_order": "big_endian", "signed": true, "scale": "0.1"}', Edit)
    assert (edit.start, edit.length, edit.scale, edit.signed) == ("3", 8, "0.1", True)
