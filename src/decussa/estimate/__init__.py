"""Estimates: from measured values to a number with its doubt. Pure: no clock, no disk, no global randomness."""
