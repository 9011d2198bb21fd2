"""Capture room: python-can, imported without asammdf.

Where asammdf is installed python-can loads it for a reader that is not used here (`mf4` does better), and with it
pandas and more: a second at the start of every command, on a small computer many. Rooms that import python-can, or
something that does, import this first.
"""

import sys

_LOADED = "asammdf" in sys.modules
if not _LOADED:
    sys.modules["asammdf"] = None  # type: ignore[assignment]  # an import of it fails, which python-can is ready for
try:
    import can as can
finally:
    if not _LOADED:
        del sys.modules["asammdf"]

__all__ = ["can"]
