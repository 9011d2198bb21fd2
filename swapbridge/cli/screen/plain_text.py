"""Command line: output for a terminal or file that can't show every character.

On Windows what is sent into a file or a pipe is written in the machine's old code page, which has no arrows, no bars
and not every letter of a file name: without this such an output ends in a traceback half way.
"""

from __future__ import annotations

import codecs
import io
import sys

NAME = "swapbridge-plain"
_PLAIN = {
    **dict(zip("▁▂▃▄▅▆▇█", "_.-~=+*#", strict=True)),
    **dict.fromkeys("│┃║", "|"),
    **dict.fromkeys("─━═", "-"),
    "→": ">",
    "←": "<",
    "Ω": "ohm",
    "µ": "u",
    "μ": "u",
    "°": "deg",
    "…": "...",
    "×": "x",  # noqa: RUF001
    "±": "+/-",
    "≤": "<=",
    "≥": ">=",
}


def plainer(text: str) -> str:
    """ASCII that stands for it: a likeness where there is one, else a question mark a character."""
    return "".join(letter if letter.isascii() else _PLAIN.get(letter, "?") for letter in text)


def _stand_in(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return plainer(error.object[error.start : error.end]), error.end


def survive_any_encoding() -> None:
    """Let standard output and error write likenesses in place of what they can't encode."""
    codecs.register_error(NAME, _stand_in)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=NAME)
