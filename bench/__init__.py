"""Measured claims: each row a ratio against a limit taken in the same run."""
