"""A person made of motor units, for rehearsal and for tests: seeded, and independent of everything that estimates.

The physiology has shapes and curves of its own; nothing here imports ``measure`` or ``estimate``.
"""
