"""Command line: `swapbridge dtc`."""

from __future__ import annotations

import itertools
import sys
import threading
from collections.abc import Iterable
from pathlib import Path

import click

from swapbridge.asking.ask import Protocol, Questions, ask, heard_words
from swapbridge.asking.changes import Changes, ModuleChange, codes_of_needs, compare_answers, complaining
from swapbridge.asking.decode_answers import read_texts
from swapbridge.asking.module_answers import Answers, Code, Module, read_answers, write_answers
from swapbridge.asking.speed import speed_reader
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.capture.naming import recordings
from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.commands.options import bus_option, cautions_option, chosen_buses, config_option
from swapbridge.cli.screen.common import console, print_line, table
from swapbridge.cli.screen.read_captures import read_all
from swapbridge.cli.screen.terminal import acknowledge, signals
from swapbridge.core.errors import BusError, InputError, RefusedError
from swapbridge.core.files import written_whole
from swapbridge.core.identifier_words import identifier_word, parse_identifier
from swapbridge.core.needs import load_needs, with_codes
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.swapfolder.paths import CAPTURES, MAPS, find_swap_folder

FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("bus", required=False, metavar="[BUS]")
@bus_option
@config_option
@click.option(
    "--protocol",
    type=click.Choice(("auto", "obd", "j1939")),
    default="auto",
    show_default=True,
    help="obd (ISO 15765-4), j1939, or detected from the traffic.",
)
@click.option(
    "--address", "addresses", multiple=True, metavar="REQUEST:ANSWER", help="Address of a module, like 7A0:7A8."
)
@click.option("--name", "names", multiple=True, metavar="ANSWER=NAME", help="Name of a module, like 7EE=cluster.")
@click.option(
    "--recording",
    "files",
    multiple=True,
    type=FILE,
    callback=InFolder(CAPTURES),
    help="Recording of this bus: its identifiers are never used for requests (default: the swap folder's).",
)
@click.option("--map", "maps", multiple=True, type=FILE, callback=InFolder(MAPS), help="Map with the vehicle speed.")
@click.option("--texts", type=FILE, help="Table of texts for codes, with lines like P0128,Coolant thermostat.")
@click.option("--out", type=FILE, help="Write the answers to this file (default: in the swap folder's codes/).")
@click.option("--before", type=FILE, help="Earlier answers: show which codes appeared and which are gone.")
@click.option("--after", type=FILE, help="Later answers to compare with --before, instead of asking now.")
@click.option("--needs", type=FILE, help="Write the new codes into this needs list.")
@cautions_option
def command(
    bus: str | None,
    buses: tuple[str, ...],
    config: Path | None,
    protocol: Protocol,
    addresses: tuple[str, ...],
    names: tuple[str, ...],
    files: tuple[Path, ...],
    maps: tuple[Path, ...],
    texts: Path | None,
    out: Path | None,
    before: Path | None,
    after: Path | None,
    needs: Path | None,
    cautions_read: bool,
) -> None:
    """Read fault codes and identification from the modules on BUS. Nothing is cleared, written or switched.

    \b
    Example: swapbridge dtc host --bus host=socketcan:can0,bitrate=500000 --out codes/whole.json
    Example: swapbridge dtc --before codes/whole.json --after codes/unplugged.json --needs needs.toml

    Vehicle stationary, key on. Refused above 5 km/h and while a translator runs on that bus. BUS is only needed
    if several buses are configured.
    """
    if after is not None and before is None:
        raise click.UsageError("--after needs --before: name the answers to compare with")
    if needs is not None and before is None:
        raise click.UsageError("--needs needs --before: only codes that appeared since then belong to a need")
    old = None if before is None else read_answers(before)
    if after is not None:
        found = read_answers(after)
    else:
        spec = asked_bus(chosen_buses(buses, config), bus)
        questions = Questions(
            protocol=protocol,
            addresses=dict(read_address(text) for text in addresses),
            forbidden=heard_words(read_all({path: path for path in _recordings(files, spec)}).values()),
            names=dict(_name(text) for text in names),
            texts={} if texts is None else _texts(texts),
            speed_of=speed_reader(load_map(path) for path in maps),
        )
        acknowledge(cautions_read, "ask")
        found = _ask(spec, questions)
        out = out or _next_file(spec)
        if out is not None:
            write_answers(out, found)
            print_line(f"answers written to {out}")
    _show(found)
    if old is not None:
        changes = compare_answers(old, found)
        _show_changes(changes)
        if needs is not None:
            _into_needs(needs, changes)
    if found.ended_by != "done" and after is None:
        print_line(f"Ended early: {found.ended_by}.")
        sys.exit(2)


def asked_bus(specs: tuple[BusSpec, ...], wanted: str | None) -> BusSpec:
    """The bus that is meant, where one is needed.

    Raises
    ------
    InputError
        Several are named, and it isn't said which.
    """
    if wanted is None and len(specs) == 1:
        return specs[0]
    for spec in specs:
        if spec.name == wanted:
            return spec
    known = ", ".join(spec.name for spec in specs)
    raise InputError(f"name one bus: {known}")


def _recordings(files: tuple[Path, ...], spec: BusSpec) -> Iterable[Path]:
    folder = find_swap_folder()
    if files or folder is None:
        return files
    return [one.path for one in recordings(folder.captures) if one.kind.split(" ")[0] == spec.name]


