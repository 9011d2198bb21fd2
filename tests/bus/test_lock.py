"""Two translators on one bus are refused; a killed one leaves no lock behind."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from swapbridge.bus.adapters.lock import lock_folder, locked
from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.core.errors import RefusedError

A, B, C = parse_bus("a=socketcan:can0"), parse_bus("b=socketcan:can1"), parse_bus("other=socketcan:can0")
HOLD = """
import sys, time
from pathlib import Path
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.spec import parse_bus
with locked([parse_bus("a=socketcan:can0")], Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


def test_the_same_wires_are_refused_under_any_name(tmp_path: Path) -> None:
    with locked([A, B], tmp_path), pytest.raises(RefusedError, match="already in use"), locked([C], tmp_path):
        pass
    with locked([C], tmp_path):
        pass


def test_between_processes_and_after_a_kill(tmp_path: Path) -> None:
    holder = subprocess.Popen([sys.executable, "-c", HOLD, tmp_path], stdout=subprocess.PIPE, text=True)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(RefusedError, match=f"process {holder.pid}"), locked([B, A], tmp_path):
        pass
    with locked([B], tmp_path):  # the failed try let go of what it had
        pass
    holder.kill()
    holder.communicate()
    with locked([A, B], tmp_path):
        pass


def test_the_usual_place_is_shared_by_all() -> None:
    assert lock_folder().name == "swapbridge-locks"
