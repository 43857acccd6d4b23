"""What happens at the demo's desks beside selling: unclaimed sales asked for, gift certificates, layaways."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.cli.demo_coop import MANAGER, dealer_of, user_of
from coop.cli.demo_sales import Desk
from coop.floor.models import Mall
from coop.sales.claims import UNCLAIMED, ask_claim, grant_claim, refuse_claim
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.gifts import sell_certificate
from coop.sales.layaway import Terms, agree_layaway, cancel_layaway, complete_layaway, take_layaway_payment
from coop.sales.layaway_books import held_of, total_on
from coop.sales.models import LayawayAgreement, Ticket, TicketLine

_ASKED_PERCENT, _MISTAKEN_PERCENT = 74, 4
"""Of unclaimed sales: whose dealer asks, and for which another asks by mistake. The rest nobody asks for, and they grow old."""
_KNOWN_AFTER = timedelta(days=4)
_UNDECIDED = timedelta(days=9)
"""What was asked for in the last days waits for the manager."""


def claim_week(session: Session, now: datetime, mall: Mall, desk: Desk, today: date, seen: set[int]) -> None:
    """Dealers ask for last week's unclaimed sales, and the manager decides in the afternoon."""
    manager, day = user_of(session, MANAGER), now.date()
    rows = session.execute(
        select(TicketLine, Ticket.key)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(TicketLine.mall_id == mall.id, TicketLine.posting_date <= day - _KNOWN_AFTER, *UNCLAIMED)
        .order_by(TicketLine.id)
    ).all()
    for line, key in rows:
        whose = desk.whose.get((key, line.position))
        if line.id in seen or whose is None:
            continue
        seen.add(line.id)
        luck = random.Random(f"{desk.seed}:claim:{key}:{line.position}").randrange(100)
        if luck < _ASKED_PERCENT and desk.sells(whose, day):
            words = f"On my list: {line.description.lower()}, tag lost"
            claim = ask_claim(session, now, line, dealer_of(session, whose.number), words=words)
            if day < today - _UNDECIDED:
                grant_claim(session, now + timedelta(hours=3), claim, user_id=manager)
        elif luck >= 100 - _MISTAKEN_PERCENT:
            other = next(d for d in desk.dealers if d.number != whose.number and desk.sells(d, day))
            claim = ask_claim(session, now, line, dealer_of(session, other.number), words="I think this was mine")
            said = "Her own piece was found on her shelf the same evening."
            refuse_claim(session, now + timedelta(hours=3), claim, decision=said, user_id=manager)


@dataclass
class Gifts:
    """Certificates sold, and those that are to be used."""

    sold: int = 0
    out: list[tuple[date, str, int]] = field(default_factory=list)
    """(the day after which it is used, number, cents)"""

    def sell(self, session: Session, now: datetime, mall: Mall, on: date) -> None:
        """One more; of three, two are used after some weeks."""
        amount = (25_00, 50_00, 40_00)[self.sold % 3]
        key = f"demo/gift/{self.sold}"
        made = sell_certificate(session, now, mall, amount_cents=amount, tender="card", on=on, key=key)
        if self.sold % 3:
            self.out.append((on + timedelta(days=20 + 9 * (self.sold % 4)), made.number, amount))
        self.sold += 1

    def use(self, tickets: Sequence[TicketIn], day: date) -> list[TicketIn]:
        """A day's tickets, the first that is large enough paid with a certificate whose time has come."""
        taken = list(tickets)
        for due, number, cents in [one for one in self.out if one[0] <= day]:
            for n, ticket in enumerate(taken):
                worth = sum(line.price_cents for line in ticket.lines)
                if ticket.kind == "sale" and not ticket.buyer_key and worth >= cents and len(ticket.tenders) == 1:
                    taken[n] = replace(ticket, tenders=(TenderIn("gift", cents, gift=number), ticket.tenders[0]))
                    self.out.remove((due, number, cents))
                    break
        return taken


@dataclass(frozen=True)
class SetAside:
    """A layaway of the demo: agreed on a day of a month so many before the running one, and how it ends."""

    key: str
    months_back: int
    day: int
    dealer: int
    item: str
    dollars: int
    buyer: str
    ends: str = ""
    """`completed` or `cancelled`; empty: it is open still."""


LAYAWAYS = (
    SetAside("demo/layaway/1", 6, 12, 7, "Oak dresser with mirror", 420, "Imogen Farrow", "completed"),
    SetAside("demo/layaway/2", 4, 8, 28, "Pair of ladder-back chairs", 180, "Casper Lowe", "cancelled"),
    SetAside("demo/layaway/3", 1, 21, 7, "Bookcase with glass doors", 360, "Wanda Pryce"),
)


def agree(session: Session, now: datetime, mall: Mall, one: SetAside) -> None:
    """A fifth is paid down."""
    dealer = dealer_of(session, one.dealer)
    line = LineIn(1, dealer.id, f"{dealer.code}-LAY", one.item, 1, Decimal(one.dollars), one.dollars * 100)
    terms = Terms(one.buyer, 90, "555 0119", fee_cents=10_00)
    agree_layaway(session, now, mall, [line], terms, deposit=TenderIn("card", one.dollars * 20), key=one.key)


def pay_part(session: Session, now: datetime, mall: Mall, one: SetAside) -> None:
    """A third of what is left."""
    found = _layaway(session, one)
    left = total_on(session, mall, found, now.date()) - held_of(session, found)
    take_layaway_payment(session, now, found, TenderIn("card", left // 3), key=f"{one.key}:part")


def end(session: Session, now: datetime, mall: Mall, one: SetAside) -> None:
    """It is paid and handed over, or given up."""
    found = _layaway(session, one)
    if one.ends == "cancelled":
        cancel_layaway(session, now, found, tender="card")
        return
    left = total_on(session, mall, found, now.date()) - held_of(session, found)
    take_layaway_payment(session, now, found, TenderIn("card", left), key=f"{one.key}:rest")
    complete_layaway(session, now, found, tender="card")


def _layaway(session: Session, one: SetAside) -> LayawayAgreement:
    return session.scalars(select(LayawayAgreement).where(LayawayAgreement.key == one.key)).one()
