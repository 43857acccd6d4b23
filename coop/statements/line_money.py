"""The other lines of a statement: balances, payments, tax, the year, layaways, turns, each with what it is made of."""

from __future__ import annotations

from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import undefer

from coop.books.models import Entry, Opening, OpeningMemo
from coop.core.periods import Month
from coop.core.templating import day, money, percent, short_day
from coop.sales.layaway_books import taxed_before_sale
from coop.sales.models import LayawayAgreement, Ticket
from coop.sales.queries import lines_of_dealer
from coop.statements.documents import said, sum_rows
from coop.statements.domain import from_json
from coop.statements.line_parts import LinePage, Of, Part, Place, Row, nth_equal
from coop.statements.line_sales import statement_of
from coop.statements.models import Statement
from coop.statements.payment_lines import WORDS, paid_by, worded
from coop.statements.wording import YEAR_LABELS, outcome, paid_rows
from coop.tax.dealer_tax import charged_to
from coop.tax.models import Jurisdiction, TaxCharged, TaxRate
from coop.tax.offices import Settings

PAYMENT_NOT_FOUND = (
    "The books' entries of this month are not those that were stated. What stands here is the statement's; ask the manager."
)
MOST_ROWS = 400
"""Of a table of tickets; what there is beyond is summed."""


# --- balances -----------------------------------------------------------------------------------------------------------


def opening_page(of: Of) -> LinePage:
    value = of.value
    page = LinePage(of.place("opening"), "Opening balance", "Balance", value.opening_cents)
    before = statement_of(of.session, of, value.month.previous)
    if before is not None:
        words = f"the closing balance of {before.month.name}, {money(before.closing_cents)}, on statement {before.number}"
        page.fact("Comes from", words, Place(before.number, "closing"))
        if before.closing_cents != value.opening_cents:
            page.differs.append(f"That statement closed with {money(before.closing_cents)}: ask the manager.")
        return page
    earlier = of.session.scalar(
        select(Statement.number)
        .where(Statement.mall_id == of.mall.id, Statement.dealer_id == of.dealer.id, Statement.first_day < value.first_day)
        .order_by(Statement.first_day.desc())
        .limit(1)
    )
    paper = of.session.scalar(select(Opening).where(Opening.state == "signed").order_by(Opening.first_day.desc()).limit(1))
    if earlier:
        page.fact(
            "Comes from", f"your account; there is no statement of the month before, the last is {earlier}", statement=earlier
        )
    elif paper is not None and paper.first_day == value.first_day:
        page.fact(
            "Comes from",
            f"paper: the books here begin with {Month.of(paper.first_day).name}, and two people signed what was brought",
        )
    elif value.opening_cents:
        page.fact("Comes from", "your account; there is no statement of a month before")
    else:
        page.fact("Comes from", "nothing: this is your first statement, and your account began at zero")
    return page


def closing_page(of: Of) -> LinePage:
    value = of.value
    page = LinePage(of.place("closing"), "Closing balance", "Balance", value.closing_cents)
    *rows, _closing = sum_rows(value)
    page.parts.append(
        Part(
            "The month in sums",
            ("What", "Where it comes from", "Amount"),
            tuple(
                Row((row.label, row.working, money(row.amount_cents)), of.place("opening") if n == 0 else None)
                for n, row in enumerate(rows)
            ),
            ("Closing balance", "", money(value.closing_cents)),
        )
    )
    page.fact("What becomes of it", outcome(value))
    for row in paid_rows(value):
        page.fact(row.label, f"{money(row.amount_cents)}, {row.working}")
    for reason in value.held:
        page.fact("Why it is held", reason)
    after = statement_of(of.session, of, value.month.next)
    if after is not None:
        page.fact("Goes on", f"as the opening balance of {after.month.name}", Place(after.number, "opening"))
    return page


# --- payments -----------------------------------------------------------------------------------------------------------


