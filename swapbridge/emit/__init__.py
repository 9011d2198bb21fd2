"""A plan as C99: the translator's text, its harness and examples, and the same C run from Python."""
