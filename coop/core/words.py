"""How a list reads in a sentence."""

from __future__ import annotations

from collections.abc import Sequence


def joined(words: Sequence[str], last: str = "and") -> str:
    """`Booth 12, Booth 14 and Case C3`; `or` for another last word. Nothing of nothing."""
    return f" {last} ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))
