"""The verdict and what comes out of it: page, text, JSON, JUnit."""
