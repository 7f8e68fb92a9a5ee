"""Where sweeps come from."""
