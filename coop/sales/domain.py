"""Tickets as values, and how a row of somebody else's file becomes a line of one."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import TypeVar

from coop.core.money import cents, parse_decimal
from coop.tax.domain.layaway import TaxedAt
from coop.tax.domain.ticket import Layaway, TicketTax

T = TypeVar("T")

MAX_QUANTITY = 1_000_000
MAX_LINE_CENTS = 10_000_000_000


@dataclass(frozen=True)
class LineIn:
    """One item as it was rung: amounts in cents, negative on a return."""

    position: int
    dealer_id: int | None
    """None: an unclaimed sale."""
    tag: str
    description: str
    quantity: int
    unit_price: Decimal
    """Dollars."""
    tag_cents: int
    discount_cents: int = 0
    discount_reason: str = ""
    discount_authority: str = ""
    tax_class: str = "general"
    seller_coupon_cents: int = 0
    """A coupon the dealer bears: it lowers the price as a discount does, but not the tax everywhere."""
    maker_coupon_cents: int = 0
    """What a maker's coupon pays of the price. On a tied return it, and the trade-in, are what the sale had of them."""
    trade_in_cents: int = 0
    """What the buyer pays with a thing that the dealer takes in."""
    own_use: bool = False
    """A resale buyer takes it for herself, so it is taxed."""

    @property
    def price_cents(self) -> int:
        return self.tag_cents - self.discount_cents - self.seller_coupon_cents


@dataclass(frozen=True)
class TenderIn:
    """A part of the payment: cash, card, check, gift or layaway (what is held of one), in cents. None: what the others leave.

    Maker's coupons and trade-ins are not among them: they are known by the lines.
    """

    kind: str
    amount_cents: int | None = None
    gift: str = ""
    """Number of the gift certificate, where the kind is `gift`; negative on a return, which gives back to it."""


@dataclass(frozen=True)
class TicketIn:
    """One checkout, or one return, as it came from a device or a file."""

    key: str
    number: str
    source: str
    kind: str
    sold_at: datetime
    lines: tuple[LineIn, ...]
    tenders: tuple[TenderIn, ...]
    taxed: bool = True
    """Whether tax was collected; a mapping may state that none was."""
    buyer_key: str = ""
    """A pseudonym that ties a return to the same buyer's purchase."""
    certificate: str = ""
    """Number of the buyer's certificate on file."""
    delivery_cents: int = 0
    """One charge for bringing everything; negative on a return, which gives back that of the sale its items are tied to."""
    surcharge_cents: int = 0
    """Charged on top for paying by card, and paid by card beside the tenders; negative on a return, which gives it back."""
    layaway: Layaway | None = None
    """Of a completed layaway, whose day of completion is the day of the ticket."""
    layaway_at: TaxedAt | None = None
    """When its agreement says it is taxed; None for one that another register held: the setting of the day of its agreement."""
    charged: TicketTax | None = None
    """Of a layaway that was taxed at its agreement: the rows that stand under the ticket's key already."""
    rung_by: int | None = None
    import_id: int | None = None


class RowError(Exception):
    """A row that is not taken: a short reason to count by, and a sentence with the mend."""

    def __init__(self, reason: str, sentence: str) -> None:
        super().__init__(sentence)
        self.reason = reason


@dataclass(frozen=True)
class SourceMapping:
    """How the file of one source is read. Columns are headings of the file."""

    name: str
    ticket: str
    tag: str
    description: str
    quantity: str
    sold_at: str
    unit_price: str
    buyer: str
    """Column that tells buyers apart, or empty; only a hash of it is kept."""
    is_return: Callable[[str], bool]
    """Whether a ticket of that number is a return."""
    dealer_code: Callable[[str], str | None]
    """The dealer's code for an item's tag, or None: an unclaimed sale."""
    tender: str
    """Every ticket of the source is taken to be paid so."""
    taxed: bool
    """Whether the source collected tax."""
    timezone: str
    """Of its times; empty for the mall's own."""

    @property
    def columns(self) -> tuple[str, ...]:
        return (self.ticket, self.tag, self.description, self.quantity, self.sold_at, self.unit_price)


def _dealer_of_stock_code(tag: str) -> str | None:
    """Leading digits mod 60 + 1, as D01 to D60; without leading digits nobody's (postage, fees, manual entries)."""
    digits = re.match(r"\d+", tag, re.ASCII)
    return f"D{int(digits[0]) % 60 + 1:02d}" if digits else None


MAPPINGS = {
    # A giftware seller's lines, made into sixty dealers' by their stock codes: real sales to try a month-end on.
    # Layout: Chen, D. (2015), Online Retail, UCI Machine Learning Repository, doi 10.24432/C5BW33.
    "open-retail": SourceMapping(
        name="open-retail",
        ticket="InvoiceNo",
        tag="StockCode",
        description="Description",
        quantity="Quantity",
        sold_at="InvoiceDate",
        unit_price="UnitPrice",
        buyer="CustomerID",
        is_return=lambda number: number.startswith("C"),
        dealer_code=_dealer_of_stock_code,
        tender="card",
        taxed=False,
        timezone="",
    ),
}


@dataclass(frozen=True)
class ParsedRow:
    """A row that is a sale or a return of one item."""

    number: str
    tag: str
    dealer_code: str | None
    description: str
    quantity: int
    unit_price: Decimal
    tag_cents: int
    sold_at: datetime
    """Local, without a zone: the source's wall clock."""
    buyer: str


