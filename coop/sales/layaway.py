"""Layaways: agreed, paid over weeks, completed or cancelled; what is held is the buyer's until the sale.

Each step posts once. What buyers paid stands on `Liabilities:Layaway:MALL`, and is what the moves say. Taxed at its agreement,
the tax is charged and reported on that day and owed by the buyer (`Assets:Layaway-tax:MALL`), so that her money stays whole; its
rows stand under the key of the ticket to come. Taxed at completion, its ticket is taxed as any other of that day.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import Select, func, insert, select, update
from sqlalchemy.orm import Session

from coop.books.accounts import income_account
from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.jobs import short_job
from coop.core.money import cents, format_dollars
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.layaway_books import (
    HELD,
    add_move,
    charge,
    charged_of,
    facts_of,
    give_back,
    held_of,
    items_of,
    layaway_account,
    layaway_tax_account,
    post,
    source_of,
    take,
    ticket_key,
    to_states,
    total_on,
)
from coop.sales.models import LayawayAgreement, LayawayLine, LayawayMove, Ticket
from coop.sales.service import take_tickets
from coop.sales.taxing import Taxer, line_to_tax
from coop.tax.domain.layaway import cancel
from coop.tax.domain.ticket import TicketRefused

MOST_DAYS = 730
CAUTION = (
    "The state's rule decides when a layaway is taxed, and its law may say what the agreement must hold, how large a fee may be "
    "and how soon money goes back: have the wording checked before it is used."
)
"""Shown wherever a layaway is agreed or ended."""


class DepositRefused(Refusal):
    """The deposit is not one that can be taken."""


class PaymentRefused(Refusal):
    """The payment is not one that can be taken."""


KEEP_BUYERS = timedelta(days=400)
"""After the end of a layaway: its buyer's name is not needed for what she may still bring back."""


@dataclass(frozen=True)
class Terms:
    """What is printed on an agreement, beside its items."""

    buyer_name: str
    due_days: int
    """From the day of the agreement to the last day for paying."""
    buyer_contact: str = ""
    fee_cents: int = 0
    """Kept when it is cancelled: in dollars, or, with a percent, that of the prices together."""
    fee_percent: Decimal | None = None


# --- reads --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Listed:
    """A layaway of a list, with what is held of it in cents."""

    layaway: LayawayAgreement
    held_cents: int

    @property
    def left_cents(self) -> int:
        """What is to be paid still, by the tax of the day of the agreement."""
        return max(0, self.layaway.net_cents + self.layaway.tax_cents - self.held_cents)


HELD_OF = select(HELD).where(LayawayMove.layaway_id == LayawayAgreement.id).correlate(LayawayAgreement).scalar_subquery()
"""What is held of a layaway, in cents."""


def layaways_query(mall_id: int) -> Select[LayawayAgreement, int]:
    """A mall's layaways, each with what is held of it."""
    return select(LayawayAgreement, HELD_OF).where(LayawayAgreement.mall_id == mall_id)


@dataclass(frozen=True)
class OpenLayaways:
    """What of a mall's layaways is open, all of it."""

    count: int
    held_cents: int


def open_layaways(session: Session, mall_id: int) -> OpenLayaways:
    """How many of a mall's layaways are open, and what is held of them together. One query."""
    count, held = session.execute(
        select(func.count(LayawayAgreement.id.distinct()), HELD)
        .join(LayawayMove, LayawayMove.layaway_id == LayawayAgreement.id)
        .where(LayawayAgreement.mall_id == mall_id, LayawayAgreement.state == "open")
    ).one()
    return OpenLayaways(int(count), int(held))


# --- what happens -------------------------------------------------------------------------------------------------------


