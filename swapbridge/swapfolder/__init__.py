"""A swap folder: its paths, where the swap stands, the engine health sheet."""
