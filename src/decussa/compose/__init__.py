"""Joins concrete parts: which source, which study, which plan, which pages."""
