"""A folder into which a recorder saves a file after each trial: watched, read, and paired with the stimulus asked for."""
