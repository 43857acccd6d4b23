"""Tables as CSV for other programs."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence


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