def payment_page(of: Of, n: int) -> LinePage:
    line = of.value.payments[n]
    page = LinePage(of.place("payments", n), line.label, "Payment", line.amount_cents)
    page.fact("Day", day(line.paid_on))
    stated = lines_of_dealer(of.session, of.mall.id, of.dealer.id, of.month)
    found = paid_by(of.session, of.mall.id, of.dealer.id, of.month, stated)
    which = nth_equal(of.value.payments, n, [each for each, _entry in found])
    if which is None:
        page.differs.append(PAYMENT_NOT_FOUND)
        return page
    entry_id = found[which][1]
    if entry_id is None:
        page.fact("Kind", "a thing you took in part payment: its worth is in the price you were credited, and is taken off here")
        return page
    entry = of.session.get_one(Entry, entry_id)
    page.fact("Kind", WORDS.get(entry.kind, entry.kind))
    page.fact("In the books", f"on {day(entry.business_date)}, entry {entry.id}")
    if entry.reverses_id is not None:
        old = of.session.get_one(Entry, entry.reverses_id)
        words = f"“{worded(old.kind, old.memo)}” of {day(old.business_date)}, entry {old.id}"
        page.fact("Puts right", words, _payment_place(of, old))
    after = of.session.scalar(select(Entry).where(Entry.reverses_id == entry.id).order_by(Entry.id).limit(1))
    if after is not None:
        page.fact("Put right since", f"on {day(after.business_date)}, entry {after.id}", _payment_place(of, after))
    return page


def _payment_place(of: Of, entry: Entry) -> Place | None:
    """Where an entry stands among the payments of one of her statements."""
    month = Month.of(entry.business_date)
    value = of.value if month == of.month else statement_of(of.session, of, month)
    if value is None:
        return None
    stated = lines_of_dealer(of.session, of.mall.id, of.dealer.id, month)
    found = paid_by(of.session, of.mall.id, of.dealer.id, month, stated)
    lines = [line for line, _entry_id in found]
    at = next((n for n, (_line, entry_id) in enumerate(found) if entry_id == entry.id), None)
    if at is None or nth_equal(lines, at, value.payments) is None:
        return None
    return Place(value.number, "payments", nth_equal(lines, at, value.payments) or 0)


# --- tax ----------------------------------------------------------------------------------------------------------------


def tax_page(of: Of, n: int) -> LinePage:
    """Tax the mall collected and files, by one jurisdiction at one rate."""
    line = of.value.tax_collected[n]
    page = LinePage(of.place("tax", n), f"Sales tax for {line.jurisdiction}", "For information", line.amount_cents)
    page.fact("Rate", f"{line.percent}%" if line.percent else "")
    page.fact("On sales of", money(line.taxable_cents))
    page.notes.append("Your buyers paid it with the price, and the co-op files it: it is no part of your balance.")
    _tax_rows(of, page, line.jurisdiction, line.percent, (line.taxable_cents, line.amount_cents), theirs=False)
    return page


def tax_owed_page(of: Of, n: int) -> LinePage:
    """Tax that is the dealer's own to file."""
    line = of.value.tax_owed[n]
    page = LinePage(of.place("tax-owed", n), f"Sales tax for {line.jurisdiction}", "Yours to file", line.amount_cents)
    page.fact("Rate", f"{line.percent}%")
    page.fact("On sales of", money(line.taxable_cents))
    page.fact("File it with", line.office or "the office that takes the return; the co-op has none on record")
    page.fact("For", line.period)
    page.fact("Due", day(line.due_on) if line.due_on else "")
    page.notes.append("Your buyers paid it with the price; it is in your balance, and you owe it on.")
    _tax_rows(of, page, line.jurisdiction, line.percent, (line.taxable_cents, line.amount_cents), theirs=True)
    return page


def _tax_rows(of: Of, page: LinePage, name: str, rate: str, stated: tuple[int, int], *, theirs: bool) -> None:
    """The tickets that make up a line of tax; it says so where they do not add up to it."""
    before_sale, sold = taxed_before_sale(of.session, of.mall, of.month)
    rows = of.session.execute(
        select(
            Jurisdiction.id,
            TaxRate.percent,
            TaxCharged.sold_on,
            TaxCharged.posting_date,
            Ticket.number,
            TaxCharged.taxable_cents,
            TaxCharged.amount_cents,
        )
        .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
        .join(TaxRate, TaxRate.id == TaxCharged.rate_id)
        .outerjoin(Ticket, Ticket.key == TaxCharged.ticket_key)
        .where(charged_to(of.mall.id, of.month, of.dealer.id, before_sale, sold), Jurisdiction.name == name)
        .order_by(TaxCharged.posting_date, TaxCharged.id)
    ).all()
    settings = Settings(of.session)
    found = []
    for jurisdiction_id, row_rate, sold_on, posted_on, number, taxable, amount in rows:
        on = sold_on or posted_on
        setting = settings.of(jurisdiction_id, of.mall.id, on)
        is_theirs = setting is not None and setting.owed_by == "dealer"
        if is_theirs == theirs and (not rate or percent(row_rate) == f"{rate}%"):
            found.append((on, number or "", int(taxable), int(amount)))
    sums = (sum(each[2] for each in found), sum(each[3] for each in found))
    shown = found[:MOST_ROWS]
    cells = [
        Row((f"{short_day(on)}, ticket {number}" if number else short_day(on), money(a), money(b))) for on, number, a, b in shown
    ]
    if len(found) > len(shown):
        rest = found[len(shown) :]
        cells.append(Row((f"{len(rest):,} more", money(sum(each[2] for each in rest)), money(sum(each[3] for each in rest)))))
    page.parts.append(
        Part("Ticket by ticket", ("Ticket", "On", "Tax"), tuple(cells), ("Together", *(money(cents) for cents in sums)))
    )
    if sums != stated:
        page.differs.append(
            f"The till's tickets today add up to {money(sums[1])} of tax on {money(sums[0])}: not what was stated."
        )


