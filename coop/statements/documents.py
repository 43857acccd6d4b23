"""What a statement says, on its page, on paper and in the mail: all from the frozen value, in the same words."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

from coop.core.pdf import REPLACEMENT, printable, render_pdf
from coop.core.templating import day, dollars, environment, money, month, render, short_day
from coop.statements.domain import SaleLine, StatementValue, to_json
from coop.statements.pictures import Picture, pictures, undrawn
from coop.statements.wording import (
    DEPOSIT_NOTE,
    LAYAWAY_NOTE,
    TURN_NOTE,
    ChargeRow,
    SumRow,
    YearRow,
    charge_label,
    charge_rows,
    elsewhere_note,
    group_sums,
    next_rent_note,
    no_next_rent,
    outcome,
    paid_rows,
    true_minus,
    year_note,
    year_rows,
)
from coop.tax.documents import CAUTION

PAPERS = {"letter": "@page { size: letter }", "a4": "@page { size: A4 }"}
REASONS = {
    "standing": "standing discount",
    "booth": "booth sale",
    "mall": "mall sale",
    "trade": "trade discount",
    "offer": "offer",
}
"""A discount's reason as people call it; a reason that is not here reads as it is stored."""
SIGNS = "Amounts are in dollars. An amount without a sign is in your favor; one with a minus was charged or paid to you."
SIGNS_NOW = "Amounts are in dollars. No sign: in your favor. Minus: against you, or already paid out to you."
TAX_HEADING = "Sales tax your buyers paid, for information: no part of your balance"
TAX_OWED_HEADING = "Sales tax that is yours to file"
TAX_OWED_NOTE = (
    "Your buyers paid it with the price; it is in your balance, and you owe it on. Keep it until you have filed. "
    "When and how you file is between you and the office; the days are those of the co-op's settings. "
)
TAX_NOTE_NOW = (
    "Tax is rounded by the ticket and shared among its pieces (other dealers’ too), or by the item; "
    "so a rate on the whole can be cents off."
)
TAX_NOTE = "The tax was worked out and rounded sale by sale, so a rate on the whole can differ from it by cents."


def statement_file_name(value: StatementValue) -> str:
    """`statement-MAIN.D01.2010-12.pdf`: plain letters, digits, hyphens, and points between the codes, whatever these hold."""
    parts = (value.mall_code, value.dealer_code, str(value.month))
    plain = ("".join(c if c.isascii() and c.isalnum() else "-" for c in part) for part in parts)
    return f"statement-{'.'.join(plain)}.pdf"


# --- what a row says --------------------------------------------------------------------------------------------------


def sum_rows(value: StatementValue) -> list[SumRow]:
    """The value's five sums, each with where it comes from."""
    before = month(value.first_day - timedelta(days=1))
    from_paper = value.books_from == value.first_day
    opening = "owed to you" if value.opening_cents > 0 else "owed by you" if value.opening_cents < 0 else ""
    workings = {
        "Opening balance": _opening(opening, before) if not from_paper else _from_paper(opening),
        "Net sales": _net_working(value),
        "Tax to file": "sales tax your buyers paid, which you file yourself",
        "Charges": group_sums(value) if value.is_full else _listed(line.label for line in value.charges),
        "Payments": _moved_working(value) if value.is_full else _paid_working(value),
        "Closing balance": _owed(value.closing_cents, f"at the end of {month(value.month)}"),
    }
    return [SumRow(label, workings[label], amount) for label, amount in value.sums]


def _opening(owed: str, before: str) -> str:
    return f"{owed} at the end of {before}" if owed else f"from {before}"


def _from_paper(owed: str) -> str:
    return f"{owed}, brought from the paper books" if owed else "nothing was brought from the paper books"


def _owed(cents: int, when: str) -> str:
    return (f"owed to you {when}" if cents > 0 else f"owed by you {when}") if cents else when


