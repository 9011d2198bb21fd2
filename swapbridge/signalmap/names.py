"""Signal map room: names that a DBC can hold, and what other forms of map are called."""

from __future__ import annotations

import re

NAME = re.compile(r"[A-Za-z_]\w{0,127}", re.ASCII)

OTHER_FORMS = (".kcd", ".sym", ".arxml")
"""Suffixes of the forms that are read besides DBC."""


def tidy_name(text: str) -> str:
    """A name that DBC can hold, made from any text."""
    name = re.sub(r"\W+", "_", text, flags=re.ASCII).strip("_") or "signal"
    return f"s_{name}"[:128] if name[0].isdigit() else name[:128]
