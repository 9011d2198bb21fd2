"""Facts and exact types every room shares: layouts, integrity methods, OBD, roles, units. Standard library only."""
