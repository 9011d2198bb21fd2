"""The tour: an invented engine swap from end to end."""
