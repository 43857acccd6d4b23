"""Searches by OR-Tools for a booth re-laid: loaded by who solves only (a second, 94 MB), never by a web process."""
