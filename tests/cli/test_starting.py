"""Nothing heavy is imported before it is needed: what each command loads, in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.demo.folder import write_demo_papers

HEAVY = ("numpy", "scipy", "polars", "can", "cantools", "starlette", "uvicorn", "jinja2", "matplotlib", "asammdf")

LOADED = """
import contextlib, io, sys
from swapbridge.cli.main import cli
with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
    cli(sys.argv[1:])
print(*sorted({{name.split(".")[0] for name in sys.modules}} & {heavy}))
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("starting")
    for part in ("captures", "signal_maps"):
        (folder / part).mkdir()
    write_demo_papers(folder)
    (folder / "plan.json").write_text(compile_bridge(folder / "bridge.toml").plan.to_json(), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("call", "loads"),
    [
        ("--help", ""),
        ("--version", ""),
        ("guide", ""),
        ("guide bridge-file", ""),
        ("new a-swap", ""),
        ("status", ""),
        ("map show signal_maps/host.dbc", "can cantools"),
        ("compile bridge.toml --out plan.json", "can cantools numpy"),
        ("emit --help", ""),
        ("stop --help", ""),
        ("draft --help", ""),
        ("dtc --help", "can cantools numpy"),
    ],
)
def test_what_a_command_loads(call: str, loads: str, folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOADED.format(heavy=set(HEAVY)), *call.split()],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    assert set(done.stdout.split()) <= set(loads.split())
