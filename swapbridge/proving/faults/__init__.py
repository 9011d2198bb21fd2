"""What goes wrong on a bus, alone and in pairs, and the runs that are judged."""
