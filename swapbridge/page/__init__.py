"""The bench page: a local web page over the same public functions."""
