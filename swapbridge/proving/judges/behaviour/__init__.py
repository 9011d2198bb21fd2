"""Judges of behaviour: what moved before moves now, in every state, and in doubt."""