# --- the year, layaways, turns ------------------------------------------------------------------------------------------


def year_page(of: Of, n: int) -> LinePage:
    """A figure of the year: what each of its months added, by the statements, and what came from paper."""
    figure, value = of.value.year[n], of.value
    label, working = YEAR_LABELS[figure.what]
    page = LinePage(
        of.place("year", n),
        f"{label}, {value.first_day.year} to {short_day(value.last_day)}",
        "For information",
        figure.total_cents,
    )
    page.fact("What it is", working)
    statements = of.session.scalars(
        select(Statement)
        .where(
            Statement.mall_id == of.mall.id,
            Statement.dealer_id == of.dealer.id,
            Statement.first_day >= date(value.first_day.year, 1, 1),
            Statement.first_day < value.first_day,
        )
        .options(undefer(Statement.value_json))
        .order_by(Statement.first_day)
    ).all()
    rows, told = [], 0
    if figure.paper_cents:
        rows.append(Row(("Brought from paper", money(figure.paper_cents))))
    for earlier in [from_json(one.value_json) for one in statements]:
        cents = (earlier.month_figures | earlier.foot_figures)[figure.what]
        told += cents
        rows.append(Row((earlier.month.name, money(cents)), statement=earlier.number))
    rest = figure.before_cents - figure.paper_cents - told
    if rest:
        before = "Months before that have no statement, and what is none of their lines"
        rows.append(Row((before if figure.what != "opening" else "At the end of the year before", money(rest))))
    rows.append(Row((value.month.name, money(figure.month_cents))))
    page.parts.append(Part("Month by month", ("Month", "Amount"), tuple(rows), ("Year to date", money(figure.total_cents))))
    if figure.paper_cents:
        memos = of.session.scalars(
            select(OpeningMemo.amount_cents).where(
                OpeningMemo.mall_id == of.mall.id, OpeningMemo.dealer_id == of.dealer.id, OpeningMemo.what == figure.what
            )
        ).all()
        if abs(sum(cents or 0 for cents in memos)) != abs(figure.paper_cents):
            page.differs.append("What came from paper is another sum in the books today: ask the manager.")
    return page


def layaway_page(of: Of, n: int) -> LinePage:
    line = of.value.layaways[n]
    page = LinePage(of.place("layaways", n), line.item, "Layaway", line.price_cents)
    page.fact("Layaway", f"number {line.number}, agreed on {day(line.agreed_on)}, to be paid by {day(line.due_on)}")
    page.fact("Tag", line.tag)
    page.notes.append(said(of.value).layaway_note)
    agreement = of.session.scalar(
        select(LayawayAgreement).where(LayawayAgreement.mall_id == of.mall.id, LayawayAgreement.number == line.number)
    )
    if agreement is None:
        page.differs.append("There is no layaway of this number today: ask the manager.")
        return page
    if agreement.closed_on is None:
        page.fact("Today", "still set aside")
    elif agreement.state == "completed":
        page.fact(
            "Since", f"paid in full on {day(agreement.closed_on)}: it is among your sales of {Month.of(agreement.closed_on).name}"
        )
    else:
        page.fact("Since", f"cancelled on {day(agreement.closed_on)}: the item is yours to sell again")
    if (agreement.accepted_on, agreement.due_on) != (line.agreed_on, line.due_on):
        page.differs.append("Its days are others today than those stated.")
    return page


def turn_page(of: Of, n: int) -> LinePage:
    line = of.value.turns[n]
    page = LinePage(of.place("turns", n), f"Turns {line.label[:1].lower() + line.label[1:]}", "Turns", None)
    page.fact("How many", line.count)
    page.fact("Working", line.working)
    page.notes.append(said(of.value).turn_note)
    return page
