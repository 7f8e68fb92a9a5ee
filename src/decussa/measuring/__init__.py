"""Quantities: arrays in, numbers out. No clock, no disk, no randomness."""
