"""What a person reads: the session report and its figures, from the tables and the recordings they came from."""
