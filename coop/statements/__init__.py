"""The statement as a value, its PDF and its mail."""
