"""The browser page: a local web page over the same public functions."""
