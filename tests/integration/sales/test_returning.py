"""Returns give back what was charged, tied to what was bought."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.membership import add_dealer, found_coop
from coop.floor.service import add_mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.models import Ticket, TicketLine
from coop.sales.service import take_tickets
from coop.sales.taxing import recomputed_tax
from coop.tax.models import TaxCharged
from coop.tax.queries import charged_by_account
from coop.tax.service import add_jurisdiction, set_place, set_rate

NOON = datetime(2026, 10, 5, 18, 0, tzinfo=UTC)


@pytest.fixture
def mall(sessions, now):
    """A mall taxed at 5% until October 9, and at 8% from the 10th."""
    with transaction(sessions) as session:
        found_coop(session, now, "Trial", commission_percent=Decimal(10))
        mall = add_mall(session, now, "MAIN", name="Main", timezone="America/Chicago")
        add_dealer(session, now, "D01", name="One")
        state = add_jurisdiction(session, code="STATE", name="State", kind="state")
        set_rate(session, state, Decimal(5), starts_on=date(2026, 1, 1), ends_on=date(2026, 10, 9))
        set_rate(session, state, Decimal(8), starts_on=date(2026, 10, 10))
        set_place(session, mall.id, [state], starts_on=date(2026, 1, 1))
    return mall


def ticket(number: str, at: datetime, *lines: tuple[str, int, int], buyer: str = "b") -> TicketIn:
    items = tuple(
        LineIn(n, 1, tag, "Plate", quantity, Decimal(cents) / 100 / quantity, cents)
        for n, (tag, quantity, cents) in enumerate(lines, 1)
    )
    kind = "return" if lines[0][2] < 0 else "sale"
    return TicketIn(f"MAIN/desk/{number}", number, "MAIN/desk", kind, at, items, (TenderIn("cash"),), buyer_key=buyer)


def taken(sessions, now, mall, *tickets: TicketIn) -> None:
    with transaction(sessions) as session:
        take_tickets(session, now, mall, tickets)


def taxes(sessions) -> dict[str, int]:
    with transaction(sessions) as session:
        return dict(session.execute(select(Ticket.number, Ticket.tax_cents)).all())


def test_a_return_after_a_rate_change_gives_back_the_old_tax(sessions, now, mall):
    taken(sessions, now, mall, ticket("1", NOON, ("A", 1, 10000)))
    taken(sessions, now, mall, ticket("2", NOON + timedelta(days=10), ("A", -1, -10000)))
    assert taxes(sessions) == {"1": 500, "2": -500}


def test_parts_of_a_line_give_back_together_what_the_whole_was_charged(sessions, now, mall):
    # 3 x 33.33 = 99.99 at 5% is 5.00; thirds of it are 1.67, 1.66 and 1.67 in some order.
    taken(sessions, now, mall, ticket("1", NOON, ("A", 3, 9999)))
    for n in (2, 3, 4):
        taken(sessions, now, mall, ticket(str(n), NOON + timedelta(days=n), ("A", -1, -3333)))
    back = taxes(sessions)
    assert back["1"] == 500
    assert back["2"] + back["3"] + back["4"] == -500


def test_one_line_of_a_ticket_gives_back_its_share(sessions, now, mall):
    # Two lines of 0.10 at 5%: the ticket owes 1 cent, which one of the lines carries; both back is 1 cent back.
    taken(sessions, now, mall, ticket("1", NOON, ("A", 1, 10), ("B", 1, 10)))
    taken(sessions, now, mall, ticket("2", NOON + timedelta(days=1), ("A", -1, -10)))
    taken(sessions, now, mall, ticket("3", NOON + timedelta(days=2), ("B", -1, -10)))
    back = taxes(sessions)
    assert back["1"] == 1
    assert back["2"] + back["3"] == -1


def test_never_more_than_was_bought_and_bought_in_the_same_batch(sessions, now, mall):
    one = ticket("1", NOON, ("A", 1, 10000))
    back = ticket("2", NOON + timedelta(minutes=5), ("A", -1, -10000))
    again = ticket("3", NOON + timedelta(minutes=9), ("A", -1, -10000))
    other = ticket("4", NOON + timedelta(minutes=9), ("A", -1, -10000), buyer="somebody else")
    taken(sessions, now, mall, one, back, again, other)
    with transaction(sessions) as session:
        rows = session.execute(
            select(Ticket.number, TicketLine.returns_line_id).join(TicketLine, TicketLine.ticket_id == Ticket.id)
        )
        tied = dict(rows.all())
        sold = session.scalars(select(TicketLine.id).join(Ticket).where(Ticket.number == "1")).one()
    assert tied == {"1": None, "2": sold, "3": None, "4": None}


def test_the_month_recomputed_from_its_lines_is_what_was_charged(sessions, now, mall):
    month = Month(2026, 10)
    taken(sessions, now, mall, ticket("1", NOON, ("A", 1, 10033), ("B", 2, 778)))
    taken(sessions, now, mall, ticket("2", NOON + timedelta(days=10), ("A", -1, -10033), ("C", -1, -250)))
    with transaction(sessions) as session:
        charged = charged_by_account(session, mall.id, month)
        assert recomputed_tax(session, mall, month) == charged
        assert sum(charged.values()) == sum(session.scalars(select(TaxCharged.amount_cents)))


def test_a_mall_without_a_tax_place_sells_nothing_untaxed(sessions, now, mall):
    with transaction(sessions) as session:
        bare = add_mall(session, now, "BARE", name="Bare", timezone="America/Chicago")
    with pytest.raises(Refusal, match="no tax place"):
        taken(sessions, now, bare, ticket("1", NOON, ("A", 1, 100)))
