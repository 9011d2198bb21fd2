"""From a plan to C99 and its harness."""
