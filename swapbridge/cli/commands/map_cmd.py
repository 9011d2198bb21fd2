"""Command line: `swapbridge map`: accept findings into a signal map; show, merge and export maps."""

from __future__ import annotations

import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import click

from swapbridge.cli.commands import map_set
from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.commands.map_notes import print_notes
from swapbridge.cli.screen.common import IdentifierType, console, print_line, table
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.core.identifier_words import format_identifier
from swapbridge.signalmap.accept import accept_findings
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.findings import Findings, findings_from_json
from swapbridge.signalmap.merge import merge_maps
from swapbridge.signalmap.signal_map import SignalMap
from swapbridge.signalmap.table import map_csv, map_json, map_rows
from swapbridge.swapfolder.paths import MAPS

FILE = click.Path(path_type=Path, dir_okay=False)
MOST_FINDINGS_BYTES = 256 << 20


@click.group()
def command() -> None:
    """Work with signal maps: accept findings, set what is missing, show, merge, export.

    A map is a DBC file that any DBC tool can read. How a signal was found, and how its counter or checksum is
    computed, is stored in comments and attributes.

    \b
    Example: swapbridge map accept findings.json --into signal_maps/host.dbc
    """


command.add_command(map_set.command)


@command.command()
@click.argument("findings", metavar="FINDINGS.json", type=FILE, callback=InFolder())
@click.option("--into", "into", metavar="MAP.dbc", type=FILE, required=True, help="Map to add to; created if missing.")
@click.option(
    "--min-confidence",
    metavar="SHARE",
    type=click.FloatRange(0.0, 1.0),
    default=0.9,
    show_default=True,
    help="Least confidence for a meaning, and least layout confidence for a layout.",
)
@click.option("--names", "names_file", metavar="FILE.toml", type=FILE, help="Names to assign, as described above.")
@click.option("--bus", metavar="NAME", help="Use this bus only.")
def accept(findings: Path, into: Path, min_confidence: float, names_file: Path | None, bus: str | None) -> None:
    """Add the findings of `swapbridge guess --json` to a signal map.

    Existing entries of the map are not changed; a finding at the same place only adds its evidence. Accepting the same
    findings twice changes nothing.

    \b
    A names file assigns names to messages and signals:
        "0C8" = "EngineData"
        "0C8.engine_speed" = "EngineSpeed"      (by channel, or by the name in the findings)

    \b
    Example: swapbridge map accept findings.json --min-confidence 0.95 --into signal_maps/host.dbc
    """
    old = load_map(into) if into.exists() else None
    print_notes(old)
    names = _names(names_file) if names_file is not None else None
    result = accept_findings(_findings(findings), old, min_confidence=min_confidence, names=names, bus=bus)
    save_map(result.signal_map, into)
    click.echo(
        f"{into}: {result.named} signals with meaning and {result.bare} as raw fields added, {result.constants} "
        f"constants, {result.confirmed} were there already, {result.left_out} left out (less sure than "
        f"{min_confidence:g})"
    )
    for conflict in result.conflicts:
        print_line(f"not taken: {conflict}")


@command.command()
@click.argument("signal_map", metavar="MAP.dbc", type=FILE, callback=InFolder(MAPS))
@click.option("--id", "ids", metavar="ID", type=IdentifierType(), multiple=True, help="Only this identifier.")
@click.option("--notes", is_flag=True, help="Only list what was corrected or left out when the map was read.")
def show(signal_map: Path, ids: tuple[tuple[int, bool], ...], notes: bool) -> None:
    """Show the content of a map: a DBC, KCD, SYM or ARXML file.

    Maps from other tools are read leniently: harmless faults are corrected, contradictory entries are left out, and
    --notes lists both.

    \b
    Example: swapbridge map show signal_maps/host.dbc --id 0C8
    """
    loaded = load_map(signal_map)
    if notes:
        click.echo("\n".join(loaded.notes) or f"{signal_map}: read without changes")
        return
    print_notes(loaded)
    wanted = {format_identifier(*i) for i in ids}
    rows = [r for r in map_rows(loaded) if not wanted or r["id"] in wanted]
    if not rows and wanted:
        raise InputError(f"{signal_map} has no message {', '.join(sorted(wanted))}: `swapbridge map show` lists them")
    kinds = Counter("counter" if s.counter else "checksum" if s.checksum else "signal" for s in _signals(loaded))
    click.echo(
        f"{signal_map.name}: {len(loaded.messages)} messages, {kinds['signal']} signals, {kinds['counter']} counters, "
        f"{kinds['checksum']} checksums"
    )
    screen = console()
    for message in loaded.messages:
        label = format_identifier(message.identifier, message.extended)
        if wanted and label not in wanted:
            continue
        period = f", every {float(message.period_ms):g} ms" if message.period_ms is not None else ""
        sender = f", from {', '.join(message.senders)}" if message.senders else ""
        click.echo(f"\n{label} {message.name}: {message.length} bytes{period}{sender}")
        mine = [r for r in rows if r["id"] == label]
        if mine:
            screen.print(table(["  signal", "bits", "value", "says", "how sure"], [_show_row(r) for r in mine]))


