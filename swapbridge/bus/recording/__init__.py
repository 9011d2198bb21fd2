"""Recording both buses while known things are done to the vehicle."""
