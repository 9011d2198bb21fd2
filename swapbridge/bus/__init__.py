"""Everything that touches python-can buses: open, record, replay, run, scan-tool polling."""
