"""README's commands, taken from README and run: the two commands of a fresh machine, and the walk-through."""

from __future__ import annotations

import os
import re
import shlex
import site
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent
README = (TOP / "README.md").read_text(encoding="utf-8")
BLOCKS = [block.strip() for block in re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)]


def test_two_commands_come_first() -> None:
    """One installs and runs the tour, the next installs with tests and passes them; `.ci/run` runs the second."""
    assert BLOCKS[0] == "python3 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/swapbridge tour"
    assert BLOCKS[1] == "python3 -m venv .venv && .venv/bin/pip install -q '.[test]' && .venv/bin/pytest"


def checkout(into: Path) -> Path:
    """A copy of what is under version control, or of the source tree where there is none."""
    listed = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=False)
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


@pytest.mark.long
@pytest.mark.timeout(900)
def test_first_command_installs_and_tours(tmp_path: Path) -> None:
    """Word for word, in a fresh checkout, without a network: the tour leaves a whole swap folder and says so."""
    top = checkout(tmp_path / "fresh")
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
    assert "PROVED on the bench" in done.stdout
    tour = top / "swap-tour"
    for name in ("SUMMARY.txt", "plan.json", "proof.html", "proof.json", "signal_maps/host.dbc", "findings/donor.json"):
        assert (tour / name).stat().st_size > 0, name
    installed = subprocess.run(
        [top / ".venv" / "bin" / "python", "-c", "import swapbridge; print(swapbridge.__file__)"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        env={k: v for k, v in without_network().items() if k != "PYTHONPATH"},
    )
    assert str(top / ".venv") in installed.stdout  # the wheel, not the checkout


@pytest.mark.long
@pytest.mark.timeout(900)
def test_walk_through_runs_as_it_stands(tmp_path: Path) -> None:
    """Steps 3 to 8 of README inside the folder that a tour leaves behind, each a process of its own."""
    env = {**os.environ, "PYTHONPATH": str(TOP)}
    called = [sys.executable, "-m", "swapbridge"]
    words = [*called, "tour", "--folder", "t"]
    tour = subprocess.run(words, cwd=tmp_path, env=env, capture_output=True, text=True, check=False)
    assert tour.returncode == 0, tour.stdout[-3000:] + tour.stderr[-3000:]
    begin = README.index("## A first swap, step by step")
    section = README[begin : README.index("\n## ", begin + 5)]
    lines = [line for b in re.findall(r"```sh\n(.*?)```", section, flags=re.DOTALL) for line in b.splitlines()]
    assert lines[0] == "swapbridge new my-swap"
    assert len(lines) >= 12
    for line in lines[1:]:
        words = shlex.split(line)
        assert words[0] == "swapbridge"
        done = subprocess.run(
            [*called, *words[1:]], cwd=tmp_path / "t", env=env, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, line + "\n" + done.stdout[-2000:] + done.stderr[-2000:]
