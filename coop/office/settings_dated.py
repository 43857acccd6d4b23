"""Every house rule as the page Settings says it: one sentence with its value today, since when, and what is coming."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from coop.core.templating import day

Value = TypeVar("Value")


@dataclass(frozen=True)
class Said:
    """A house rule in a sentence."""

    name: str
    sentence: str
    since: str = ""
    """`since Nov 3, 2026`; empty where it always was so."""
    coming: tuple[str, ...] = ()
    """What is set for later days, a sentence each."""
    address: str = ""
    """Of the page where this one is changed, where the chapter has no page of its own."""


@dataclass(frozen=True)
class Chapter:
    """Rules that are changed on one page."""

    title: str
    rules: Sequence[Said]
    address: str
    """Of that page."""
    words: str
    """What its link says."""
    note: str = ""
    manager_only: bool = False
    """Its page is the manager's alone."""


def said(
    name: str,
    dated: Iterable[tuple[date, Value]],
    say: Callable[[Value], str],
    today: date,
    *,
    usual: str,
    address: str = "",
) -> Said:
    """A rule from its dated values, the earliest first. `usual` is said while none is in force.

    Its day is that from which the sentence has been the same; what is coming is told where the sentence changes.
    """
    sentence, since, coming, last = usual, None, [], usual
    for starts_on, value in dated:
        words = say(value)
        if starts_on > today:
            if words != last:
                coming.append(f"From {day(starts_on)}: {words}")
        elif words != sentence or since is None:
            sentence, since = words, starts_on
        last = words
    return Said(name, sentence, f"since {day(since)}" if since else "as is usual", tuple(coming), address)
