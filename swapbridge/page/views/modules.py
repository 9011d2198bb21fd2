"""Page room: the board of modules: who answers, what they say, before and after the engine computer came out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.asking.changes import ModuleChange, compare_answers, complaining
from swapbridge.asking.module_answers import Answers, Code, read_answers
from swapbridge.core.errors import InputError, SwapbridgeError
from swapbridge.page.site import Site
from swapbridge.swapfolder.paths import CODES

NEWS = {"appeared": "appeared", "gone": "gone", "stayed": "as before", "unknown": "unknown now"}
"""What became of a code between two files."""


@dataclass(frozen=True, slots=True)
class ModuleLine:
    """One code on the board, and what became of it ("" where only one file is looked at)."""

    code: Code
    news: str


@dataclass(frozen=True, slots=True)
class Card:
    """One module on the board."""

    name: str
    place: str
    state: str
    identification: dict[str, str]
    lines: tuple[ModuleLine, ...]
    remarks: tuple[str, ...]
    watches: tuple[str, ...]
    lamps: tuple[str, ...]


def routes(site: Site) -> list[Route]:
    """Routes of the board."""

    def show(request: Request) -> Response:
        files = _files(site)
        names = [path.name for path in files]
        first = request.query_params.get("before", "")
        second = request.query_params.get("after", names[-1] if names else "")
        wrong, missed = "", ""
        cards: tuple[Card, ...] = ()
        notes: tuple[str, ...] = ()
        try:
            if second:
                cards, missed, notes = _board(site, names, first, second)
        except SwapbridgeError as error:
            wrong = str(error)
        except RecursionError:
            wrong = "this file is nested too deeply to be read; ask the modules again with: swapbridge dtc"
        return site.page(
            request,
            "modules.html",
            files=names,
            before=first,
            after=second,
            cards=cards,
            missed=missed,
            notes=notes,
            wrong=wrong,
        )

    return [Route("/modules", show)]


def _files(site: Site) -> list[Path]:
    found = [p for p in site.folder_files.files(CODES, ".json") if p.is_file()]
    return sorted(found, key=lambda p: (p.stat().st_mtime_ns, p.name))


def _read(site: Site, names: list[str], name: str) -> Answers:
    if name not in names:
        raise InputError(f"codes/ holds no file {name!r}; load the page again to see what is there")
    return read_answers(site.folder_files.path(CODES, name))


def _board(site: Site, names: list[str], first: str, second: str) -> tuple[tuple[Card, ...], str, tuple[str, ...]]:
    after = _read(site, names, second)
    if not first:
        alone = (ModuleChange(None, module, stayed=module.codes) for module in after.modules)
        return tuple(_card(change, "answers", news=False) for change in alone), "", _notes(after)
    changes = compare_answers(_read(site, names, first), after)
    cards = []
    for change in changes.modules:
        state = "answers" if change.after is not None else "silent now"
        state = "answers since" if change.before is None else state
        cards.append(_card(change, state, news=True))
    missed = {code.missed for one in complaining(changes) for code in one.appeared if code.missed}
    who = ", ".join(one.module.name for one in complaining(changes))
    words = f"{', '.join(sorted(missed))}: reported missing or wrong by {who}" if missed else ""
    return tuple(cards), words, _notes(after)


def _notes(answers: Answers) -> tuple[str, ...]:
    early = () if answers.ended_by == "done" else (f"Ended early: {answers.ended_by}.",)
    return (*early, *answers.notes)


def _card(change: ModuleChange, state: str, *, news: bool) -> Card:
    module = change.module
    lines = tuple(
        ModuleLine(code, words if news else "") for kind, words in NEWS.items() for code in getattr(change, kind)
    )
    place = f"J1939 address {module.answer}" if module.protocol == "J1939" else f"{module.request}, {module.answer}"
    reports_codes = any(what in module.asked for what in ("03", "19 02", "DM1"))
    return Card(
        module.name,
        place,
        state if reports_codes else f"{state}, reports no codes",
        dict(module.identification),
        lines,
        module.remarks,
        module.watches,
        module.lamps,
    )
