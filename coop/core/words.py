"""How a list reads in a sentence, and in what order codes stand in one."""

from __future__ import annotations

import re
from collections.abc import Sequence


def joined(words: Sequence[str], last: str = "and") -> str:
    """`Booth 12, Booth 14 and Case C3`; `or` for another last word. Nothing of nothing."""
    return f" {last} ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def natural(code: str) -> tuple[tuple[int, int, str], ...]:
    """A key of codes: `9` before `10`, `A2` before `A10`, figures before letters."""
    return tuple((0, int(digits), "") if digits else (1, 0, word) for digits, word in re.findall(r"(\d+)|(\D+)", code))
