"""A session as it runs: the engine, its limits, what survives a crash, what the screen shows."""