def _next_file(spec: BusSpec) -> Path | None:
    """The next free name in the swap folder; None outside one."""
    folder = find_swap_folder()
    if folder is None:
        return None
    names = (folder.codes / f"{spec.name}-{number}.json" for number in itertools.count(1))
    return next(path for path in names if not path.exists())


def read_address(text: str) -> tuple[int, int]:
    """Answering and request word of ``REQUEST:ANSWER``.

    Raises
    ------
    InputError
        It is something else.
    """
    request, separator, answer = text.partition(":")
    if not separator:
        raise InputError(f"address {text!r} can't be read: write REQUEST:ANSWER, like 7A0:7A8")
    return identifier_word(*parse_identifier(answer)), identifier_word(*parse_identifier(request))


def _name(text: str) -> tuple[str, str]:
    answer, separator, name = text.partition("=")
    if not separator or not name.strip():
        raise InputError(f"name {text!r} can't be read: write ANSWER=NAME, like 7EE=cluster")
    return answer.strip().upper(), name.strip()


def _texts(path: Path) -> dict[str, str]:
    try:
        return read_texts(path.read_text(encoding="utf-8-sig"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path} can't be read ({error}): name a file with lines like P0128,Coolant") from None


def _ask(spec: BusSpec, questions: Questions) -> Answers:
    stop, shown = threading.Event(), set()

    def show(answers: Answers) -> None:
        for module in answers.modules:
            if module.answer not in shown:
                shown.add(module.answer)
                print_line(f"{module.name} answers ({module.answer})")

    with signals(SIGINT=stop, SIGTERM=stop, SIGHUP=stop):
        found = ask(spec, questions, show=show, stop=stop.is_set)
    if not found.modules and found.ended_by != "done":
        raise RefusedError(f"bus {spec.name}: {found.ended_by}")
    if not found.modules:
        raise BusError(f"bus {spec.name}: {'; '.join(found.notes)}")
    return found


def _show(found: Answers) -> None:
    screen = console()
    for module in found.modules:
        screen.print()
        screen.print(f"{module.name}  ({_where(module)})", style="bold", markup=False)
        for what, value in module.identification.items():
            screen.print(f"  {what}: {value}", markup=False)
        if module.lamps:
            screen.print(f"  lamp on: {', '.join(module.lamps)}", markup=False)
        network = [code for code in module.codes if code.about]
        others = [code for code in module.codes if not code.about]
        for title, codes in (("about other modules", network), ("other codes", others)):
            if codes:
                screen.print(table(("code", "meaning", "status"), [_row(code) for code in codes], title=f"  {title}"))
        if not module.codes:
            screen.print(f"  {_nothing(module)}", markup=False)
        if module.watches:
            screen.print(f"  can report missing modules: {', '.join(module.watches)}", markup=False)
        for words in module.remarks:
            screen.print(f"  - {words}", markup=False)
    screen.print()
    for words in found.notes:
        screen.print(f"- {words}", markup=False)
    sources = {code.source for module in found.modules for code in module.codes if code.source}
    for source in sorted(sources):
        screen.print(f"Texts {source}.", markup=False)


def _nothing(module: Module) -> str:
    if any(what in module.asked for what in ("03", "19 02", "DM1")):
        return f"no codes ({', '.join(module.asked)} answered)"
    return "did not report its codes"


def _where(module: Module) -> str:
    if module.protocol == "J1939":
        return f"J1939 address {module.answer}"
    return f"asked at {module.request}, answers at {module.answer}"


def _row(code: Code) -> tuple[str, str, str]:
    words = code.words + (f" [extended data {code.extended}]" if code.extended else "")
    return code.text, words, ", ".join(code.status)


def _show_changes(changes: Changes) -> None:
    screen = console()
    screen.print()
    screen.print(f"Since {changes.before.time}", style="bold", markup=False)
    for module in changes.silent:
        screen.print(f"  {module.name} ({module.answer}) answered before but not now", markup=False)
    for change in changes.modules:
        if change.after is None:
            continue
        new = " (did not answer before)" if change.before is None else ""
        rows = [(kind, *_row(code)) for kind, codes in _kinds(change) for code in codes]
        if rows or new:
            title = f"{change.module.name} ({change.module.answer}){new}"
            screen.print(table(("", "code", "meaning", "status"), rows, title=title))
    missed = {code.missed for change in complaining(changes) for code in change.appeared if code.missed}
    if missed:
        who = ", ".join(change.module.name for change in complaining(changes))
        screen.print(f"\n{', '.join(sorted(missed))}: reported missing or wrong by {who}", markup=False)
    if not any(change.appeared or change.gone for change in changes.modules):
        screen.print("  no code appeared or disappeared in the modules that answered both times", markup=False)


def _kinds(change: ModuleChange) -> Iterable[tuple[str, tuple[Code, ...]]]:
    return (("appeared", change.appeared), ("gone", change.gone), ("unknown now", change.unknown))


def _into_needs(path: Path, changes: Changes) -> None:
    found = codes_of_needs(changes, load_needs(path))
    if not found:
        print_line(
            f"no need in {path} names a module that complained: set `module` to that module's name, or use --name"
        )
        return
    text = with_codes(path.read_text(encoding="utf-8"), {one.need.line: (one.codes, one.found) for one in found})
    with written_whole(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
    print_line(f"{len(found)} needs in {path} now list the codes that their absence sets")