def agree_layaway(
    session: Session,
    now: datetime,
    mall: Mall,
    lines: Sequence[LineIn],
    terms: Terms,
    *,
    deposit: TenderIn,
    key: str,
    user_id: int | None = None,
) -> LayawayAgreement:
    """Agree on a layaway and take its deposit. The same key again answers the first agreement.

    Refuses items without a dealer or a price, coupons and trade-ins, a deposit above the total, a stack whose jurisdictions tax
    layaways on different days, and one taxed at its agreement where dealers file the tax themselves.
    """
    # The mall's row is held, so that two at once count on, and the second press of one form finds the first.
    hold_mall(session, mall.id)
    found = session.scalar(select(LayawayAgreement).where(LayawayAgreement.key == key))
    if found is not None:
        return found
    _require_terms(lines, terms)
    accepted_on = local_date(now, mall.timezone)
    taxer = Taxer(session, mall)
    try:
        at = taxer.layaway_at(accepted_on)
        tax = taxer.tax_agreement(accepted_on, [line_to_tax(line) for line in lines])
    except TicketRefused as error:
        raise Refusal(f"The layaway cannot be agreed: {error}") from error
    if at == "agreement" and taxer.owed_by_dealers(accepted_on):
        raise Refusal(
            "Here a layaway is taxed at its agreement, and dealers file the tax of their sales themselves: a dealer would owe it "
            "before she is paid. Set the state to tax layaways at completion, if its rule lets you, or the co-op to file."
        )
    net = sum(line.price_cents for line in lines)
    paid = deposit.amount_cents or 0
    if not 0 < paid <= net + tax.total_cents:
        raise DepositRefused(
            f"The deposit is {format_dollars(paid)}: it lies above nothing and is at most the prices with their tax, "
            f"{format_dollars(net + tax.total_cents)}."
        )
    fee = terms.fee_cents if terms.fee_percent is None else cents(terms.fee_percent * net / 10_000)
    last = session.scalar(select(func.max(LayawayAgreement.number)).where(LayawayAgreement.mall_id == mall.id))
    layaway = LayawayAgreement(
        mall_id=mall.id,
        number=(last or 0) + 1,
        key=key,
        buyer_name=terms.buyer_name.strip(),
        buyer_contact=terms.buyer_contact.strip(),
        accepted_on=accepted_on,
        due_on=accepted_on + timedelta(days=terms.due_days),
        taxed_at=at,
        net_cents=net,
        tax_cents=tax.total_cents,
        deposit_cents=paid,
        fee_percent=terms.fee_percent,
        fee_cents=fee,
        agreed_at=now,
        agreed_by=user_id,
        state="open",
    )
    session.add(layaway)
    session.flush()
    session.execute(insert(LayawayLine), [_kept(layaway, n, line) for n, line in enumerate(lines, start=1)])
    if at == "agreement":
        charge(session, now, mall, layaway, tax, accepted_on, taxer)
        if tax.total_cents:
            owed = (layaway_tax_account(session, mall), tax.total_cents)
            post(session, now, mall, layaway, "agreement", accepted_on, [owed, *to_states(session, tax)])
    take(session, now, mall, layaway, deposit.kind, paid, key=f"{key}:deposit", user_id=user_id)
    audit.record(session, now, "layaway agreed", "layaway", source_of(mall, layaway), user_id=user_id)
    return layaway


def take_layaway_payment(
    session: Session, now: datetime, layaway: LayawayAgreement, tender: TenderIn, *, key: str, user_id: int | None = None
) -> LayawayMove:
    """Take a payment on an open layaway. The same key again answers the first payment.

    Refuses an ended layaway, nothing, and more than is left to pay by the rates of today.
    """
    mall = _hold(session, layaway)
    found = session.scalar(select(LayawayMove).where(LayawayMove.key == key))
    if found is not None:
        return found
    _require_open(layaway)
    amount = tender.amount_cents or 0
    left = total_on(session, mall, layaway, local_date(now, mall.timezone)) - held_of(session, layaway)
    if not 0 < amount <= left:
        raise PaymentRefused(
            f"The payment is {format_dollars(amount)}: {format_dollars(max(0, left))} is left to pay today. "
            + ("Write an amount up to that." if left > 0 else "Complete the layaway, or cancel it.")
        )
    move = take(session, now, mall, layaway, tender.kind, amount, key=key, user_id=user_id)
    audit.record(session, now, "layaway paid", "layaway", source_of(mall, layaway), user_id=user_id)
    return move


