"""Signal maps (DBC) in and out, with their evidence, and bulk decoding of captures."""
