"""Open formats in and out: what a file holds, where its stimuli are, and a way to cut sweeps without loading it whole."""
