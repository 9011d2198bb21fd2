"""Finding signals: counters, checksums, multiplexers, field boundaries, meaning, confidence."""