def _net_working(value: StatementValue) -> str:
    if not value.sales and not value.returns:
        return "nothing sold"
    parts = [f"tag prices {money(value.gross_cents)}" if value.sales or not value.is_full else "nothing sold"]
    if value.discounts_cents:
        parts.append(f"less discounts {money(value.discounts_cents)}")
    if value.returns_cents:
        parts.append(f"less returns {money(value.returns_cents)}")
    return ", ".join(parts)


def _listed(labels: Iterator[str]) -> str:
    names = list(dict.fromkeys(labels))
    if len(names) > 4:
        names = [*names[:3], f"{len(names) - 3} more"]
    return "; ".join(names) or "none"


def _paid_working(value: StatementValue) -> str:
    to_you = -sum(min(0, line.amount_cents) for line in value.payments)
    by_you = sum(max(0, line.amount_cents) for line in value.payments)
    words = ("paid to you", "paid by you")
    if any(line.kind not in ("", "payout", "payment") for line in value.payments):
        words = ("taken off your balance", "added to it")
    return ", ".join(f"{what} {money(cents)}" for what, cents in zip(words, (to_you, by_you), strict=True) if cents) or "none"


_MOVED = {
    ("payout", -1): "paid to you",
    ("payout", 1): "a payout came back",
    ("returned", 1): "a payout came back",
    ("payment", 1): "paid by you",
    ("bounced", -1): "check came back",
    ("chargeback", -1): "taken back by a buyer’s bank",
    ("trade-in", -1): "taken in part payment",
    ("patronage", 1): "your share of the surplus",
    ("opening", 1): "brought from paper",
}
"""What moved the balance, by the line's kind and sign; what is not here is told with its sign."""


def _moved_working(value: StatementValue) -> str:
    """Each way in which the balance moved, with its sum: what came back is not what was paid."""
    sums: dict[tuple[str, bool], int] = {}
    for line in value.payments:
        sign = 1 if line.amount_cents > 0 else -1
        kind = "bounced" if line.kind == "payment" and sign < 0 and line.label.startswith("Your check") else line.kind
        words = _MOVED.get((kind, sign), "")
        key = (words or ("deposit" if kind == "deposit" else "put right"), bool(words))
        sums[key] = sums.get(key, 0) + line.amount_cents
    told = [f"{what} {money(abs(cents) if plain else cents)}" for (what, plain), cents in sums.items()]
    return ", ".join(told) or "none"


def item(line: SaleLine) -> str:
    """What was sold; the number of pieces before it when there is more than one."""
    what = line.description or "Item"
    return what if line.quantity in (1, -1) else f"{abs(line.quantity)} × {what}"


def notes(line: SaleLine) -> str:
    """What a line has to say beyond its columns: the discount's reason and authority, a late posting."""
    said = []
    if line.discount_cents != line.coupon_cents or line.discount_reason:
        reason = REASONS.get(line.discount_reason, line.discount_reason) or "discount"
        authority = line.discount_authority
        if authority.casefold().startswith(reason.casefold()):
            said.append(authority)
        else:
            said.append(f"{reason}: {authority}" if authority else reason)
    if line.coupon_cents:
        said.append(f"a coupon of yours took off {money(abs(line.coupon_cents))}")
    if line.claimed_on:
        happened = "brought back" if line.tag_cents < 0 else "sold"
        said.append(f"{happened} on {day(line.sold_on)}, claimed on {day(line.claimed_on)}: until then it was nobody's")
    elif line.posted_on != line.sold_on:
        said.append(f"reached the books on {day(line.posted_on)}, after its month was closed")
    if line.layaway:
        said.append(f"from layaway {line.layaway}")
    if line.card_cents:
        to = "given back to the card" if line.tag_cents < 0 else "paid by card"
        of = "return" if line.tag_cents < 0 else "ticket"
        whole = f": {money(abs(line.card_cents))} of the {of}’s {money(abs(line.ticket_cents))}"
        said.append(to if line.card_cents == line.ticket_cents else to + whole)
    return "; ".join(said)


