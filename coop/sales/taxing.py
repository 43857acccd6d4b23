"""The tax of a mall's tickets: from the facts a ticket carries, and again from those that are kept of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.sales.domain import LineIn
from coop.sales.models import Ticket, TicketLine
from coop.tax.domain.compute import reduced_lines, tax_ticket
from coop.tax.domain.layaway import tax_day
from coop.tax.domain.ticket import DELIVERY, Certificate, Layaway, LineToTax, TicketRefused, TicketTax, TicketToTax
from coop.tax.models import Jurisdiction, TaxCharged
from coop.tax.offices import Settings
from coop.tax.queries import MallStacks, certificate_of

BUYER_REASONS = ("resale", "exempt buyer")
"""Why a line is not taxed, where it is the buyer's certificate that says so."""


@dataclass(frozen=True)
class Facts:
    """What the tax of a ticket is computed of, beside its lines."""

    number: str
    sold_on: date
    certificate: Certificate | None = None
    delivery_cents: int = 0
    layaway: Layaway | None = None


def line_to_tax(line: LineIn | TicketLine) -> LineToTax:
    """A line, as it comes or as it is kept."""
    return LineToTax(
        line.tag_cents,
        line.quantity,
        line.tax_class,
        line.discount_cents,
        line.seller_coupon_cents,
        line.maker_coupon_cents,
        line.trade_in_cents,
        line.own_use,
    )


class Taxer:
    """Taxes the tickets of one mall. What it reads of stacks, certificates and settings it keeps: one a transaction."""

    def __init__(self, session: Session, mall: Mall) -> None:
        self.session, self.mall = session, mall
        self._stacks = MallStacks(session, mall.id)
        self._certificates: dict[str, Certificate] = {}
        self._settings: Settings | None = None
        self._days: dict[tuple[date, date | None], date] = {}

    def certificate(self, number: str) -> Certificate:
        """The certificate on file. Refuses a number there is not."""
        if number not in self._certificates:
            self._certificates[number] = certificate_of(self.session, number)
        return self._certificates[number]

    def tax(self, facts: Facts, lines: Sequence[LineToTax]) -> TicketTax:
        """The tax of lines sold together. Refuses, naming the ticket, what cannot be taxed."""
        try:
            on = facts.sold_on if facts.layaway is None else self._layaway_day(facts.layaway, facts.sold_on)
            ticket = TicketToTax(
                on,
                tuple(lines),
                delivery_cents=facts.delivery_cents,
                certificate=facts.certificate,
                layaway=facts.layaway,
            )
            return tax_ticket(ticket, self._stacks.on(on))
        except TicketRefused as error:
            raise Refusal(f"Ticket {facts.number}: {error}") from error

    def tax_again(self, facts: Facts, lines: Sequence[LineToTax]) -> TicketTax:
        """The tax of what was taken before: its certificate was judged then, and may have run out or been filed anew since."""
        if facts.certificate is not None:
            on = facts.sold_on if facts.layaway is None else self._layaway_day(facts.layaway, facts.sold_on)
            states = frozenset(taxing.state for taxing in self._stacks.on(on).jurisdictions)
            facts = replace(facts, certificate=replace(facts.certificate, states=states))
        return self.tax(facts, lines)

    def _layaway_day(self, layaway: Layaway, sold_on: date) -> date:
        """The day whose rates and rules tax a completed layaway, by the settings of the day of its agreement."""
        if layaway.completed_on is None:
            raise TicketRefused("The layaway is not completed: until it is, its payments are the customer's money and no sale.")
        if not layaway.accepted_on <= layaway.completed_on == sold_on:
            raise TicketRefused(
                f"The layaway was accepted on {layaway.accepted_on} and completed on {layaway.completed_on}: it is completed on "
                f"the ticket's day, {sold_on}, and accepted on that day or before."
            )
        key = (layaway.accepted_on, layaway.completed_on)
        if key not in self._days:
            self._settings = self._settings or Settings(self.session)
            taxing = self._stacks.on(layaway.accepted_on).jurisdictions
            settings = [self._settings.of(j.jurisdiction_id, self.mall.id, layaway.accepted_on) for j in taxing]
            at = {setting.layaway_at if setting else "completion" for setting in settings}
            if len(at) > 1:
                raise TicketRefused(
                    f"Of the jurisdictions that tax a layaway of {layaway.accepted_on} here, some do so at its agreement and "
                    "some at its completion: set it for the whole state."
                )
            day = tax_day("agreement" if at == {"agreement"} else "completion", layaway)
            self._days[key] = day or layaway.completed_on
        return self._days[key]


