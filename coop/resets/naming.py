"""Names of pieces and sets: as they are kept, and as they are compared."""

from __future__ import annotations


def one_line(text: str) -> str:
    """A name without needless blanks."""
    return " ".join(text.split())


def name_key(text: str) -> str:
    """What two names that people would call the same have in common."""
    return one_line(text).casefold()
