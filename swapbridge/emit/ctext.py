"""Emit room: small pieces of C text: definitions, comments, indentation."""

from __future__ import annotations

import re
from collections.abc import Sequence


def comment_text(text: str) -> str:
    """Text from maps made safe for a C comment: printable ASCII, no comment marks."""
    safe = "".join(c if " " <= c <= "~" else "?" for c in text)
    return safe.replace("*/", "* /").replace("/*", "/ *").replace("??", "? ")


def function(comment: str, head: str, body: Sequence[str], parameters: Sequence[str]) -> str:
    """A definition; parameters that the body never names are marked as unused."""
    text = "\n".join(body)
    unused = [f"(void){p};" for p in parameters if not names(text, p)]
    return "\n".join([comment, head, "{", *indent([*unused, *body]), "}", ""])


def names(text: str, word: str) -> bool:
    """Whether C text names an identifier."""
    return re.search(rf"\b{word}\b", text) is not None


def indent(lines: Sequence[str]) -> list[str]:
    """The lines, one level deeper."""
    return [f"    {line}" if line and not line.startswith("#") else line for line in lines]
