"""Measured: what the line really did, beside what was forecast."""
