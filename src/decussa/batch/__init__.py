"""Many recordings: trial tables and what they sum up to."""
