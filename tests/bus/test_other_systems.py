"""What a system without Unix's modules would stumble over; nothing more than that can be tried here."""

from __future__ import annotations

import subprocess
import sys

SCRIPT = """
import importlib, pkgutil, sys
for name in ("fcntl", "termios", "tty", "pwd", "grp", "resource", "syslog", "readline", "curses"):
    sys.modules[name] = None
count = 0
import swapbridge
for module in pkgutil.walk_packages(swapbridge.__path__, "swapbridge."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
        count += 1
print(count)
"""


def test_no_module_needs_a_unix_module_to_be_imported() -> None:
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 200
