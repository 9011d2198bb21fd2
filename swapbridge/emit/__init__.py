"""A plan as C99: the translator's text, its harness and examples, and the same C run from Python."""

from swapbridge.emit.program import emit_c

__all__ = ["emit_c"]
