"""What is on a bus: inventory, timing, load, bit activity, comparison of captures."""
