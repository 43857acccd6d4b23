"""A dealer's month at one mall, whole."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from coop.core.periods import Month
from coop.statements.domain.lines import (
    BY_DEALER_KINDS,
    PAYOUT_KINDS,
    RENT_KINDS,
    ChargeLine,
    FloorFigures,
    OwedTaxLine,
    PaymentLine,
    PendingLayaway,
    SaleLine,
    TaxLine,
    TurnLine,
    YearFigure,
)


@dataclass(frozen=True)
class StatementValue:
    """A dealer's month at one mall."""

    number: str
    coop_name: str
    mall_code: str
    mall_name: str
    mall_address: str
    dealer_code: str
    dealer_name: str
    trade_name: str
    dealer_address: str
    first_day: date
    last_day: date
    made_on: date
    spaces: tuple[str, ...]
    """`Booth 12, 120.00 sq ft`"""
    paper: str
    """letter or a4"""
    opening_cents: int
    sales: tuple[SaleLine, ...]
    returns: tuple[SaleLine, ...]
    gross_cents: int
    """Tag prices of sales, before discounts."""
    discounts_cents: int
    """Taken off sales; zero or positive."""
    returns_cents: int
    """Given back for returns; zero or positive."""
    net_cents: int
    """gross - discounts - returns: what commission is computed on."""
    charges: tuple[ChargeLine, ...]
    payments: tuple[PaymentLine, ...]
    closing_cents: int
    pay_on: date | None
    """The day the balance is to be paid; None when it is carried forward."""
    tax_collected: tuple[TaxLine, ...]
    tax_owed: tuple[OwedTaxLine, ...] = ()
    """What the dealer files herself; part of the balance. In statements of before this was told apart it stands in payments."""
    deposit_cents: int = 0
    """For information: held of the dealer's deposits when the month ended."""
    year: tuple[YearFigure, ...] = ()
    """For information: the calendar year to this month's end. Empty in statements of before it was told, which say less."""
    layaways: tuple[PendingLayaway, ...] = ()
    next_rent: tuple[ChargeLine, ...] = ()
    """What next month's rent will be, as the leases stand when this is made."""
    next_rent_netted: bool = False
    """Whether next month's rent stays back from what is paid now, by the co-op's rule."""
    turns: tuple[TurnLine, ...] = ()
    pay_how: str = ""
    """`by check`; empty when nobody has said."""
    held: tuple[str, ...] = ()
    """Why nothing is paid though a balance is owed, a sentence each."""
    elsewhere: tuple[str, ...] = ()
    """Other malls at which the dealer has an account: a payout is one sum over all."""
    floor: FloorFigures | None = None
    left_on: date | None = None
    """The last day of her last lease, where it ended by the month's end."""
    late_after: date | None = None
    """The last day on which what she owes can be paid without a late fee, where one would be charged on it; it may be past."""
    books_from: date | None = None
    """The day on which these books took over from paper, where that was in this calendar year."""

    @property
    def month(self) -> Month:
        return Month.of(self.first_day)

    @property
    def charged_cents(self) -> int:
        return sum(line.amount_cents for line in self.charges)

    @property
    def paid_cents(self) -> int:
        return sum(line.amount_cents for line in self.payments)

    @property
    def tax_owed_cents(self) -> int:
        return sum(line.amount_cents for line in self.tax_owed)

    @property
    def to_be_paid_cents(self) -> int:
        """What goes to the dealer on `pay_on`; zero when the balance is carried forward."""
        return max(0, self.closing_cents - self.kept_for_rent_cents) if self.pay_on else 0

    @property
    def next_rent_cents(self) -> int:
        """Next month's rent in all, zero or positive."""
        return max(0, -sum(line.amount_cents for line in self.next_rent))

    @property
    def kept_for_rent_cents(self) -> int:
        """What of the balance stays for next month's rent."""
        return min(max(0, self.closing_cents), self.next_rent_cents) if self.next_rent_netted else 0

    @property
    def is_full(self) -> bool:
        """Whether it tells all that statements tell now; one of before has the words it had."""
        return bool(self.year)

    @property
    def month_figures(self) -> dict[str, int]:
        """What this month adds to each figure of the year."""
        commission = sum(line.amount_cents for line in self.charges if line.kind == "commission")
        rent = sum(line.amount_cents for line in self.charges if line.kind in RENT_KINDS)
        return {
            "gross": self.gross_cents,
            "net": self.net_cents,
            "commission": commission,
            "rent": rent,
            "fees": self.charged_cents - commission - rent,
            "paid": sum(line.amount_cents for line in self.payments if line.kind in PAYOUT_KINDS),
        }

    @property
    def foot_figures(self) -> dict[str, int]:
        """What this month adds to the figures that make a year foot."""
        of_kind = {kind: sum(line.amount_cents for line in self.charges if line.kind == kind) for kind in ("card", "turn")}
        by_you = sum(line.amount_cents for line in self.payments if line.kind in BY_DEALER_KINDS)
        figures = self.month_figures
        return {
            "opening": 0,
            "card": of_kind["card"],
            "turns": of_kind["turn"],
            "other": figures["fees"] - of_kind["card"] - of_kind["turn"],
            "by you": by_you,
            "else": self.paid_cents - figures["paid"] - by_you,
            "tax": self.tax_owed_cents,
        }

    @property
    def carried_cents(self) -> int:
        """What stays on the account: a debt, or a balance that is not paid out."""
        return self.closing_cents - self.to_be_paid_cents

    @property
    def sums(self) -> tuple[tuple[str, int], ...]:
        """The whole statement in five lines, or six for a dealer who files tax herself, the last the sum of the others."""
        return (
            ("Opening balance", self.opening_cents),
            ("Net sales", self.net_cents),
            *((("Tax to file", self.tax_owed_cents),) if self.tax_owed else ()),
            ("Charges", self.charged_cents),
            ("Payments", self.paid_cents),
            ("Closing balance", self.closing_cents),
        )
