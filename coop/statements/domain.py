"""The statement as a frozen value: built once from the month, rendered many times, and proving itself.

Every amount is in cents, and signed as the dealer sees it: positive is owed to the dealer, negative is charged.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass
from datetime import date
from typing import Any

from coop.core.money import format_cents
from coop.core.periods import Month

FORMAT = 1
"""Of the stored JSON: a reader of an old statement knows what it is reading."""


class StatementError(Exception):
    """A statement does not prove itself; the message says by how much."""


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
        return max(0, self.closing_cents) if self.pay_on else 0

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


def prove(value: StatementValue) -> None:
    """Check that the opening balance plus every line is the closing balance. Raises StatementError with the difference."""
    faults = []

    def compare(what: str, stated: int, added: int) -> None:
        if stated != added:
            faults.append(f"{what} is stated as {format_cents(stated)} but its lines add up to {format_cents(added)}")

    compare("gross", value.gross_cents, sum(line.tag_cents for line in value.sales))
    compare("discounts", value.discounts_cents, sum(line.discount_cents for line in value.sales))
    compare("returns", value.returns_cents, -sum(line.price_cents for line in value.returns))
    compare("net", value.net_cents, value.gross_cents - value.discounts_cents - value.returns_cents)
    for line in (*value.sales, *value.returns):
        compare(f"line {line.ticket}/{line.position}", line.price_cents, line.tag_cents - line.discount_cents)
    compare(
        "the closing balance",
        value.closing_cents,
        value.opening_cents + value.net_cents + value.tax_owed_cents + value.charged_cents + value.paid_cents,
    )
    if faults:
        raise StatementError(f"statement {value.number} does not add up: " + "; ".join(faults))


def to_json(value: StatementValue) -> str:
    """The value as canonical JSON: keys sorted, dates ISO, so that equal values have equal bytes.

    What statements did not always keep is left out where it is empty, so that an old one has its old bytes.
    """
    body = {"format": FORMAT, **dataclasses.asdict(value)}
    of_lines = [(line, "coupon_cents") for line in (*body["sales"], *body["returns"])]
    of_lines += [(line, "percent") for line in body["tax_collected"]]
    for of, key in (*of_lines, (body, "tax_owed"), (body, "deposit_cents")):
        if not of[key]:
            del of[key]
    return json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_iso)


def _iso(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} does not belong in a statement")


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def from_json(text: str) -> StatementValue:
    """Read back what to_json wrote, what an older version kept too. Raises StatementError for another format."""
    body: dict[str, Any] = json.loads(text)
    if body.pop("format", None) != FORMAT:
        raise StatementError("this statement is stored in a format this version does not know")
    for key in ("first_day", "last_day", "made_on"):
        body[key] = date.fromisoformat(body[key])
    body["pay_on"] = date.fromisoformat(body["pay_on"]) if body["pay_on"] else None
    body["spaces"] = tuple(body["spaces"])
    for key in ("sales", "returns"):
        body[key] = tuple(
            SaleLine(
                **{
                    **line,
                    "sold_on": date.fromisoformat(line["sold_on"]),
                    "posted_on": date.fromisoformat(line["posted_on"]),
                }
            )
            for line in body[key]
        )
    body["charges"] = tuple(ChargeLine(**line) for line in body["charges"])
    body["payments"] = tuple(PaymentLine(**{**line, "paid_on": date.fromisoformat(line["paid_on"])}) for line in body["payments"])
    body["tax_collected"] = tuple(TaxLine(**line) for line in body["tax_collected"])
    body["tax_owed"] = tuple(
        OwedTaxLine(**{**line, "due_on": date.fromisoformat(line["due_on"]) if line["due_on"] else None})
        for line in body.get("tax_owed", ())
    )
    return StatementValue(**body)