def _quantity(text: str) -> int:
    try:
        value = parse_decimal(text)
    except ValueError as error:
        raise ValueError("is not a whole number; write it like 3") from error
    if value != value.to_integral_value():
        raise ValueError("is not a whole number; write it like 3")
    return int(value)


def _sold_at(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise ValueError("is not a date and time; write it like 2010-12-01 08:26:00") from error
    if moment.tzinfo is not None:
        raise ValueError("has a time zone; write the mall's own time, like 2010-12-01 08:26:00")
    if not 1990 <= moment.year <= 2200:
        raise ValueError("lies before 1990 or after 2200; check the year")
    return moment


def parse_row(mapping: SourceMapping, row: Mapping[str, str], *, latest: datetime | None = None) -> ParsedRow:
    """Judge one row. Raises RowError with its reason when it is not a sale; amounts are half-up to the cent.

    `latest` is the moment, by the source's wall clock, after which nothing can have been sold yet (None: not asked).
    """

    def read(column: str, reader: Callable[[str], T]) -> T:
        try:
            return reader(row[column])
        except (ValueError, InvalidOperation) as error:
            raise RowError(f"bad {column}", f"{column} {row[column][:40]!r} {error}.") from error

    number = row[mapping.ticket].strip()
    if not number or len(number) > 40:
        raise RowError(f"no {mapping.ticket}", f"{mapping.ticket} is empty or over 40 characters: give the ticket's number.")
    sold_at = read(mapping.sold_at, _sold_at)
    if latest is not None and sold_at > latest:
        raise RowError("in the future", f"{mapping.sold_at} {sold_at:%Y-%m-%d %H:%M} has not come yet: check the date.")
    quantity = read(mapping.quantity, _quantity)
    unit_price = read(mapping.unit_price, parse_decimal)
    description = " ".join(row[mapping.description].split())
    tag = row[mapping.tag].strip()
    if not description:
        raise RowError("no description", f"{mapping.description} is empty: a line without a description is not a sale.")
    if unit_price <= 0:
        raise RowError("no price", f"{mapping.unit_price} is {unit_price}: a line without a price is not a sale.")
    if unit_price.as_tuple().exponent < -6:  # type: ignore[operator]
        raise RowError(f"bad {mapping.unit_price}", f"{mapping.unit_price} {unit_price} has more than six decimals.")
    if abs(quantity) > MAX_QUANTITY:
        raise RowError("too large", f"{mapping.quantity} is {quantity}: more than a million of one item; check it.")
    if quantity == 0:
        raise RowError("no quantity", f"{mapping.quantity} is {quantity}: a sale has one item or more.")
    if mapping.is_return(number):
        if quantity > 0:
            raise RowError("return of nothing", f"{mapping.quantity} is {quantity} on return {number}: it should be negative.")
    elif quantity < 0:
        raise RowError(
            "stock adjustment",
            f"{mapping.quantity} is {quantity} on ticket {number}, which is not a return: an adjustment of stock is not a sale.",
        )
    tag_cents = cents(unit_price * quantity)
    if abs(tag_cents) > MAX_LINE_CENTS:
        raise RowError(
            f"bad {mapping.unit_price}", f"{mapping.unit_price} x {mapping.quantity} is over a hundred million dollars."
        )
    return ParsedRow(
        number=number,
        tag=tag[:40],
        dealer_code=mapping.dealer_code(tag),
        description=description[:200],
        quantity=quantity,
        unit_price=unit_price,
        tag_cents=tag_cents,
        sold_at=sold_at,
        buyer=row.get(mapping.buyer, "").strip() if mapping.buyer else "",
    )


# --- what was paid by card ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Tendered:
    """How a ticket was paid in money, in cents, negative on a return: by card, and in all, coupons and trade-ins apart."""

    card_cents: int
    money_cents: int


def card_parts_of(tickets: Mapping[int, Tendered], lines: Iterable[tuple[int, int, int]]) -> dict[int, Fraction]:
    """Each dealer's part, in cents, of what was paid by card: of the prices, so without the tax on them.

    A line is (ticket, dealer, cents of its price paid in money). Where a ticket was paid partly by card, every line of it was, in
    the same proportion; a return takes off by its own. Nobody's lines are left out, and so is a ticket whose money adds up to
    nothing. Exact: it is rounded once, with the percent. Source: common practice, no source.
    """
    by_denominator: dict[int, dict[int, int]] = {}
    for ticket, dealer, price_cents in lines:
        paid = tickets.get(ticket)
        if paid is None or not paid.card_cents or not paid.money_cents:
            continue
        part = Fraction(price_cents * paid.card_cents, paid.money_cents)
        sums = by_denominator.setdefault(dealer, {})
        sums[part.denominator] = sums.get(part.denominator, 0) + part.numerator
    return {dealer: _sum_of(sums) for dealer, sums in by_denominator.items()}


def _sum_of(by_denominator: Mapping[int, int]) -> Fraction:
    """The sum of fractions, two and two: one after the other, each would be added to a number as long as all before it."""
    parts = [Fraction(numerator, denominator) for denominator, numerator in by_denominator.items()]
    while len(parts) > 1:
        parts = [sum(parts[n : n + 2], Fraction(0)) for n in range(0, len(parts), 2)]
    return parts[0]
