"""Two translators on one bus are refused; a killed one leaves no lock behind."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from swapbridge.bus.adapters.lock import lock_folder, locked, shared_folder
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


@pytest.mark.parametrize(
    ("row", "own"),
    [
        ("36 35 98:0 / /tmp rw,noatime master:1 - ext4 /dev/root rw", False),
        ("36 35 0:41 / /tmp rw,nosuid - tmpfs tmpfs rw", False),
        ("36 35 0:24 /@tmp /tmp rw - btrfs /dev/sda2 rw,subvol=/@tmp", False),
        ("36 35 8:2 /tmp/systemd-private-1f2e-swap.service-Ab3/tmp /tmp rw - ext4 /dev/sda2 rw", True),
        ("36 35 0:41 /systemd-private-1f2e-swap.service-Ab3/tmp /tmp rw - tmpfs tmpfs rw", True),
        ("36 35 0:41 /systemd-private-1f2e-other.service-Ab3/tmp /somewhere rw - tmpfs tmpfs rw", False),
        ("36 35 8:2 /tmp-inst/user_u /tmp rw - ext4 /dev/sda2 rw", True),
        ("", False),
    ],
)
def test_a_tmp_of_its_own_is_no_place_to_be_found_in(row: str, own: bool, tmp_path: Path) -> None:
    """A service with PrivateTmp could be stopped from no other terminal, and would share no lock with anybody.

    Rows as proc(5) has them; what systemd and pam_namespace mount is from memory.
    """
    mounts = tmp_path / "mountinfo"
    mounts.write_text(f"22 1 8:2 / / rw - ext4 /dev/sda2 rw\n{row}\n")
    if own:
        with pytest.raises(RefusedError, match="PrivateTmp=no"):
            shared_folder("x", mounts)
    else:
        assert shared_folder("x", mounts).name == "x"
    assert shared_folder("x", tmp_path / "none").name == "x"
