"""What a person types to find something in the books, read: an amount, an entry's number, words. Pure."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from coop.core.money import parse_cents

MOST_LETTERS = 80


@dataclass(frozen=True)
class Sought:
    """What the typed text may mean; all of what is set is looked for."""

    words: str
    amount_cents: int | None = None
    """Without a sign: an amount is found on either side."""
    entry_id: int | None = None


def read_sought(text: str) -> Sought:
    """`25.00` and `$1,250` are amounts; `#14` is an entry; `14` may be both; everything is words, too."""
    words = " ".join(text.split())[:MOST_LETTERS]
    number = words.removeprefix("#")
    entry_id = int(number) if number.isascii() and number.isdigit() and 0 < len(number) < 10 else None
    amount = None
    if words and not words.startswith("#"):
        with suppress(ValueError):
            amount = abs(parse_cents(words)) or None
    return Sought(words, amount, entry_id)
