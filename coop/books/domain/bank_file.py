"""A file of the bank as a value: its lines, its days, its closing balance; and the one way in which it is refused."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

MOST_BYTES = 8 * 1024 * 1024
"""Of one file: some years of a busy account."""
MOST_LINES = 20_000
MOST_FAULTS = 20
"""Named of one file; how many more there are is said."""


@dataclass(frozen=True)
class StatementLine:
    """One line as the bank says it; positive cents came into the account."""

    key: str
    """The same for the same line in another file of its kind."""
    on: date
    amount_cents: int
    reference: str
    """A check's number, a transfer's trace; empty where the bank says none."""
    words: str


@dataclass(frozen=True)
class StatementFile:
    """What a file holds, in the order of its lines' days."""

    kind: str
    """csv or ofx."""
    first_day: date
    last_day: date
    lines: tuple[StatementLine, ...]
    closing_cents: int | None
    """The bank's balance after the last day, where the file says it."""


class FileRefusedError(Exception):
    """Why nothing of a file is taken: a sentence for each fault."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = list(faults)
        more = len(self.faults) - MOST_FAULTS
        told = self.faults[:MOST_FAULTS] + ([f"And {more} more."] if more > 0 else [])
        super().__init__(" ".join(told))


_CHECK = re.compile(r"\b(?:check|chk|ck)\b[\s#:.]*(?:no\.?\s*)?(\d{2,10})\b", re.IGNORECASE)


def check_number(words: str) -> str:
    """The check's number in a line's words, where the bank has no column for it: `CHECK # 1042` is 1042."""
    found = _CHECK.search(words)
    return found[1] if found else ""


def plain(text: str) -> str:
    """One line of text without control characters and doubled spaces."""
    return " ".join(re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]", " ", text).split())


def short_hash(text: str) -> str:
    """Enough of a hash to tell lines of one day and amount apart."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]
