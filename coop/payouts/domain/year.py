"""A calendar year of every dealer, for the co-op's accountant: figures that add up, thresholds, and the table as CSV.

In cents. Of a dealer: opening + net - trade-ins - commission - rent - fees - paid + patronage + other = closing. What came from
paper beside the opening balances (memoranda) is added to gross, net, commission, rent, fees and paid, and said apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from operator import add

from coop.core.csv_text import csv_text, defused
from coop.core.money import plain_cents

PAYMENTS, RENTS, PATRONAGE = KINDS = ("payments", "rents", "patronage")
"""What a threshold is of."""
COMPARED: Mapping[str, str] = {
    PAYMENTS: "the larger of gross sales and what was paid to her",
    RENTS: "the rent she was charged",
    PATRONAGE: "her share of the surplus that was paid in cash",
}
"""The figure a threshold is held against. Of payments the larger of two, for rules differ on which of them counts."""
CAUTION = (
    "These are totals of the books, not tax forms. Which form is due, to whom and by what figure, an accountant decides; and so "
    "whether a threshold written here is the law's."
)


@dataclass(frozen=True)
class Figures:
    """A dealer's year, or a part of it."""

    sales: int = 0
    """Tickets on which something of hers was sold."""
    gross_cents: int = 0
    net_cents: int = 0
    """After discounts and returns."""
    trade_ins_cents: int = 0
    commission_cents: int = 0
    rent_cents: int = 0
    fees_cents: int = 0
    paid_cents: int = 0
    """Payouts, less those that came back."""
    patronage_cents: int = 0
    """In cash, credited to her account."""
    other_cents: int = 0
    """All else on her account, in her favor: payments, tax she files herself, corrections, opening balances."""
    opening_cents: int = 0
    closing_cents: int = 0

    def __add__(self, more: Figures) -> Figures:
        return Figures(*map(add, vars(self).values(), vars(more).values()))

    @property
    def reckoned_cents(self) -> int:
        """What the closing balance has to be."""
        taken = self.trade_ins_cents + self.commission_cents + self.rent_cents + self.fees_cents + self.paid_cents
        return self.opening_cents + self.net_cents - taken + self.patronage_cents + self.other_cents


@dataclass(frozen=True)
class Threshold:
    """From which yearly total on a dealer is looked at: `least_count` sales too, where it is above zero."""

    kind: str
    amount_cents: int
    least_count: int
    said_by: str
    from_year: int

    def reached(self, year: Figures) -> bool:
        compared = {
            PAYMENTS: max(year.gross_cents, year.paid_cents),
            RENTS: year.rent_cents,
            PATRONAGE: year.patronage_cents,
        }[self.kind]
        return compared > 0 and compared >= self.amount_cents and (self.kind != PAYMENTS or year.sales >= self.least_count)


@dataclass(frozen=True)
class YearRow:
    """One dealer's year: what the books have of it, and what came from paper."""

    dealer_id: int
    code: str
    name: str
    form: str
    """Her tax form on file; empty without."""
    number_last4: str
    books: Figures
    paper: Figures = Figures()
    reached: tuple[str, ...] = ()
    """Kinds of threshold she has reached."""

    @cached_property
    def whole(self) -> Figures:
        return self.books + self.paper


@dataclass(frozen=True)
class Control:
    """A total found in two ways: by the rows here, and by the ledger."""

    what: str
    rows_cents: int
    ledger_cents: int

    @property
    def ties(self) -> bool:
        return self.rows_cents == self.ledger_cents


@dataclass(frozen=True)
class YearTotals:
    """Every dealer's year, with what proves it and what may still change it."""

    year: int
    rows: tuple[YearRow, ...]
    controls: tuple[Control, ...]
    thresholds: tuple[Threshold, ...]
    unfinished: tuple[str, ...]
    """A sentence for each mall that has not closed the year."""

    # Summed once: a page asks for them at every figure of every dealer, which took a co-op of 500 twenty seconds.
    @cached_property
    def books(self) -> Figures:
        return summed(row.books for row in self.rows)

    @cached_property
    def paper(self) -> Figures:
        return summed(row.paper for row in self.rows)

    @cached_property
    def whole(self) -> Figures:
        return self.books + self.paper

    @property
    def has_paper(self) -> bool:
        return self.paper != Figures()


def summed(parts: Iterable[Figures]) -> Figures:
    return sum(parts, Figures())


# --- as CSV -------------------------------------------------------------------------------------------------------------

_MONEY = [one.name for one in fields(Figures) if one.name.endswith("_cents")]
HEADING = (
    "row",
    "dealer",
    "name",
    "tax form",
    "number ending",
    "reached",
    "sales",
    *(name.removesuffix("_cents").replace("_", " ") for name in _MONEY),
    "figure",
)


def year_csv(totals: YearTotals) -> str:
    """The year as rows: `period`, a `dealer` each with paper's part in it, that part again `of it on paper`, `total`, `control`.

    `control` rows give a total by the rows and, under `figure`, by the ledger.
    """
    unfinished = " ".join(totals.unfinished) or "closed at every mall"
    rows = [_row("period", name=f"{totals.year}-01-01 to {totals.year}-12-31", figure=unfinished)]
    for row in totals.rows:
        about = {"code": row.code, "name": row.name, "form": row.form, "last4": row.number_last4}
        rows.append(_row("dealer", row.whole, reached=", ".join(row.reached), **about))
        if row.paper != Figures():
            rows.append(_row("of it on paper", row.paper, code=row.code))
    rows.append(_row("total", totals.whole))
    if totals.has_paper:
        rows.append(_row("of it on paper", totals.paper))
    for control in totals.controls:
        said = _row(
            "control", name=f"{control.what}: {plain_cents(control.rows_cents)} here", figure=plain_cents(control.ledger_cents)
        )
        rows.append(said)
    for one in totals.thresholds:
        least = f", {one.least_count} sales or more" if one.least_count else ""
        rows.append(_row("threshold", name=f"{one.kind}{least}: {one.said_by}", figure=plain_cents(one.amount_cents)))
    rows.append(_row("caution", name=CAUTION))
    return csv_text(HEADING, rows)


def _row(
    kind: str,
    of: Figures | None = None,
    *,
    code: str = "",
    name: str = "",
    form: str = "",
    last4: str = "",
    reached: str = "",
    figure: str = "",
) -> Sequence[str]:
    figures = [""] * (1 + len(_MONEY)) if of is None else [str(of.sales), *(plain_cents(getattr(of, name)) for name in _MONEY)]
    return [kind, defused(code), defused(name), form, last4, reached, *figures, figure]
