"""The cut of a payload into fields, multiplexers and kinds."""