def require_reductions(number: str, sold_on: date, lines: Sequence[LineToTax]) -> None:
    """Refuse reductions that cannot be, of a ticket that is not taxed."""
    try:
        reduced_lines(TicketToTax(sold_on, tuple(lines)))
    except TicketRefused as error:
        raise Refusal(f"Ticket {number}: {error}") from error


# --- once more, at the month's end --------------------------------------------------------------------------------------


def recomputed_tax(session: Session, mall: Mall, month: Month) -> dict[int, int]:
    """Tax of a month's tickets computed again from their lines, facts and the dated rates: tax account id -> cents.

    Sales and untied returns are computed; what is tied is held to its own rows, which give back what was charged.
    """
    taxer = Taxer(session, mall)
    accounts = dict(session.execute(select(Jurisdiction.id, Jurisdiction.account_id)).all())
    sums: dict[int, int] = defaultdict(int)
    for facts, lines in _kept(session, mall, month):
        for part in taxer.tax_again(facts, lines).parts:
            sums[accounts[part.jurisdiction_id]] += part.amount_cents
    tied = or_(TicketLine.returns_line_id.is_not(None), (TaxCharged.position == DELIVERY) & Ticket.delivery_of_id.is_not(None))
    given_back = session.execute(
        select(TaxCharged.jurisdiction_id, func.sum(TaxCharged.amount_cents))
        .join(Ticket, Ticket.key == TaxCharged.ticket_key)
        .outerjoin(TicketLine, (TicketLine.ticket_id == Ticket.id) & (TicketLine.position == TaxCharged.position))
        .where(TaxCharged.mall_id == mall.id, TaxCharged.posting_date.between(month.first_day, month.last_day), tied)
        .group_by(TaxCharged.jurisdiction_id)
    )
    for jurisdiction_id, amount in given_back:
        sums[accounts[jurisdiction_id]] += int(amount)
    return {account_id: amount for account_id, amount in sums.items() if amount}


_FACTS = (
    Ticket.id,
    Ticket.number,
    Ticket.sold_on,
    Ticket.certificate,
    Ticket.certificate_kind,
    Ticket.delivery_cents,
    Ticket.delivery_of_id,
    Ticket.layaway_accepted_on,
    Ticket.layaway_completed_on,
)
_LINE = (
    TicketLine.tag_cents,
    TicketLine.quantity,
    TicketLine.tax_class,
    TicketLine.discount_cents,
    TicketLine.seller_coupon_cents,
    TicketLine.maker_coupon_cents,
    TicketLine.trade_in_cents,
    TicketLine.own_use,
)
"""In the order of LineToTax."""


def _kept(session: Session, mall: Mall, month: Month) -> Iterator[tuple[Facts, list[LineToTax]]]:
    """The month's tickets as far as they are not tied: their facts, their lines."""
    of_month = (
        Ticket.mall_id == mall.id,
        Ticket.posting_date.between(month.first_day, month.last_day),
        Ticket.taxed.is_(True),
    )
    fresh = (TicketLine.ticket_id == Ticket.id) & TicketLine.returns_line_id.is_(None)
    rows: Iterable[Sequence[Any]] = session.execute(
        select(*_FACTS, *_LINE)
        .join(TicketLine, fresh)
        .where(*of_month)
        .order_by(Ticket.id, TicketLine.position)
        .execution_options(yield_per=5000)
    )
    at = len(_FACTS)
    for ticket, lines in groupby(rows, key=lambda row: tuple(row[:at])):
        yield _facts(ticket), [LineToTax(*line[at:]) for line in lines]
    # Nothing but a delivery, or one beside tied items only.
    alone = select(*_FACTS).where(
        *of_month, Ticket.delivery_cents != 0, Ticket.delivery_of_id.is_(None), ~select(TicketLine.id).where(fresh).exists()
    )
    for row in session.execute(alone):
        yield _facts(row), []


def _facts(row: Sequence[Any]) -> Facts:
    _id, number, sold_on, certificate, kind, delivery, delivery_of, accepted_on, completed_on = row
    layaway = Layaway(accepted_on, completed_on) if accepted_on else None
    held = Certificate(certificate, kind, frozenset(), date.min) if certificate else None
    return Facts(number, sold_on, held, 0 if delivery_of else delivery, layaway)
