"""Statistics over participants, sessions, raters, methods and sites: trial and summary tables in, results with intervals out."""
