"""The tax of a mall's tickets: from the facts a ticket carries, and again from those that are kept of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
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
from coop.sales.models import LayawayAgreement, LayawayLine, Ticket, TicketLine
from coop.tax.domain.compute import reduced_lines, tax_ticket
from coop.tax.domain.layaway import TaxedAt, complete, tax_day, taxed_at
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
    layaway_at: TaxedAt | None = None
    """As its agreement says; None: by the setting of the day of its agreement."""


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
        self._layaway_at: dict[date, TaxedAt] = {}

    def certificate(self, number: str) -> Certificate:
        """The certificate on file. Refuses a number there is not."""
        if number not in self._certificates:
            self._certificates[number] = certificate_of(self.session, number)
        return self._certificates[number]

    def tax(self, facts: Facts, lines: Sequence[LineToTax]) -> TicketTax:
        """The tax of lines sold together. Refuses, naming the ticket, what cannot be taxed."""
        try:
            on = self._day(facts)
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
            on = self._day(facts)
            states = frozenset(taxing.state for taxing in self._stacks.on(on).jurisdictions)
            facts = replace(facts, certificate=replace(facts.certificate, states=states))
        return self.tax(facts, lines)

    def _day(self, facts: Facts) -> date:
        """The day whose rates and rules tax a ticket: of a completed layaway, that of its agreement or of its completion."""
        layaway, sold_on = facts.layaway, facts.sold_on
        if layaway is None:
            return sold_on
        if layaway.completed_on is None:
            raise TicketRefused("The layaway is not completed: until it is, its payments are the customer's money and no sale.")
        if not layaway.accepted_on <= layaway.completed_on == sold_on:
            raise TicketRefused(
                f"The layaway was accepted on {layaway.accepted_on} and completed on {layaway.completed_on}: it is completed on "
                f"the ticket's day, {sold_on}, and accepted on that day or before."
            )
        return tax_day(facts.layaway_at or self.layaway_at(layaway.accepted_on), layaway) or layaway.completed_on

    def layaway_at(self, accepted_on: date) -> TaxedAt:
        """When a layaway accepted on that day is taxed. TicketRefused when the jurisdictions of its stack differ."""
        if accepted_on not in self._layaway_at:
            taxing = self._stacks.on(accepted_on).jurisdictions
            settings = [self.settings.of(j.jurisdiction_id, self.mall.id, accepted_on) for j in taxing]
            self._layaway_at[accepted_on] = taxed_at(setting.layaway_at if setting else "completion" for setting in settings)
        return self._layaway_at[accepted_on]

    def tax_agreement(self, accepted_on: date, lines: Sequence[LineToTax]) -> TicketTax:
        """The tax of a layaway at its agreement, by the rates of that day. Raises TicketRefused for what cannot be taxed."""
        ticket = TicketToTax(accepted_on, tuple(lines), layaway=Layaway(accepted_on))
        return tax_ticket(ticket, self._stacks.on(accepted_on))

    @property
    def settings(self) -> Settings:
        if self._settings is None:
            self._settings = Settings(self.session)
        return self._settings

    def theirs(self, jurisdiction_id: int, on: date) -> bool:
        """Whether dealers owe that jurisdiction's tax themselves on a day."""
        return self.settings.dealers_owe(jurisdiction_id, self.mall.id, on)

    def owed_by_dealers(self, on: date) -> bool:
        """Whether dealers owe some tax of a day's sales themselves."""
        return any(self.theirs(j.jurisdiction_id, on) for j in self._stacks.on(on).jurisdictions)


