"""Everything that touches python-can buses."""