def original(line: SaleLine) -> str:
    """Which sale a return gives back."""
    return line.returns or "untied"


def nothing_of(value: StatementValue) -> str:
    """A sentence on what there was none of; empty when there was some of each."""
    none = [name for name, lines in (("returns", value.returns), ("payments", value.payments)) if not lines]
    return f"There were no {' and no '.join(none)} this month." if none else ""


def untied(value: StatementValue) -> str:
    """What untied means, when a return is."""
    if all(line.returns for line in value.returns):
        return ""
    return "Untied: no sale was named for it, so it was taken back at the price on the return."


@dataclass(frozen=True)
class Said:
    """A statement's words, which its page and its paper share. They differ in markup only."""

    value: StatementValue
    outcome: str
    sum_rows: list[SumRow]
    untied: str
    nothing_of: str
    item: Callable[[SaleLine], str] = item
    notes: Callable[[SaleLine], str] = notes
    original: Callable[[SaleLine], str] = original
    tax_heading: str = TAX_HEADING
    tax_owed_heading: str = TAX_OWED_HEADING
    tax_owed_note: str = TAX_OWED_NOTE + CAUTION
    layaway_note: str = LAYAWAY_NOTE
    turn_note: str = TURN_NOTE

    @property
    def signs(self) -> str:
        return SIGNS_NOW if self.value.is_full else SIGNS

    @property
    def tax_note(self) -> str:
        if not self.value.is_full:
            return TAX_NOTE
        claimed = sum(line.price_cents for line in (*self.value.sales, *self.value.returns) if line.claimed_on)
        return f"{TAX_NOTE_NOW} Without {money(claimed)} sold before you claimed it." if claimed else TAX_NOTE_NOW

    @property
    def tax_total_cents(self) -> int:
        return sum(line.amount_cents for line in self.value.tax_collected)

    @property
    def returned_tag_cents(self) -> int:
        return sum(line.tag_cents for line in self.value.returns)

    @property
    def returned_discount_cents(self) -> int:
        """As it stands in the column: taken back, so above zero."""
        return -sum(line.discount_cents for line in self.value.returns)

    @property
    def deposit(self) -> str:
        """What is held of her deposits; that none is, of one who left."""
        if self.value.deposit_cents:
            said = money(self.value.deposit_cents)
            return f"{said}, {DEPOSIT_NOTE}" if self.value.is_full else said
        return "none" if self.value.left_on else ""

    @property
    def no_next_rent(self) -> str:
        return no_next_rent(self.value)

    @cached_property
    def paid_rows(self) -> list[SumRow]:
        return paid_rows(self.value)

    @cached_property
    def charge_rows(self) -> list[ChargeRow]:
        return charge_rows(self.value)

    @cached_property
    def pictures(self) -> list[Picture]:
        return pictures(self.value) if self.value.is_full else []

    @property
    def undrawn(self) -> str:
        """What there was too little of to be drawn."""
        return " ".join(undrawn(self.value)) if self.value.is_full else ""

    @cached_property
    def year_rows(self) -> list[YearRow]:
        return year_rows(self.value)

    @property
    def year_note(self) -> str:
        return year_note(self.value)

    @property
    def next_rent_rows(self) -> list[SumRow]:
        return [SumRow(charge_label(line), true_minus(line.working), line.amount_cents) for line in self.value.next_rent]

    @property
    def next_rent_note(self) -> str:
        return next_rent_note(self.value)

    @property
    def elsewhere_note(self) -> str:
        return elsewhere_note(self.value)

    @property
    def with_rates(self) -> bool:
        """Whether the tax collected is told by rate, as it has been since rates are kept."""
        return any(line.percent for line in self.value.tax_collected)

    @property
    def to_file(self) -> list[str]:
        """What the dealer has to file, a sentence for each office and period."""
        sums: dict[tuple[str, str, date | None], int] = {}
        for line in self.value.tax_owed:
            key = (line.office, line.period, line.due_on)
            sums[key] = sums.get(key, 0) + line.amount_cents
        return [_to_file(*key, cents) for key, cents in sums.items()]

    @property
    def lines_sold(self) -> str:
        """How much was sold: in pieces, as the pictures count; of a statement of before, in lines."""
        if self.value.is_full:
            pieces = sum(line.quantity for line in self.value.sales)
            return f"{pieces:,} {'piece' if pieces == 1 else 'pieces'} sold"
        if len(self.value.sales) == 1 and self.value.sales[0].quantity == 1:
            return "1 piece sold"
        return f"{len(self.value.sales):,} {'line' if len(self.value.sales) == 1 else 'lines'} sold"


