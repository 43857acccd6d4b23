"""Tables as CSV: written for other programs, and days in what is read."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from datetime import date


def csv_text(heading: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A heading and its rows, each line ended as RFC 4180 has it. Texts that people typed are `defused` by the caller."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(heading)
    writer.writerows(rows)
    return out.getvalue()


def defused(text: str) -> str:
    """A text no spreadsheet takes for a formula: one that begins like one is led by an apostrophe.

    Source: the characters the OWASP page on CSV injection names (from memory).
    """
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") else text


def day_of(column: str, text: str) -> date:
    """A cell's day. Raises ValueError with a phrase that completes "row 3 "."""
    try:
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise ValueError(f"has the day {text!r} in the column {column}; write it like 2026-01-31.")
