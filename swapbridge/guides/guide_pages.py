"""Guides room: the pages, with their cautions in front and their tables filled from the code that they describe."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable
from importlib.resources import files

from swapbridge.compiler.expressions.functions import FUNCTIONS
from swapbridge.core.cautions import Occasion, cautions_for
from swapbridge.core.errors import InputError
from swapbridge.core.roles import ROLES
from swapbridge.core.units import SPELLINGS

STAGES = (
    "first-contact",
    "recordings",
    "what-do-the-modules-say",
    "reading-a-guess",
    "calibrate-a-gauge",
    "find-what-a-module-needs",
    "writing-a-bridge",
    "reading-a-verdict",
    "first-start",
    "gateway",
    "trouble",
)
"""Pages for the garage, in the order of the work."""

REFERENCE = (
    "swap-folder",
    "record-and-run",
    "bridge-file",
    "expressions",
    "language-rules",
    "learned-rules",
    "roles",
    "map-attributes",
    "j1939",
    "board",
    "browser-page",
)
"""Reference pages."""

TOPICS = (*STAGES, *REFERENCE)

WRAP_COLUMNS = 78

_CAUTIONS = re.compile(r"<!-- cautions: (listen|ask|send|none) -->\n")
_TABLE = re.compile(r"<!-- table: (\w+) -->\n")
_OCCASIONS: dict[str, Occasion] = {"listen": "listen", "ask": "ask", "send": "send"}

_IN_DOUBT = {
    "invalid or high": "'invalid', otherwise the high end",
    "invalid or low": "'invalid', otherwise the low end",
    "hold then zero": "'invalid', otherwise the last value for 500 ms, then zero or off",
    "last": "the last value, without time limit",
    "choice": "must be stated",
    "stated": "must be stated, or the signal is never sent",
    "in gear": "'in gear'",
    "ramp to none": "ramps out to the stated 'none' within half a second",
}
"""What a role's fallback means, where its name does not say it."""


def page_text(topic: str) -> str:
    """A page as Markdown, its cautions in front, its tables filled.

    Raises
    ------
    InputError
        There is no such page.

    Examples
    --------
    >>> page_text("roles").splitlines()[0]
    '# Roles and their safe answers'
    """
    if topic not in TOPICS:
        raise InputError(f"there is no page {topic!r}; there are {', '.join(TOPICS)}")
    text = files("swapbridge.guides").joinpath("pages", f"{topic}.md").read_text(encoding="utf-8")
    found = _CAUTIONS.search(text)
    occasion = _OCCASIONS.get(found.group(1)) if found is not None else None
    boxes = [
        textwrap.fill(f"**{one.title}.** {one.text}", WRAP_COLUMNS, initial_indent="> ", subsequent_indent="> ")
        for one in (cautions_for(occasion) if occasion else ())
    ]
    text = _CAUTIONS.sub(lambda _: "\n" + "\n>\n".join(boxes) + "\n" if boxes else "", text, count=1)
    return _TABLE.sub(lambda table: TABLES[table.group(1)](), text)


def page_title(topic: str) -> str:
    """The page's heading."""
    return page_text(topic).splitlines()[0].lstrip("# ")


def _functions() -> str:
    rows = [f"| `{function.usage}` | {function.words} |" for function in FUNCTIONS.values()]
    return "\n".join(("| function | gives |", "| --- | --- |", *rows)) + "\n"


def _units() -> str:
    names = dict.fromkeys(unit.name for unit in SPELLINGS.values() if unit.name)
    return textwrap.fill(", ".join(f"`{name}`" for name in names) + ".", WRAP_COLUMNS, break_on_hyphens=False) + "\n"


def _roles() -> str:
    groups: dict[str, list[str]] = {}
    for role in ROLES:
        groups.setdefault(role.fallback, []).append(f"`{role.alias}`")
    rows = [f"| {', '.join(aliases)} | {_IN_DOUBT.get(doubt, doubt)} |" for doubt, aliases in groups.items()]
    return "\n".join(("| role | safe answer |", "| --- | --- |", *rows)) + "\n"


TABLES: dict[str, Callable[[], str]] = {"functions": _functions, "units": _units, "roles": _roles}
"""What a page may ask for by ``<!-- table: NAME -->``."""
