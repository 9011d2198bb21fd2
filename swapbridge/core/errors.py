"""Core room: the one root exception, and its children named after what the user can do about it.

Every message says what was wrong, where (file, line, message, signal) and the next step. The library raises
these; only the command line prints them.
"""


class SwapbridgeError(Exception):
    """Root of every error this toolkit raises on purpose."""


class InputError(SwapbridgeError):
    """A file or an argument can't be used as it is: correct the file or name another."""


class RefusedError(SwapbridgeError):
    """The input could be read, but doing as it asks would be wrong or unsafe: change what it asks for."""


class BusError(SwapbridgeError):
    """A bus or adapter can't be used: check wiring, power, bit rate and the interface's name."""


class MissingToolError(SwapbridgeError):
    """A program or optional package is not installed: install it or leave the option out."""
