"""A plan as C99: the translator's text, its harness and examples, and the same C run from Python."""

from swapbridge.emit.files import write_files
from swapbridge.emit.native import NativeTranslator, SentColumns
from swapbridge.emit.program import emit_c

__all__ = ["NativeTranslator", "SentColumns", "emit_c", "write_files"]
