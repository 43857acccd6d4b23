"""The month-end: steps, checks, lock."""
