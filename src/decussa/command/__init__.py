"""The command line: thin calls, plain words, exit codes."""