def _to_file(office: str, period: str, due_on: date | None, cents: int) -> str:
    if not office:
        return f"File {dollars(cents)} with the office that takes the return; the co-op has none on record."
    by = f", by {day(due_on)}" if due_on else ""
    return f"File {dollars(cents)} of it with {office}, in your return for {period}{by}."


def said(value: StatementValue) -> Said:
    """All that a page or a paper of this statement says beside its figures."""
    return Said(value, outcome(value), sum_rows(value), untied(value), nothing_of(value))


# --- paper ------------------------------------------------------------------------------------------------------------


def statement_html(value: StatementValue) -> str:
    """The body's markup of the paper."""
    whole = to_json(value)
    return render(
        "pdf/statement/body.html" if value.is_full else "pdf/statement/before.html",
        value=value,
        said=said(value),
        title=title(value),
        short_day=short_day,
        replacement=REPLACEMENT if printable(whole).count(REPLACEMENT) > whole.count(REPLACEMENT) else "",
    )


def title(value: StatementValue) -> str:
    return f"Statement {value.number} for {month(value.month)}, {value.dealer_code} {value.dealer_name}"


def statement_pdf(value: StatementValue) -> bytes:
    """The statement as PDF/UA-1 on the value's paper; equal values give equal bytes. Raises PdfError."""
    return render_pdf(
        statement_html(value),
        (_style_sheet(), PAPERS[value.paper]),
        title=title(value),
        created=value.made_on,
        well_formed=True,
    )


def _style_sheet() -> str:
    source, _, _ = environment().loader.get_source(environment(), "pdf/statement/style.css")  # type: ignore[union-attr]
    return source


# --- mail -------------------------------------------------------------------------------------------------------------


def statement_mail(value: StatementValue) -> tuple[str, str, str]:
    """Subject, text part and HTML part. The first line of both parts is the outcome; the PDF goes along."""
    context = {
        "value": value,
        "outcome": outcome(value),
        "sum_rows": sum_rows(value),
        "paid_rows": paid_rows(value),
        "signs": SIGNS_NOW if value.is_full else SIGNS,
        "file_name": statement_file_name(value),
    }
    # A header is one line, whatever a name holds.
    subject = " ".join(render("email/statement/subject.txt", **context).split())
    text = render("email/statement/body.txt", **context).replace("\N{MINUS SIGN}", "-").strip() + "\n"
    return subject, text, render("email/statement/body.html", **context)


@dataclass(frozen=True)
class Passage:
    """A part of a letter's text: its rows (what, amount, where from), or else its lines."""

    rows: tuple[tuple[str, ...], ...] = ()
    lines: tuple[str, ...] = ()


_ROW = re.compile(r"(\S.*?) {2,}(-?[\d,]+\.\d\d) {2,}(\S.*)")


def passages(text: str) -> list[Passage]:
    """A letter's text part for a page, where columns made of blanks would not stand; an empty line ends a passage."""
    found = []
    for is_text, block in itertools.groupby(text.splitlines(), key=lambda line: bool(line.strip())):
        lines = tuple(block)
        rows = tuple(match.groups() for match in map(_ROW.fullmatch, lines) if match)
        if is_text:
            found.append(Passage(rows=rows) if len(rows) == len(lines) else Passage(lines=lines))
    return found
