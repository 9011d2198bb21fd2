"""Page room: the sheets view: the engine health sheet and the needs list as forms over their files."""

from __future__ import annotations

from pathlib import Path

import msgspec
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.core.engine_health import HEARD, OIL_FILLS, OIL_SEEN, UNITS, load_health, parse_health
from swapbridge.core.errors import InputError, SwapbridgeError
from swapbridge.core.needs import WAYS, load_needs
from swapbridge.core.roles import ROLES
from swapbridge.page.answers import EngineJudgement, HealthAnswer, JudgementAnswer, NeedsAnswer
from swapbridge.page.requests import HealthCheck, HealthRows, HealthSave, NeedRow, NeedsSave
from swapbridge.page.sheets import health_rows, need_rows, with_health, with_needs
from swapbridge.page.site import Posted, Site, answer
from swapbridge.swapfolder.paths import HEALTH, NEEDS, NEEDS_FOUND


def routes(site: Site) -> list[Route]:
    """Routes of the sheets view."""

    def show(request: Request) -> Response:
        choices = {"ways": WAYS, "units": UNITS, "heard": list(HEARD), "fills": OIL_FILLS, "oil": OIL_SEEN}
        return site.page(request, "sheets.html", roles=[role.alias for role in ROLES], choices=choices)

    def needs(request: Request) -> Response:
        return answer(_needs(site))

    def save_needs(request: Request, asked: NeedsSave) -> Response:
        path = site.folder_files.path(NEEDS)
        new = with_needs(_decoded(site.keeper.looked_at(path, asked.version), NEEDS), asked.needs, NEEDS)
        site.keeper.write(path, new.encode("utf-8"), what="edit the needs list", seen=asked.version, check=load_needs)
        return answer(_needs(site))

    def health(request: Request) -> Response:
        return answer(_health(site))

    def check_health(request: Request, asked: HealthCheck) -> Response:
        return answer(_judged(asked.sheet))

    def save_health(request: Request, asked: HealthSave) -> Response:
        path = site.folder_files.path(HEALTH)
        new = with_health(_decoded(site.keeper.looked_at(path, asked.version), HEALTH), asked.sheet, HEALTH)
        what = "edit the health sheet"
        site.keeper.write(path, new.encode("utf-8"), what=what, seen=asked.version, check=load_health)
        return answer(_health(site))

    return [
        Route("/sheets", show),
        Route("/api/needs", needs),
        Posted("/api/needs/save", NeedsSave, save_needs),
        Route("/api/health", health),
        Posted("/api/health/check", HealthCheck, check_health),
        Posted("/api/health/save", HealthSave, save_health),
    ]


def _decoded(content: bytes | None, name: str) -> str:
    try:
        return (content or b"").decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"{name} can't be read ({error}); write it as UTF-8 text") from None


def _needs(site: Site) -> NeedsAnswer:
    path = site.folder_files.path(NEEDS)
    content, version = site.keeper.read(path)
    rows: list[NeedRow] = []
    trouble = ""
    try:
        rows = need_rows(_decoded(content, NEEDS), NEEDS)
    except InputError as error:
        trouble = str(error)
    found = [] if content is not None else _found(site.folder_files.path(*NEEDS_FOUND.split("/")))
    return NeedsAnswer(
        version=version, undo=site.keeper.last_step(path), trouble=trouble,
        needs=msgspec.to_builtins(rows), found=msgspec.to_builtins(found),
    )  # fmt: skip


def _found(path: Path) -> list[NeedRow]:
    """What a comparison found missing, as rows that no file has yet."""
    try:
        text = path.read_text(encoding="utf-8")
        return [msgspec.structs.replace(row, was=None) for row in need_rows(text, path.name)]
    except (OSError, UnicodeDecodeError, SwapbridgeError):
        return []  # the status says what is wrong with it


def _health(site: Site) -> HealthAnswer:
    path = site.folder_files.path(HEALTH)
    content, version = site.keeper.read(path)
    trouble = ""
    try:
        sheet = health_rows(_decoded(content, HEALTH), HEALTH)
    except InputError as error:
        sheet, trouble = health_rows("", HEALTH), str(error)
    undo = site.keeper.last_step(path)
    return HealthAnswer(version=version, undo=undo, trouble=trouble, sheet=msgspec.to_builtins(sheet))


def _judged(sheet: HealthRows) -> JudgementAnswer:
    """What the readings say, by the rules of `core.engine_health`; a fault where one can't be."""
    try:
        found = parse_health(with_health("", sheet, HEALTH), HEALTH)
    except InputError as error:
        return JudgementAnswer(fault=str(error), engines=[])
    return JudgementAnswer(
        fault="",
        engines=[
            EngineJudgement(
                which=one.which, grade=one.grade, words=one.sentences(),
                leaks={
                    str(c.number): f"leaks {float(c.leakage_percent):.0f} %, {c.grade}"
                    for c in one.cylinders if c.leakage_percent is not None
                },
            )
            for one in found
        ],
    )  # fmt: skip
