"""The month-end's step for tax: passed to dealers who owe it, and computed again from the tickets' lines."""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import text

from coop.books.queries import dealer_balances_before
from coop.closing.queries import dealer_rows
from coop.closing.steps import StepRefused, check_tax
from coop.core.db import dialect_name, transaction
from coop.core.periods import Month
from coop.dealers.membership import add_dealer, found_coop
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from coop.tax.service import Terms, add_jurisdiction, set_place, set_rate, set_setting

OCTOBER = Month(2026, 10)


def sell(sessions, now, *, owed_by: str) -> int:
    """A mall taxed at 7%, and one item of $100.00 sold by dealer D01; the mall's id."""
    with transaction(sessions) as session:
        found_coop(session, now, "Trial", commission_percent=Decimal(10))
        mall = add_mall(session, now, "MAIN", name="Main", timezone="America/Chicago")
        dealer = add_dealer(session, now, "D01", name="One")
        state = add_jurisdiction(session, code="STATE", name="State", kind="state", state_fips="55")
        set_rate(session, state, Decimal(7), starts_on=date(2026, 1, 1))
        set_place(session, mall.id, [state], starts_on=date(2026, 1, 1))
        set_setting(session, Terms(owed_by=owed_by), starts_on=date(2026, 1, 1), jurisdiction=state)
        line = LineIn(1, dealer.id, "D01-1", "Plate", 1, Decimal(100), 10000)
        at = datetime(2026, 10, 6, 18, 0, tzinfo=UTC)
        take_tickets(session, now, mall, [TicketIn("k", "1", "MAIN/desk", "sale", at, (line,), (TenderIn("cash"),))])
        return mall.id


@pytest.mark.parametrize(("owed_by", "owed"), [("coop", 10000), ("dealer", 10700)])
def test_tax_passes_to_the_dealers_where_they_owe_it_and_once(sessions, now, owed_by, owed):
    mall_id = sell(sessions, now, owed_by=owed_by)
    for _again in range(2):
        with transaction(sessions) as session:
            report = check_tax(session, now, session.get_one(Mall, mall_id), OCTOBER).report
            assert "$7.00 was collected." in report
            assert list(dealer_balances_before(session, mall_id, OCTOBER.next.first_day).values()) == [owed]


def test_tax_passed_to_a_dealer_is_told_apart_from_what_was_paid(sessions, now):
    mall_id = sell(sessions, now, owed_by="dealer")
    with transaction(sessions) as session:
        check_tax(session, now, session.get_one(Mall, mall_id), OCTOBER)
        (row,) = dealer_rows(session, mall_id, OCTOBER)
    assert (row.net, row.tax_collected, row.tax_to_file, row.paid, row.closing) == (10000, 700, 700, 0, 10700)


def test_a_line_that_was_tampered_with_no_longer_comes_to_the_tax_charged(sessions, now):
    mall_id = sell(sessions, now, owed_by="coop")
    with transaction(sessions) as session:
        if dialect_name(session) == "postgresql":
            session.execute(text("ALTER TABLE ticket_line DISABLE TRIGGER USER"))
        else:
            for name in session.scalars(
                text("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'ticket_line'")
            ).all():
                session.execute(text(f"DROP TRIGGER {name}"))
        session.execute(text("UPDATE ticket_line SET price_cents = 9000, discount_cents = 1000"))
    with transaction(sessions) as session:
        with pytest.raises(StepRefused, match=r"taxed again by the rates of their days, come to \$0\.70 less than was charged"):
            check_tax(session, now, session.get_one(Mall, mall_id), OCTOBER)
