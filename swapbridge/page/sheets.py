"""Page room: the needs list and the engine health sheet between their files and their forms; remarks in a file stay."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from swapbridge.core.engine_health import parse_health
from swapbridge.core.errors import InputError
from swapbridge.core.needs import parse_needs
from swapbridge.page.requests import CylinderRow, EngineRow, HealthRows, NeedRow, OilRow

ENGINES = ("donor", "host")
_NEED_TEXTS = ("module", "bus", "id", "how", "role", "signal", "note", "codes_found")
_ENGINE_NUMBERS = ("redline", "idle", "peak_torque")
_GEARBOX = ("most_torque", "shifts_at")
_CYLINDER = ("number", "supply", "cylinder", "compression", "air_heard")
SheetRows = list[tuple[int | None, dict[str, Any]]]
"""SheetRows of a list in a file: the place that each had in it, None for a new one, and its values."""


def need_rows(text: str, where: str) -> list[NeedRow]:
    """A needs list's text as rows of its form.

    Raises
    ------
    InputError
        It is no needs list; `where` names the file.
    """
    parse_needs(text, where)
    return [
        NeedRow(
            was=number,
            **{key: str(entry.get(key, "can" if key == "how" else "")) for key in _NEED_TEXTS},
            **{key: _shown(entry.get(key)) for key in ("period_ms", "length")},
            codes=", ".join(entry.get("codes", [])),
        )
        for number, entry in enumerate(tomllib.loads(text).get("need", []))
    ]


def with_needs(text: str, rows: Sequence[NeedRow], where: str) -> str:
    """The text of a needs list with the rows of its form written into it; a need that is gone leaves remarks behind.

    Parameters
    ----------
    text : str
        The file as it was when the form was loaded.
    rows : sequence of NeedRow
    where : str
        The file's name, for what is refused.

    Returns
    -------
    str
        Reads back as the rows say.

    Raises
    ------
    InputError
        A row can't be a need: which, and why.
    """
    there = tomllib.loads(text).get("need", []) if text.strip() else []
    kept = sorted(row.was for row in rows if row.was is not None)
    if len(set(kept)) < len(kept) or any(not 0 <= was < len(there) for was in kept):
        raise InputError(f"the form and {where} do not fit: load the page again")
    wanted: SheetRows = []
    for number, row in enumerate(rows, 1):
        values = _need_values(row, number)
        if row.was is not None and row.how == "can" and "how" not in there[row.was]:
            values["how"] = None
        wanted.append((None if row.was is None else kept.index(row.was), values))
    lines = [need.line for need in parse_needs(text, where)]
    if all(lines):
        text = _without(text, lines, set(range(len(there))) - set(kept))
        kept = list(range(len(kept)))
    else:
        wanted = [(None if was is None else kept[was], values) for was, values in wanted]
    return _checked(text, {"need": wanted}, where, parse_needs)


def _without(text: str, headers: Sequence[int], gone: set[int]) -> str:
    """The text without some tables: their header lines are given, and blank lines and remarks behind a table stay."""
    lines = text.split("\n")
    drop: set[int] = set()
    for place, (first, end) in enumerate(pairwise([*(h - 1 for h in headers), len(lines)])):
        last = end
        while last > first and (not lines[last - 1].strip() or lines[last - 1].lstrip().startswith("#")):
            last -= 1
        if place in gone:
            drop |= set(range(first, last))
    return "\n".join(line for number, line in enumerate(lines) if number not in drop)


def _need_values(row: NeedRow, number: int) -> dict[str, Any]:
    where = f"need {number} ({row.module or 'no module yet'})"
    texts = {key: getattr(row, key).strip() or None for key in _NEED_TEXTS}
    return {
        **texts,
        "period_ms": _number(row.period_ms, f"{where}: the period"),
        "length": _number(row.length, f"{where}: the length"),
        "codes": [code.strip() for code in row.codes.split(",") if code.strip()] or None,
    }


def health_rows(text: str, where: str) -> HealthRows:
    """A health sheet's text as its form; an engine that the file does not have is there with nothing measured.

    Raises
    ------
    InputError
        It is no health sheet; `where` names the file.
    """
    parse_health(text, where)
    data = tomllib.loads(text)
    there = {entry["which"]: entry for entry in data.get("engine", [])}
    return HealthRows(
        engines=[_engine_row(which, there.get(which, {})) for which in ENGINES],
        **{key: _shown(data.get("gearbox", {}).get(key)) for key in _GEARBOX},
    )


def _engine_row(which: Any, entry: Mapping[str, Any]) -> EngineRow:
    cylinders = enumerate(entry.get("cylinder", []))
    return EngineRow(
        which=which,
        unit=entry.get("unit", "psi"),
        **{key: _shown(entry.get(key)) for key in _ENGINE_NUMBERS},
        cylinders=[CylinderRow(was=n, **{key: _shown(one.get(key)) for key in _CYLINDER}) for n, one in cylinders],
        oil=[OilRow(was=n, after=one["after"], seen=one["seen"]) for n, one in enumerate(entry.get("oil", []))],
    )


def with_health(text: str, sheet: HealthRows, where: str) -> str:
    """The text of a health sheet with its form written into it.

    Parameters
    ----------
    text : str
        The file as it was when the form was loaded.
    sheet : HealthRows
    where : str
        The file's name, for what is refused.

    Returns
    -------
    str
        Reads back as the form says.

    Raises
    ------
    InputError
        A reading can't be: which engine, which cylinder, why.
    """
    data = tomllib.loads(text) if text.strip() else {}
    there = {entry["which"]: (place, entry) for place, entry in enumerate(data.get("engine", []))}
    engines: SheetRows = []
    for row in sheet.engines:
        values = _engine_values(row)
        place, old = there.pop(row.which, (None, {}))
        if place is not None and row.unit == "psi" and "unit" not in old:
            values["unit"] = None
        if place is not None or any(value for key, value in values.items() if key not in ("which", "unit")):
            engines.append((place, values))
    if there:
        raise InputError(f"the form and {where} do not fit: load the page again")
    gearbox = {key: _number(getattr(sheet, key), f"gearbox: {key}") for key in _GEARBOX}
    return _checked(text, {"engine": engines, "gearbox": gearbox}, where, parse_health)


def _engine_values(row: EngineRow) -> dict[str, Any]:
    return {
        "which": row.which,
        "unit": row.unit,
        **{key: _number(getattr(row, key), f"{row.which}: {key}") for key in _ENGINE_NUMBERS},
        "cylinder": [(one.was, _cylinder_values(one, row.which)) for one in row.cylinders],
        "oil": [(one.was, {"after": one.after, "seen": one.seen}) for one in row.oil],
    }


def _cylinder_values(row: CylinderRow, which: str) -> dict[str, Any]:
    where = f"{which}, cylinder {row.number or 'without a number'}"
    numbers = {key: _number(getattr(row, key), f"{where}: {key}") for key in _CYLINDER if key != "air_heard"}
    return {**numbers, "air_heard": row.air_heard or None}


def _checked(text: str, values: Mapping[str, Any], where: str, parse: Callable[[str, str], object]) -> str:
    """The text with values laid into it, refused unless it reads back as exactly these."""
    try:
        document = tomlkit.parse(text)
        _lay_values(document, values)
        new = tomlkit.dumps(document)
    except TOMLKitError as error:
        raise InputError(f"{where} is not TOML ({error}): correct it in an editor") from None
    parse(new, where)
    if tomllib.loads(new) != _plain(values):
        raise InputError(f"{where} is laid out in a way that this form can't write; edit it as text")
    return new


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    """What a file with these values holds: kept rows in their order, then new ones; nothing where there is nothing."""
    out = {}
    for key, value in values.items():
        if isinstance(value, Mapping):
            value = _plain(value)
        elif _is_rows(value):
            value = [_plain(one) for _, one in _in_order(value)]
        if value is not None and value != [] and value != {}:
            out[key] = value
    return out


def _is_rows(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, tuple) for one in value)


def _in_order(rows: SheetRows) -> SheetRows:
    return sorted(rows, key=lambda row: math.inf if row[0] is None else row[0])


def _lay_values(holder: Any, values: Mapping[str, Any]) -> None:
    """Values laid into a table, where they differ from what is there; None takes a key away."""
    for key, value in values.items():
        if isinstance(value, Mapping):
            if not _plain(value):
                holder.pop(key, None)
            elif key in holder:
                _lay_values(holder[key], value)
            else:
                holder[key] = _made(tomlkit.table(), value)
        elif _is_rows(value):
            _lay_rows(holder, key, _in_order(value))
        elif value is None:
            holder.pop(key, None)
        elif key not in holder or holder[key] != value:
            holder[key] = value


def _lay_rows(holder: Any, key: str, rows: SheetRows) -> None:
    old = holder.get(key)
    kept = {was: values for was, values in rows if was is not None}
    if not rows:
        holder.pop(key, None)
    elif isinstance(old, AoT):
        for place in reversed(range(len(old))):
            if place in kept:
                _lay_values(old[place], kept[place])
            else:
                del old[place]
        for _, values in rows[len(kept) :]:
            old.append(_made(tomlkit.table(), values))
    elif old is not None and len(kept) == len(old) == len(rows):
        for place, values in kept.items():
            if old[place] != _plain(values):
                old[place] = _made(tomlkit.inline_table(), values)
    elif isinstance(holder, tomlkit.TOMLDocument) and old is None:
        tables = tomlkit.aot()
        for _, values in rows:
            tables.append(_made(tomlkit.table(), values))
        holder[key] = tables
    else:
        listed = tomlkit.array()
        for _, values in rows:
            listed.append(_made(tomlkit.inline_table(), values))
        holder[key] = listed.multiline(True)


def _made(table: Any, values: Mapping[str, Any]) -> Any:
    _lay_values(table, values)
    return table


def _shown(value: object) -> str:
    return "" if value is None else str(value)


def _number(text: str, what: str) -> int | float | None:
    """A number as typed; None where nothing is."""
    if not text.strip():
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{what} is {text[:40]!r}, which is not a number: write one such as 76.5")
    return int(value) if value == int(value) else value