def _show_row(r: dict[str, str]) -> tuple[str, ...]:
    order = "big" if r["byte_order"] == "big_endian" else "little"
    bits = f"{r['start']}|{r['length']} {order}{' signed' if r['signed'] == 'yes' else ''}"
    value = "raw"
    if (r["scale"], r["offset"]) != ("1", "0") or r["unit"]:
        offset = "" if r["offset"] == "0" else f" {'-' if r['offset'][0] == '-' else '+'} {r['offset'].lstrip('-')}"
        value = f"raw x {r['scale']}{offset} {r['unit']}".strip()
    page = f"page {r['multiplexer']}" if r["multiplexer"] not in ("", "M") else ""
    details = "; ".join(p for p in (r["role"].rsplit(".", 1)[-1], r["integrity"], r["choices"], page) if p)
    return f"  {r['signal']}", bits, value, "multiplexer" if r["multiplexer"] == "M" else details, r["confidence"]


@command.command()
@click.argument("first", metavar="FIRST.dbc", type=FILE, callback=InFolder(MAPS))
@click.argument("second", metavar="SECOND.dbc", type=FILE, callback=InFolder(MAPS))
@click.option("--out", metavar="MAP.dbc", type=FILE, required=True, help="The merged map.")
def merge(first: Path, second: Path, out: Path) -> None:
    """Merge two maps of one bus.

    Where both describe the same bits the first map wins; what only the second contains (evidence, a checksum's
    method, a unit) is added. Every contradiction is listed.

    \b
    Example: swapbridge map merge signal_maps/host.dbc found.dbc --out signal_maps/host.dbc
    """
    maps = load_map(first), load_map(second)
    for loaded in maps:
        print_notes(loaded)
    result = merge_maps(*maps)
    save_map(result.signal_map, out)
    click.echo(
        f"{out}: {len(result.same)} signals in both, {result.only_first} only in {first.name}, {result.only_second} "
        f"only in {second.name}"
    )
    for difference in result.differences:
        print_line(f"differs: {difference}")


@command.command()
@click.argument("signal_map", metavar="MAP.dbc", type=FILE, callback=InFolder(MAPS))
@click.option("--out", metavar="FILE", type=FILE, required=True, help="FILE.dbc, FILE.csv or FILE.json.")
def export(signal_map: Path, out: Path) -> None:
    """Write a map (a DBC, KCD, SYM or ARXML file) as a clean DBC, a CSV table or JSON.

    \b
    Example: swapbridge map export signal_maps/host.dbc --out host.csv
    """
    loaded = load_map(signal_map)
    print_notes(loaded)
    kind = out.suffix.lower()
    if kind == ".dbc":
        save_map(loaded, out)
    elif kind in (".csv", ".json"):
        text = map_csv(loaded) if kind == ".csv" else map_json(loaded)
        with written_whole(out) as temporary:
            temporary.write_text(text, encoding="utf-8")
    else:
        raise InputError(
            f"--out {out.name}: a map is written as .dbc, .csv or .json; give the file one of these extensions"
        )
    click.echo(f"{out}: {len(loaded.messages)} messages")


def _signals(loaded: SignalMap) -> list[Any]:
    return [s for m in loaded.messages for s in m.signals]


def _findings(path: Path) -> Findings:
    try:
        if path.stat().st_size > MOST_FINDINGS_BYTES:
            raise InputError(f"{path} is larger than findings ever are: name what `swapbridge guess --json` wrote")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"findings {path} can't be read ({error.strerror}): name an existing file") from None
    except UnicodeDecodeError:
        raise InputError(
            f"{path} is not a text file: write findings with `swapbridge guess CAPTURE --json FILE`"
        ) from None
    try:
        return findings_from_json(text)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def _names(path: Path) -> dict[str, str]:
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"names file {path} can't be read ({error.strerror}): name an existing file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f'names file {path} is not TOML ({error}): write lines like "0C8" = "EngineData"') from None
    odd = [k for k, v in data.items() if not isinstance(v, str)]
    if odd:
        raise InputError(f'names file {path}: {odd[0]} has no name in quotes: write "{odd[0]}" = "NewName"')
    return data