def tax_rows(
    of_ticket: Mapping[str, Any],
    tax: TicketTax,
    place: Callable[[int, int], tuple[int, int | None]],
    certificate: Callable[[int, str], str] = lambda line, reason: "",
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The rows to write of a ticket's tax: what was charged, and what was not taxed and why.

    `place` says position and dealer of a line for a jurisdiction, `certificate` the number that is why a line is not taxed.
    """
    charged = [
        {
            **of_ticket,
            **dict(zip(("position", "dealer_id"), place(part.line, part.jurisdiction_id), strict=True)),
            "jurisdiction_id": part.jurisdiction_id,
            "rate_id": part.rate_id,
            "part": part.part,
            "taxable_cents": part.taxable_cents,
            "amount_cents": part.amount_cents,
        }
        for part in tax.parts
    ]
    untaxed = [
        {
            **of_ticket,
            **dict(zip(("position", "dealer_id"), place(row.line, row.jurisdiction_id), strict=True)),
            "jurisdiction_id": row.jurisdiction_id,
            "kind": row.kind,
            "reason": row.reason,
            "certificate": certificate(row.line, row.reason),
            "amount_cents": row.amount_cents,
        }
        for row in tax.untaxed
    ]
    return charged, untaxed


def require_reductions(number: str, sold_on: date, lines: Sequence[LineToTax]) -> None:
    """Refuse reductions that cannot be, of a ticket that is not taxed."""
    try:
        reduced_lines(TicketToTax(sold_on, tuple(lines)))
    except TicketRefused as error:
        raise Refusal(f"Ticket {number}: {error}") from error


# --- once more, at the month's end --------------------------------------------------------------------------------------


def recomputed_tax(session: Session, mall: Mall, month: Month) -> dict[int, int]:
    """Tax of a month's tickets computed again from their lines, facts and the dated rates: tax account id -> cents.

    Sales and untied returns are computed; what is tied is held to its own rows, which give back what was charged. A layaway taxed
    at its agreement counts on that day, and what its end changed of it on the day of the end.
    """
    taxer = Taxer(session, mall)
    accounts = dict(session.execute(select(Jurisdiction.id, Jurisdiction.account_id)).all())
    sums: dict[int, int] = defaultdict(int)
    for facts, lines in _kept(session, mall, month):
        for part in taxer.tax_again(facts, lines).parts:
            sums[accounts[part.jurisdiction_id]] += part.amount_cents
    for layaway, items in _agreed(session, mall, month):
        for sign, tax in _layaway_tax(taxer, layaway, items, month):
            for part in tax.parts:
                sums[accounts[part.jurisdiction_id]] += sign * part.amount_cents
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
    LayawayAgreement.taxed_at,
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


_AT_AGREEMENT = LayawayAgreement.taxed_at == "agreement"


def _agreed(session: Session, mall: Mall, month: Month) -> Iterator[tuple[LayawayAgreement, list[LineToTax]]]:
    """The layaways taxed at their agreement that were agreed or ended in a month, with their items."""
    days = (month.first_day, month.last_day)
    rows = session.execute(
        select(LayawayAgreement, LayawayLine)
        .join(LayawayLine, LayawayLine.layaway_id == LayawayAgreement.id)
        .where(
            LayawayAgreement.mall_id == mall.id,
            _AT_AGREEMENT,
            or_(LayawayAgreement.accepted_on.between(*days), LayawayAgreement.closed_on.between(*days)),
        )
        .order_by(LayawayAgreement.id, LayawayLine.position)
    )
    for layaway, items in groupby(rows, key=lambda row: row[0]):
        yield layaway, [layaway_line(item) for _, item in items]


def layaway_line(item: LayawayLine) -> LineToTax:
    """An item of a layaway, as it is kept."""
    return LineToTax(item.tag_cents, item.quantity, item.tax_class, item.discount_cents)


def _layaway_tax(
    taxer: Taxer, layaway: LayawayAgreement, items: Sequence[LineToTax], month: Month
) -> Iterator[tuple[int, TicketTax]]:
    """What a layaway charged and gave back in a month, computed again, with its sign."""
    charged = taxer.tax_agreement(layaway.accepted_on, items)
    if Month.of(layaway.accepted_on) == month:
        yield 1, charged
    if layaway.closed_on is None or Month.of(layaway.closed_on) != month:
        return
    if layaway.state == "cancelled":
        yield -1, charged
        return
    whole = Facts(
        str(layaway.number), layaway.closed_on, layaway=Layaway(layaway.accepted_on, layaway.closed_on), layaway_at="agreement"
    )
    yield 1, complete(taxer.tax(whole, items), charged)


def _kept(session: Session, mall: Mall, month: Month) -> Iterator[tuple[Facts, list[LineToTax]]]:
    """The month's tickets as far as they are not tied: their facts, their lines."""
    of_month = (
        Ticket.mall_id == mall.id,
        Ticket.posting_date.between(month.first_day, month.last_day),
        Ticket.taxed.is_(True),
        func.coalesce(LayawayAgreement.taxed_at, "completion") == "completion",
    )
    fresh = (TicketLine.ticket_id == Ticket.id) & TicketLine.returns_line_id.is_(None)
    rows: Iterable[Sequence[Any]] = session.execute(
        select(*_FACTS, *_LINE)
        .join(TicketLine, fresh)
        .outerjoin(LayawayAgreement, LayawayAgreement.ticket_id == Ticket.id)
        .where(*of_month)
        .order_by(Ticket.id, TicketLine.position)
        .execution_options(yield_per=5000)
    )
    at = len(_FACTS)
    for ticket, lines in groupby(rows, key=lambda row: tuple(row[:at])):
        yield _facts(ticket), [LineToTax(*line[at:]) for line in lines]
    # Nothing but a delivery, or one beside tied items only.
    no_item = ~select(TicketLine.id).where(fresh).exists()
    alone = (
        select(*_FACTS)
        .outerjoin(LayawayAgreement, LayawayAgreement.ticket_id == Ticket.id)
        .where(*of_month, Ticket.delivery_cents != 0, Ticket.delivery_of_id.is_(None), no_item)
    )
    for row in session.execute(alone):
        yield _facts(row), []


def _facts(row: Sequence[Any]) -> Facts:
    _id, number, sold_on, certificate, kind, delivery, delivery_of, accepted_on, completed_on, layaway_at = row
    layaway = Layaway(accepted_on, completed_on) if accepted_on else None
    held = Certificate(certificate, kind, frozenset(), date.min) if certificate else None
    return Facts(number, sold_on, held, 0 if delivery_of else delivery, layaway, layaway_at)
