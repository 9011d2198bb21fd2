"""Command line: `swapbridge prove`: judge a plan on the bench."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from swapbridge.cli.commands.find_files import InFolder, need_swap_folder
from swapbridge.cli.screen.common import WIDTH, console, print_line, progress_bar, table
from swapbridge.cli.screen.read_captures import read_all
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.plan.proof import EXIT_CODES
from swapbridge.proving.report.html import html_report
from swapbridge.proving.report.verdict_text import NEXT, area_rows, finding_lines, headline, junit_xml
from swapbridge.proving.verdict import Verdict
from swapbridge.swapfolder.paths import BRIDGE, HEALTH, NEEDS, PROOF, find_swap_folder
from swapbridge.swapfolder.proving import ProofFiles, ProofOptions, captures_of, load_plan, prove_files

ADVICE = "All results are advice: the vehicle's own manuals, local codes and licensed practice come first."
FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("plan", type=FILE, required=False, callback=InFolder())
@click.option("--donor", type=FILE, callback=InFolder("captures"), help="Capture of the donor in its own vehicle.")
@click.option("--host", type=FILE, callback=InFolder("captures"), help="Capture of the host with its old engine.")
@click.option("--capture", "others", multiple=True, metavar="BUS=FILE", help="Capture of another bus in the plan.")
@click.option("--unplugged", type=FILE, callback=InFolder("captures"), help="The host, old engine computer unplugged.")
@click.option("--bridge", "bridge_path", type=FILE, callback=InFolder(), help="Bridge file (default: beside the plan).")
@click.option("--needs", "needs_path", type=FILE, callback=InFolder(), help="Needs list (default: beside the plan).")
@click.option(
    "--faults",
    type=click.Choice(["none", "quick", "full"]),
    default="quick",
    show_default=True,
    help="Faults to inject: quick takes less than half a minute, full less than ten minutes.",
)
@click.option("--only", multiple=True, metavar="FAULT", help="Only this fault or pair, named as in the report.")
@click.option("--seed", default=0, show_default=True, help="Random seed; the report names it.")
@click.option(
    "--engine",
    type=click.Choice(["python", "c"]),
    default="python",
    show_default=True,
    help="Translator to judge: Python, or the C code for the board.",
)
@click.option(
    "--workers", type=click.IntRange(1, 64), help="Number of processes for the faults (default: one per core)."
)
@click.option("--real-time", default=2.0, show_default=True, help="Seconds on a virtual bus in real time; 0 for none.")
@click.option(
    "--model", type=click.Choice(["demo"]), help="Also drive a vehicle model in a closed loop: that of the demo swap."
)
@click.option("--report", type=FILE, help="Write an HTML report to view, print, or carry on a USB stick.")
@click.option("--junit", type=FILE, help="Write JUnit XML.")
@click.option("--json", "json_path", type=FILE, help="Also write the verdict as JSON to this file (as in proof.json).")
def command(
    plan: Path | None,
    donor: Path | None,
    host: Path | None,
    others: tuple[str, ...],
    unplugged: Path | None,
    bridge_path: Path | None,
    needs_path: Path | None,
    faults: str,
    only: tuple[str, ...],
    seed: int,
    engine: Literal["python", "c"],
    workers: int | None,
    real_time: float,
    model: str | None,
    report: Path | None,
    junit: Path | None,
    json_path: Path | None,
) -> None:
    """Prove PLAN on the bench: simulated buses, an exact reference, faults, timing.

    Exit code 0 is PASSED, 1 FAILED, 3 NOT PROVED: the recordings are not enough to decide.

    Example: swapbridge prove plan.json --donor donor.log --host host.log --report proof.html

    proof.json is written beside the plan; `run` asks for it.
    With --faults none, --only or --real-time 0 it is written only if something failed.
    """
    path = plan if plan is not None else need_swap_folder("plan").plan
    program = load_plan(path)
    bridge_file = bridge_path or _beside(path, BRIDGE)
    if bridge_file is None:
        raise InputError(f"no bridge file beside {path}: name the one it was compiled from with --bridge")
    named = {name: file for name, file in (("donor", donor), ("host", host)) if file is not None}
    named.update(_others(others))
    if not named:
        named, unplugged = _from_folder(path, [b.name for b in program.buses], unplugged)
    with progress_bar("Proving") as progress:
        verdict = prove_files(
            ProofFiles(path, bridge_file, needs_path or _beside(path, NEEDS), named, unplugged, _beside(path, HEALTH)),
            ProofOptions(faults, seed, only, engine, workers, real_time, model == "demo"),
            read=read_all,
            progress=progress,
        )
    if verdict.kept:
        _write(path.with_name(PROOF), verdict.to_json())
    else:
        print_line(
            f"{PROOF} was not written: this run left out {' and '.join(verdict.left_out)}, so it is not a complete "
            "proof"
        )
    if report is not None:
        _write(report, html_report(verdict))
    if junit is not None:
        _write(junit, junit_xml(verdict))
    if json_path is not None:
        _write(json_path, verdict.to_json())
    _show(verdict)
    if report is not None:
        print_line(f"Report: {report}")
    if not verdict.passed:
        raise SystemExit(EXIT_CODES[verdict.outcome])


def _show(verdict: Verdict) -> None:
    screen = console()
    screen.print(headline(verdict), style="bold", markup=False, soft_wrap=True)
    screen.print(table(["", "", "", ""], area_rows(verdict)))
    for line in finding_lines(verdict, min(screen.width, WIDTH)):
        screen.print(line, markup=False, soft_wrap=True)
    screen.print()
    for line in (NEXT[verdict.outcome], ADVICE):
        screen.print(line, markup=False)


def _others(given: tuple[str, ...]) -> dict[str, Path]:
    out = {}
    for text in given:
        name, found, file = text.partition("=")
        if not found or not name or not file:
            raise InputError(f"--capture {text!r} is not BUS=FILE: write --capture body=captures/body.log")
        out[name] = Path(file)
    return out


def _from_folder(plan: Path, buses: list[str], unplugged: Path | None) -> tuple[dict[str, Path], Path | None]:
    """Without any capture named: those of the swap folder around the plan, which is said."""
    folder = find_swap_folder(plan.absolute().parent)
    if folder is None:
        return {}, unplugged
    named, found = captures_of(folder.path, buses)
    unplugged = unplugged or found
    for file in [*named.values(), *([unplugged] if unplugged is not None else [])]:
        print_line(f"Using {file}")
    return named, unplugged


def _beside(path: Path, name: str) -> Path | None:
    beside = path.with_name(name)
    if beside.is_file():
        return beside
    folder = find_swap_folder()
    if folder is not None and (folder.path / name).is_file():
        return folder.path / name
    return None


def _write(path: Path, text: str) -> None:
    with written_whole(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
