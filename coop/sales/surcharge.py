"""What a buyer who pays by card is charged on top: the mall's income, within the co-op's dated percent; given back with the sale.

It is an entry of its own beside the ticket's (purpose `surcharge`), is no part of any dealer's price, and bears no tax here.
"""

from __future__ import annotations

from datetime import date

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from coop.books.accounts import income_account, tender_account
from coop.books.domain.entries import EntryDraft
from coop.books.models import Account, Entry, Posting
from coop.books.rules import rules_on
from coop.core.errors import Refusal
from coop.core.money import format_dollars, round_half_up
from coop.floor.models import Mall
from coop.sales.domain import TicketIn
from coop.sales.models import Ticket, TicketLine

CAUTION = (
    "Some states forbid a surcharge or limit it, card networks want it announced beforehand, and it may be part of the price "
    "that is taxed, which is not worked out here. Ask whoever advises the co-op before you set one."
)
SURCHARGE = "surcharge"
"""Kind and purpose of its entries."""


def surcharge_draft(
    session: Session, mall: Mall, ticket: TicketIn, *, card_cents: int, sold_on: date, on: date, returns_line_ids: set[int]
) -> EntryDraft | None:
    """The entry of a ticket's surcharge; None without one. `card_cents` is what the ticket was paid by card, without it.

    Refuses one of the wrong sign, one above the percent of the day's house rules, and on a return more than is left of what the
    sale it is tied to was surcharged.
    """
    cents = ticket.surcharge_cents
    if not cents:
        return None
    if (cents < 0) != (ticket.kind == "return"):
        raise Refusal(f"Ticket {ticket.number}: a surcharge is charged on a sale and given back on a return; mend its sign.")
    if ticket.kind == "return":
        left = _left_of_sales(session, returns_line_ids)
        if -cents > left:
            raise Refusal(
                f"Ticket {ticket.number}: the surcharge given back is {format_dollars(-cents)}, and {format_dollars(left)} "
                "is left of what the sale was surcharged: write at most that."
            )
    else:
        percent = rules_on(session, sold_on).surcharge_percent
        most = round_half_up(max(0, card_cents) * percent / 100)
        if cents > most:
            raise Refusal(
                f"Ticket {ticket.number}: the surcharge is {format_dollars(cents)}; the house rules of that day allow "
                f"{format_dollars(most)} on {format_dollars(max(0, card_cents))} paid by card. Write at most that."
            )
    return EntryDraft(
        mall_id=mall.id,
        business_date=on,
        kind=SURCHARGE,
        source_kind="ticket",
        source_id=ticket.key,
        purpose=SURCHARGE,
        postings=((tender_account(session, mall, "card"), cents), (income_account(session, mall, "Card-surcharge"), -cents)),
        memo=f"Surcharge on ticket {ticket.number}"[:200],
    )


def _left_of_sales(session: Session, line_ids: set[int]) -> int:
    """Cents of surcharge on the sales of these lines that no return has given back."""
    sold, back = aliased(TicketLine), aliased(TicketLine)
    tickets = select(TicketLine.ticket_id).where(TicketLine.id.in_(line_ids))
    returns = select(back.ticket_id).join(sold, sold.id == back.returns_line_id).where(sold.ticket_id.in_(tickets))
    keys = select(Ticket.key).where(Ticket.id.in_(tickets) | Ticket.id.in_(returns))
    return -int(
        session.scalar(
            select(func.coalesce(func.sum(Posting.amount_cents), 0))
            .join(Account, Account.id == Posting.account_id)
            .join(Entry, Entry.id == Posting.entry_id)
            .where(Entry.source_kind == "ticket", Entry.purpose == SURCHARGE, Entry.source_id.in_(keys), Account.kind == "income")
        )
        or 0
    )
