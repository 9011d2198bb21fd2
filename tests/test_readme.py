"""README's commands, taken from README and run: the two commands of a fresh machine, and the walk-through."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import site
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import cantools
import pytest
from canmatrix import ArbitrationId
from canmatrix.formats import loads_flat

from swapbridge.capture.read import read_capture
from swapbridge.demo.vehicle_maps import REFERENCE_NM, donor_map, host_map
from swapbridge.signalmap.accept import accept_findings, same_place
from swapbridge.signalmap.findings import findings_from_json
from swapbridge.signalmap.merge import same_scaling

TOP = Path(__file__).parent.parent
README = (TOP / "README.md").read_text(encoding="utf-8")
BLOCKS = [block.strip() for block in re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)]

PICTURES = re.findall(r"```text\n(.*?)```", README, flags=re.DOTALL)

GIT_LIST = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]


def test_two_commands_come_first() -> None:
    """One installs and runs the tour, the next installs with tests and passes them; `.ci/run` runs the second."""
    assert BLOCKS[0] == "python3 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/swapbridge tour"
    assert BLOCKS[1] == "python3 -m venv .venv && .venv/bin/pip install -q '.[test]' && .venv/bin/pytest"


def test_it_stays_short_and_its_pictures_fit() -> None:
    assert len(README.splitlines()) < 200
    assert len(README.split()) < 2000
    assert len(PICTURES) == 2
    assert max(len(line) for picture in PICTURES for line in picture.splitlines()) <= 100


DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_developers_page_stays_short() -> None:
    assert len(DEVELOPERS.splitlines()) < 200
    assert len(DEVELOPERS.split()) < 2000


def test_every_place_that_the_developers_page_names_exists() -> None:
    """Paths, from the top, the package or a room; and names in capitals, which are constants of the package."""
    ticked = re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", DEVELOPERS, flags=re.DOTALL))
    paths = [one for one in ticked if re.fullmatch(r"[\w.<>-]+(?:/[\w.<>-]*)+", one)]
    assert len(paths) > 40
    bases = [TOP, TOP / "swapbridge", *(path.parent for path in (TOP / "swapbridge").glob("*/__init__.py"))]
    for one in paths:
        pattern = one.replace("<name>", "*").rstrip("/")
        assert any(list(base.glob(pattern)) for base in bases), one
    code = "\n".join(path.read_text(encoding="utf-8") for path in (TOP / "swapbridge").rglob("*.py"))
    names = [one for one in ticked if re.fullmatch(r"_?[A-Z]{4,}", one)]
    assert len(names) >= 5
    assert [one for one in names if not re.search(rf"^{one}\b", code, re.MULTILINE)] == []


def test_the_rooms_of_the_developers_page_are_all() -> None:
    """One row a package, in any order."""
    rows = re.findall(r"^\| `swapbridge/(\w+)` \|", DEVELOPERS, re.MULTILINE)
    rooms = [path.parent.name for path in (TOP / "swapbridge").glob("*/__init__.py")]
    assert sorted(rows) == sorted(rooms)


def checkout(into: Path) -> Path:
    """A copy of what is or could be under version control, or of the source tree where there is none."""
    listed = subprocess.run(GIT_LIST, cwd=TOP, capture_output=True, text=True, check=False)
    names = listed.stdout.splitlines() if listed.returncode == 0 else []
    if not names:
        wanted = ("swapbridge", "signal_maps", "captures", "tests")
        names = [str(p.relative_to(TOP)) for w in wanted for p in (TOP / w).rglob("*") if p.is_file()]
        names += ["README.md", "DEVELOPERS.md", "pyproject.toml"]
    for name in names:
        if (TOP / name).is_file() and "__pycache__" not in name:
            target = into / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes((TOP / name).read_bytes())
    return into


def without_network() -> dict[str, str]:
    """Environment in which pip finds every requirement in the running interpreter's own packages."""
    packages = [p for p in (*site.getsitepackages(), site.getusersitepackages()) if os.path.isdir(p)]
    return {
        **{k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "PIP_", "COV_", "VIRTUAL_ENV"))},
        "PYTHONPATH": os.pathsep.join(packages),
        "PIP_NO_INDEX": "1",
        "PIP_NO_BUILD_ISOLATION": "0",  # as an environment variable this switches isolation off
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
    }


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """README's first command, word for word, in a fresh checkout without a network: the checkout, what was printed."""
    top = checkout(tmp_path_factory.mktemp("readme") / "fresh")
    first = BLOCKS[0].replace("python3", shlex.quote(sys.executable), 1)
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", first],
        cwd=top,
        env=without_network(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return top, done.stdout


@pytest.mark.long
@pytest.mark.timeout(900)
def test_first_command_installs_and_tours(fresh: tuple[Path, str]) -> None:
    """The tour leaves a whole swap folder and says plainly what came out."""
    top, printed = fresh
    assert "PASSED on the bench" in printed
    tour = top / "swap-tour"
    for name in ("plan.json", "proof.html", "proof.json", "signal_maps/host.dbc", "translator_c/bridge.c"):
        assert (tour / name).stat().st_size > 0, name
    summary = (tour / "SUMMARY.txt").read_text(encoding="utf-8")
    for step in ("Record", "Look", "Draft", "Compile", "Run", "Review", "Compile again", "Prove", "Run live"):
        assert f"\n{step} (" in summary
    assert max(len(line) for line in printed.splitlines()) <= 110
    where = subprocess.run(
        [top / ".venv" / "bin" / "python", "-c", "import swapbridge; print(swapbridge.__file__)"],
        cwd=tour,
        capture_output=True,
        text=True,
        check=True,
        env={k: v for k, v in without_network().items() if k != "PYTHONPATH"},
    )
    assert str(top / ".venv") in where.stdout  # the wheel, not the checkout


@pytest.mark.long
@pytest.mark.timeout(900)
def test_pictures_are_what_the_tour_prints(fresh: tuple[Path, str]) -> None:
    """Line by line; figures and reasons may differ by a judge more or a better guess, fields and bits may not."""

    def plain(line: str) -> str:
        return re.sub(r"\d+(?:[.,]\d+)*", "0", re.split(r"sure:|open:|: \d|PASSED on the bench\.", line.strip())[0])

    printed = {plain(line) for line in fresh[1].splitlines()}
    for picture in PICTURES:
        for line in picture.splitlines():
            assert plain(line) in printed, line


MAIN = ("engine_speed", "coolant_temp", "pedal", "vehicle_speed", "actual_torque")


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("side", ["host", "donor"])
@pytest.mark.parametrize("channel", MAIN)
def test_tour_finds_what_a_swap_stands_on(fresh: tuple[Path, str], side: str, channel: str) -> None:
    """Right bits, scale and offset on both buses, by the demo's own hand-written map, which guess never saw."""
    truth = host_map() if side == "host" else donor_map()
    name = "host_old_engine" if side == "host" else "donor_own_vehicle"
    findings = (fresh[0] / "swap-tour" / "findings" / f"{name}.json").read_text(encoding="utf-8")
    found = accept_findings(findings_from_json(findings)).signal_map
    claims = [(m, s) for m in found.messages for s in m.signals if s.evidence.get("stimulus") == channel and s.unit]
    assert claims, f"no claim for {channel}"
    message, signal = max(claims, key=lambda c: float(c[1].evidence["confidence"]))
    mine = truth.by_word(message.word)
    assert mine is not None
    twin = next((t for t in mine.signals if same_place(t, signal)), None)
    assert twin is not None, f"{channel} claimed at {message.label} {signal.layout}, where no signal is"
    if twin.unit == "%" and signal.unit == "Nm":  # percent of the reference torque that the map states
        twin = replace(twin, scale=twin.scale * REFERENCE_NM / 100, offset=twin.offset * REFERENCE_NM / 100, unit="Nm")
    assert same_scaling(twin, signal), f"{channel}: {signal.scale} {signal.offset} {signal.unit}"


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("side", ["host", "donor"])
def test_tours_maps_are_read_by_two_independent_readers(fresh: tuple[Path, str], side: str) -> None:
    """cantools and canmatrix decode the tour's capture through the tour's map to the same values."""
    tour = fresh[0] / "swap-tour"
    content = (tour / "signal_maps" / f"{side}.dbc").read_bytes()
    name = "host_old_engine" if side == "host" else "donor_own_vehicle"
    capture = read_capture(tour / "captures" / f"{name}.log.gz").select(slice(20_000, 60_000, 29))
    first: Any = cantools.database.load_string(content.decode("cp1252"), "dbc")
    second: Any = loads_flat(content, import_type="dbc")
    known = {message.frame_id for message in first.messages}
    compared = 0
    for identifier, length, payload in zip(capture.identifier, capture.length, capture.payload, strict=True):
        if int(identifier) not in known:
            continue
        data = payload[:length].tobytes()
        theirs = first.decode_message(int(identifier), data, decode_choices=False)
        frame = second.frame_by_id(ArbitrationId(int(identifier), False))
        also = {key: float(value.phys_value) for key, value in frame.decode(data).items()}
        for key, value in theirs.items():
            assert also[key] == pytest.approx(float(value), abs=1e-9)
            compared += 1
    assert compared > 3000


@pytest.mark.long
@pytest.mark.timeout(900)
def test_walk_through_runs_as_it_stands(fresh: tuple[Path, str], tmp_path: Path) -> None:
    """Steps 3 to 8 of README inside the folder that the tour leaves behind, each a process of its own."""
    swap = tmp_path / "swap"
    shutil.copytree(fresh[0] / "swap-tour", swap)
    env = {**os.environ, "PYTHONPATH": str(TOP)}
    begin = README.index("## A first swap, step by step")
    section = README[begin : README.index("\n## ", begin + 5)]
    lines = [line for b in re.findall(r"```sh\n(.*?)```", section, flags=re.DOTALL) for line in b.splitlines()]
    assert lines[0] == "swapbridge new my-swap"
    assert len(lines) >= 12
    for line in lines[1:]:
        words = shlex.split(line)
        assert words[0] == "swapbridge"
        called = [sys.executable, "-m", *words]
        done = subprocess.run(called, cwd=swap, env=env, capture_output=True, text=True, check=False, input="y\n")
        assert done.returncode == 0, line + "\n" + done.stdout[-2000:] + done.stderr[-2000:]
