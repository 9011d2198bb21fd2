"""What a field measures: lag, fit, chance, scale and offset, confidence."""