def complete_layaway(
    session: Session, now: datetime, layaway: LayawayAgreement, *, tender: str = "cash", user_id: int | None = None
) -> Ticket:
    """Hand it over: the ticket of today, paid with what is held. What is held beyond it goes back by `tender`.

    Refuses an ended layaway, and one that is not all paid by the rates of today, naming what is left.
    """
    mall = _hold(session, layaway)
    _require_open(layaway)
    today = local_date(now, mall.timezone)
    total, held = total_on(session, mall, layaway, today), held_of(session, layaway)
    if held < total:
        raise Refusal(
            f"{format_dollars(total - held)} is left to pay: of {format_dollars(total)} by today's tax, "
            f"{format_dollars(held)} is held. Take the payment first."
        )
    if held > total:
        give_back(session, now, mall, layaway, tender, held - total, today, purpose="excess", user_id=user_id)
    ticket_id = take_tickets(session, now, mall, [_ticket(session, now, mall, layaway, total, today, user_id)])[0]
    ticket = session.get_one(Ticket, ticket_id)
    if ticket.entry_id is None:
        raise LookupError(f"the ticket of layaway {layaway.id} has no entry")
    add_move(session, layaway, "sold", "", total, today, ticket.entry_id, key=f"{layaway.id}:sold", user_id=user_id)
    layaway.state, layaway.closed_on, layaway.ticket_id = "completed", today, ticket_id
    session.flush()
    audit.record(session, now, "layaway completed", "layaway", source_of(mall, layaway), user_id=user_id)
    return ticket


def cancel_layaway(
    session: Session, now: datetime, layaway: LayawayAgreement, *, tender: str = "cash", user_id: int | None = None
) -> int:
    """Cancel it: all that is held goes back by `tender`, but the printed fee; cents given back.

    Tax charged at the agreement is given back today, exactly. Refuses an ended layaway.
    """
    mall = _hold(session, layaway)
    _require_open(layaway)
    today = local_date(now, mall.timezone)
    over = cancel(
        paid_cents=held_of(session, layaway), printed_fee_cents=layaway.fee_cents, charged=charged_of(session, mall, layaway)
    )
    if layaway.taxed_at == "agreement":
        charge(session, now, mall, layaway, over.tax, today, Taxer(session, mall))
        if over.tax.total_cents:
            owed = (layaway_tax_account(session, mall), over.tax.total_cents)
            post(session, now, mall, layaway, "tax given back", today, [owed, *to_states(session, over.tax)])
    if over.fee_cents:
        kept = [
            (layaway_account(session, mall), over.fee_cents),
            (income_account(session, mall, "Layaway-fees"), -over.fee_cents),
        ]
        entry_id = post(session, now, mall, layaway, "fee", today, kept)
        add_move(session, layaway, "fee", "", over.fee_cents, today, entry_id, key=f"{layaway.id}:fee", user_id=user_id)
    if over.given_back_cents:
        give_back(session, now, mall, layaway, tender, over.given_back_cents, today, purpose="cancellation", user_id=user_id)
    layaway.state, layaway.closed_on = "cancelled", today
    session.flush()
    audit.record(session, now, "layaway cancelled", "layaway", source_of(mall, layaway), user_id=user_id)
    return over.given_back_cents


def forget_layaway_buyer(session: Session, now: datetime, layaway: LayawayAgreement, *, user_id: int | None = None) -> None:
    """Remove the buyer's name from an ended layaway; its money and its ticket stay. Refuses an open one: it is hers to fetch."""
    mall = _hold(session, layaway)
    if layaway.state == "open":
        raise Refusal("The layaway is open: its buyer's name is needed until it is completed or cancelled.")
    layaway.buyer_name = layaway.buyer_contact = ""
    session.flush()
    audit.record(session, now, "layaway buyer removed", "layaway", source_of(mall, layaway), user_id=user_id)


