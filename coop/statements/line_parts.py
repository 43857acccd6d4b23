"""What a page about one line of a statement is made of: facts, tables, and what does not agree with what was stated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.statements.domain import StatementValue
from coop.statements.models import Statement

SECTIONS = (
    "opening",
    "sales",
    "returns",
    "charges",
    "payments",
    "tax-owed",
    "closing",
    "next-rent",
    "turns",
    "layaways",
    "year",
    "tax",
)
"""Parts of a statement whose lines have a page each, by the name in its address."""
SINGLE = ("opening", "closing")
"""Of one line each."""
WHOLE = "whole"
"""The statement as a whole, of which a question may be asked too."""


@dataclass(frozen=True)
class Place:
    """A line of a statement: which part, and the number of the line in it, from 0."""

    number: str
    section: str
    n: int = 0

    @property
    def key(self) -> str:
        """As a question keeps it: `sales/3`, `opening`."""
        return self.section if self.section in SINGLE else f"{self.section}/{self.n}"


@dataclass(frozen=True)
class Fact:
    """A labelled sentence, and the line of a statement it leads to."""

    label: str
    words: str
    place: Place | None = None
    statement: str = ""
    """Or the statement as a whole it leads to."""


@dataclass(frozen=True)
class Row:
    """A row of a table: its first cell names it, its last is an amount."""

    cells: tuple[str, ...]
    place: Place | None = None
    statement: str = ""


@dataclass(frozen=True)
class Part:
    """A table of what a line is made of; `total` its last row."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    total: tuple[str, ...] = ()
    note: str = ""


@dataclass
class LinePage:
    """One line of a statement: as it was stated, and what it is made of."""

    place: Place
    heading: str
    kind: str
    """What it is: `Sale`, `Charge`."""
    amount_cents: int | None
    """As stated; None for what is no money."""
    facts: list[Fact] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    differs: list[str] = field(default_factory=list)
    """A sentence for each thing read today that does not agree with what was stated."""
    charge_id: int | None = None
    """The charge behind it, where it may be disputed."""

    def fact(self, label: str, words: str, place: Place | None = None, statement: str = "") -> None:
        if words:
            self.facts.append(Fact(label, words, place, statement))


@dataclass(frozen=True)
class Of:
    """Whose statement it is, of which month, and its value."""

    session: Session
    statement: Statement
    value: StatementValue
    mall: Mall
    dealer: Dealer

    @property
    def month(self) -> Month:
        return self.value.month

    def place(self, section: str, n: int = 0) -> Place:
        return Place(self.value.number, section, n)


def nth_equal(lines: Sequence[object], n: int, there: Sequence[object]) -> int | None:
    """Where in `there` stands what is line `n` of `lines`; of several equal ones the same in order. None: nowhere."""
    found = [i for i, one in enumerate(there) if one == lines[n]]
    before = list(lines[:n]).count(lines[n])
    return found[before] if before < len(found) else None
