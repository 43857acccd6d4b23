"""Statements' lines as CSV for other programs: a line a row, its period before, its control totals after.

Only rows `line` have an amount, so the column's sum is that of the closing balances, which rows `closing` say one by one. What is
for information stands under `figure`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date

from coop.core.csv_text import csv_text, defused
from coop.core.money import format_cents, plain_cents
from coop.statements.documents import notes, original
from coop.statements.domain import SaleLine, StatementValue

HEADING = (
    *("row", "statement", "dealer", "section", "date", "ticket", "tag", "description", "quantity", "tag_price", "discount"),
    *("amount", "working", "figure"),
)


@dataclass(frozen=True)
class Row:
    """A row before it is written; texts as they were typed."""

    row: str
    statement: str = ""
    dealer: str = ""
    section: str = ""
    on: date | None = None
    ticket: str = ""
    tag: str = ""
    description: str = ""
    quantity: int | None = None
    tag_cents: int | None = None
    discount_cents: int | None = None
    amount_cents: int | None = None
    working: str = ""
    figure: str = ""

    @property
    def cells(self) -> tuple[str, ...]:
        return (
            self.row,
            defused(self.statement),
            defused(self.dealer),
            self.section,
            self.on.isoformat() if self.on else "",
            defused(self.ticket),
            defused(self.tag),
            defused(self.description),
            "" if self.quantity is None else str(self.quantity),
            _plain(self.tag_cents),
            _plain(self.discount_cents),
            _plain(self.amount_cents),
            defused(self.working),
            self.figure,
        )


def lines_csv(values: Iterable[StatementValue], *, scope: str, first_day: date, last_day: date) -> Iterator[str]:
    """The file piece by piece, a statement at a time. `scope` says whose lines they are: `mall MAIN`, `D01 at MAIN`."""
    yield csv_text(HEADING, [Row("period", description=scope, figure=f"{first_day} to {last_day}").cells])
    sums: dict[str, int] = {}
    statements = lines = closing = 0
    for value in values:
        rows = list(_lines(value))
        for row in rows:
            sums[row.section] = sums.get(row.section, 0) + (row.amount_cents or 0)
        statements, lines, closing = statements + 1, lines + len(rows), closing + value.closing_cents
        told = [
            *rows,
            _of(value, "closing", "closing balance", value.last_day, figure=_plain(value.closing_cents)),
            *_informed(value),
        ]
        yield csv_text((), [row.cells for row in told]).removeprefix("\r\n")
    totals = [
        ("statements", str(statements)),
        ("lines", str(lines)),
        *((section, _plain(cents)) for section, cents in sums.items()),
        ("all lines", _plain(sum(sums.values()))),
        ("closing balances", _plain(closing)),
    ]
    yield csv_text((), [Row("total", description=what, figure=figure).cells for what, figure in totals]).removeprefix("\r\n")


def _of(value: StatementValue, row: str, section: str, on: date | None, **cells: object) -> Row:
    return Row(row, value.number, value.dealer_code, section, on, **cells)  # type: ignore[arg-type]


def _lines(value: StatementValue) -> Iterator[Row]:
    """All that makes the closing balance."""
    yield _of(value, "line", "opening balance", value.first_day, amount_cents=value.opening_cents)
    for section, lines in (("sales", value.sales), ("returns", value.returns)):
        for line in lines:
            yield _of(
                value,
                "line",
                section,
                line.sold_on,
                ticket=line.ticket,
                tag=line.tag,
                description=line.description,
                quantity=line.quantity,
                tag_cents=line.tag_cents,
                discount_cents=line.discount_cents,
                amount_cents=line.price_cents,
                working=_working(section, line),
            )
    for owed in value.tax_owed:
        taxed = f"{owed.percent}% on {format_cents(owed.taxable_cents)}"
        yield _of(
            value, "line", "tax to file", None, description=owed.jurisdiction, amount_cents=owed.amount_cents, working=taxed
        )
    for charge in value.charges:
        yield _of(
            value,
            "line",
            f"charges, {charge.kind}",
            None,
            description=charge.label,
            amount_cents=charge.amount_cents,
            working=charge.working,
        )
    for paid in value.payments:
        yield _of(
            value,
            "line",
            f"payments, {paid.kind}" if paid.kind else "payments",
            paid.paid_on,
            description=paid.label,
            amount_cents=paid.amount_cents,
        )


def _working(section: str, line: SaleLine) -> str:
    back = f"gives back ticket {original(line)}" if line.returns else "untied"
    return "; ".join(filter(None, [back if section == "returns" else "", notes(line)]))


def _informed(value: StatementValue) -> Iterator[Row]:
    """What is no part of the balance."""

    def told(section: str, cents: int, description: str = "", working: str = "", on: date | None = None) -> Row:
        return _of(value, "information", section, on, description=description, working=working, figure=_plain(cents))

    yield told("to be paid", value.to_be_paid_cents, value.pay_how, " ".join(value.held), value.pay_on)
    yield told("carried forward", value.carried_cents)
    if value.deposit_cents:
        yield told("deposit held", value.deposit_cents)
    for tax in value.tax_collected:
        rate = f"{tax.percent}% on " if tax.percent else "on "
        yield told("tax collected", tax.amount_cents, tax.jurisdiction, rate + format_cents(tax.taxable_cents))
    for rent in value.next_rent:
        yield told("next month's rent", rent.amount_cents, rent.label, rent.working)
    for layaway in value.layaways:
        words = f"layaway {layaway.number}, due on {layaway.due_on}"
        yield told("layaway pending", layaway.price_cents, layaway.item, words, layaway.agreed_on)
    for figure in value.year:
        yield told("year to date", figure.total_cents, figure.what)


def _plain(cents: int | None) -> str:
    return "" if cents is None else plain_cents(cents)