@short_job("sales.forget_layaway_buyers")
def _forget_buyers(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """Names on layaways that ended long ago, named daily by the schedule."""
    session.execute(
        update(LayawayAgreement)
        .where(LayawayAgreement.closed_on < (now - KEEP_BUYERS).date(), LayawayAgreement.buyer_name != "")
        .values(buyer_name="", buyer_contact="")
    )


# --- how ----------------------------------------------------------------------------------------------------------------


def _require_terms(lines: Sequence[LineIn], terms: Terms) -> None:
    if not terms.buyer_name.strip():
        raise Refusal("The buyer's name is empty: write who takes the layaway.")
    if not 1 <= terms.due_days <= MOST_DAYS:
        raise Refusal(f"Due in {terms.due_days} days: write a number of days from 1 to {MOST_DAYS}.")
    if terms.fee_cents < 0 or not 0 <= (terms.fee_percent or 0) <= 100:
        raise Refusal("The fee lies below nothing or above the price: mend it, or write 0 for none.")
    for n, line in enumerate(lines, start=1):
        if line.dealer_id is None or not line.description.strip():
            raise Refusal(f"Item {n} has no dealer or no words: a layaway sets aside what is somebody's.")
        if line.quantity <= 0 or not 0 <= line.discount_cents <= line.tag_cents:
            raise Refusal(f"Item {n}: the discount lies between nothing and the price.")
        if line.discount_cents and not line.discount_authority.strip():
            raise Refusal(f"Item {n} has a discount and nobody who allowed it: say who did.")
        if line.seller_coupon_cents or line.maker_coupon_cents or line.trade_in_cents or line.own_use:
            raise Refusal(f"Item {n}: coupons, trade-ins and a resale buyer's own use are not taken on a layaway.")
    if sum(line.price_cents for line in lines) <= 0:
        raise Refusal("The layaway has no item with a price: write at least one.")


def _kept(layaway: LayawayAgreement, position: int, line: LineIn) -> dict[str, Any]:
    return {
        "layaway_id": layaway.id,
        "position": position,
        "dealer_id": line.dealer_id,
        # By its tag a returned item is found again.
        "tag": line.tag or f"L{layaway.number}-{position}",
        "description": line.description,
        "tax_class": line.tax_class,
        "quantity": line.quantity,
        "unit_price": line.unit_price,
        "tag_cents": line.tag_cents,
        "discount_cents": line.discount_cents,
        "discount_reason": line.discount_reason,
        "discount_authority": line.discount_authority,
        "price_cents": line.price_cents,
    }


def _hold(session: Session, layaway: LayawayAgreement) -> Mall:
    """Hold the row, so that of two steps at once the second sees what the first did; its mall."""
    session.refresh(layaway, with_for_update=True)
    return session.get_one(Mall, layaway.mall_id)


def _require_open(layaway: LayawayAgreement) -> None:
    if layaway.state != "open":
        raise Refusal(f"Layaway {layaway.number} was {layaway.state} on {layaway.closed_on}: nothing more can be done with it.")


def _ticket(
    session: Session, now: datetime, mall: Mall, layaway: LayawayAgreement, total: int, today: date, user_id: int | None
) -> TicketIn:
    key = ticket_key(mall, layaway)
    lines = tuple(
        LineIn(
            position=item.position,
            dealer_id=item.dealer_id,
            tag=item.tag,
            description=item.description,
            quantity=item.quantity,
            unit_price=item.unit_price,
            tag_cents=item.tag_cents,
            discount_cents=item.discount_cents,
            discount_reason=item.discount_reason,
            discount_authority=item.discount_authority,
            tax_class=item.tax_class,
        )
        for item in items_of(session, layaway)
    )
    facts = facts_of(layaway, today)
    return TicketIn(
        key=key,
        number=facts.number,
        source=f"{mall.code}/layaways",
        kind="sale",
        sold_at=now,
        lines=lines,
        tenders=(TenderIn("layaway", total),),
        # What is brought back is tied to this sale and no other.
        buyer_key=hashlib.sha256(key.encode()).hexdigest()[:32],
        layaway=facts.layaway,
        layaway_at=facts.layaway_at,
        charged=charged_of(session, mall, layaway) if layaway.taxed_at == "agreement" else None,
        rung_by=user_id,
    )
