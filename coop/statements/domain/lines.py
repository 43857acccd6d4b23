"""What stands on a statement, line by line."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

RENT_KINDS = ("rent", "case", "shelf", "wall")
"""Kinds of charge that are rent of a space; of the rest, commission stands for itself and all else is fees."""
PAYOUT_KINDS = ("payout", "returned")
"""Kinds of payment that are money paid to the dealer, and such money come back."""
BY_DEALER_KINDS = ("payment", "bounced")
"""Kinds of payment that are the dealer's own, and a check of hers come back."""
YEAR_FIGURES = ("gross", "net", "commission", "rent", "fees", "paid")
"""What a year to date is told of."""
FOOT_FIGURES = ("opening", "card", "turns", "other", "by you", "else", "tax")
"""What makes a year foot: the balance it began with, what fees are made of, and all that moved the balance beside."""


@dataclass(frozen=True)
class SaleLine:
    """One item sold, or one returned (amounts negative)."""

    sold_on: date
    ticket: str
    position: int
    tag: str
    description: str
    quantity: int
    tag_cents: int
    discount_cents: int
    discount_reason: str
    discount_authority: str
    price_cents: int
    """tag - discount."""
    posted_on: date
    """Differs from sold_on when the sale reached the books after its month was closed."""
    returns: str = ""
    """For a return: the ticket it gives back, or empty when it is untied."""
    coupon_cents: int = 0
    """What of the discount is a coupon that the dealer bears."""
    claimed_on: date | None = None
    """Of a sale that was nobody's at first: the day it was claimed, and credited."""
    # Told beside the line, and no part of what it is: an earlier statement of the same line does not have them.
    card_cents: int = field(default=0, compare=False)
    """What of the whole ticket was paid by card, with tax."""
    ticket_cents: int = field(default=0, compare=False)
    """What the whole ticket was paid in money, where a part of that was by card."""
    layaway: int = field(default=0, compare=False)
    """The number of the layaway that was completed by it."""

    @property
    def credited_on(self) -> date:
        """The day in the books that makes it a line of this month."""
        return self.claimed_on or self.posted_on


@dataclass(frozen=True)
class ChargeLine:
    """Rent, a case, a fee or the commission, with its working."""

    kind: str
    label: str
    working: str
    amount_cents: int
    """Negative when charged, positive when given back."""


@dataclass(frozen=True)
class PaymentLine:
    """Money that moved between dealer and co-op during the month."""

    paid_on: date
    label: str
    amount_cents: int
    """Negative when paid to the dealer, positive when the dealer paid."""
    kind: str = ""
    """Of the entry, or of the entry it puts right: payout, payment, deposit, ...; empty in statements of before it was kept."""


@dataclass(frozen=True)
class TaxLine:
    """For information: tax the mall collected on these sales and files itself, at one rate of one jurisdiction."""

    jurisdiction: str
    taxable_cents: int
    amount_cents: int
    percent: str = ""
    """`5.5`; empty in statements of before the rate was kept, whose lines are a jurisdiction's whole."""


@dataclass(frozen=True)
class OwedTaxLine:
    """Tax on these sales that the dealer owes and files herself: collected by the mall, passed to her account."""

    jurisdiction: str
    percent: str
    taxable_cents: int
    amount_cents: int
    """Positive when passed to her."""
    office: str
    """With whom it is filed; empty where no setting names one."""
    period: str
    """What the return covers, such as `September 2026`; empty without an office."""
    due_on: date | None


@dataclass(frozen=True)
class YearFigure:
    """One figure of the calendar year up to this month's end: what the month adds to what was before."""

    what: str
    """One of YEAR_FIGURES."""
    before_cents: int
    """Of the year's months before this one, those on paper among them."""
    month_cents: int
    paper_cents: int = 0
    """The part of `before_cents` that was brought from paper when these books began."""
    unknown: bool = False
    """Whether there was a part on paper that was not brought: `before_cents` is then of these books alone."""

    @property
    def total_cents(self) -> int:
        return self.before_cents + self.month_cents


@dataclass(frozen=True)
class PendingLayaway:
    """For information: an item of the dealer's that is set aside for a buyer when the month ends."""

    number: int
    item: str
    tag: str
    agreed_on: date
    due_on: date
    price_cents: int
    """What she is credited when it is paid in full."""
    paid_cents: int = 0
    """Her part, by price, of what the buyer had paid when the month ended."""


@dataclass(frozen=True)
class TurnLine:
    """For information: turns at the desk. What they cost or bring stands among the charges."""

    label: str
    """Owed, worked, credited, charged."""
    count: str
    """`2`, `1.5`."""
    working: str = ""


@dataclass(frozen=True)
class FloorFigures:
    """For information: the month's sales and rent by the square foot, and how that is at the mall."""

    area_sqft100: int
    """Rented in the month: of a space held for a part of it, or shared, that part."""
    sales_cents: int
    """Net sales a square foot."""
    rent_cents: int
    """Rent charged a square foot; zero or positive."""
    median_cents: int | None = None
    """Of the mall's dealers' net sales a square foot; None where they are so few that one could be told from it."""
    dealers: int = 0
    """How many that is the median of."""
    working: str = ""
    """How the area came about where a space was held for a part of the month, or shared."""
