"""Click commands, tables, progress and errors: no computation."""
