"""Overflow in a month-end: what lent floor costs is posted with the rent and told, once; who has no lease for it is named."""

from __future__ import annotations

from datetime import date

from sqlalchemy import func, select

from coop.books.checking import check_books
from coop.books.models import Account, Posting
from coop.closing.steps import post_rent
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.geometry import format_length
from coop.leases.models import Charge
from coop.overflow.charging import charged_so_far, expected, post_overflow
from coop.overflow.models import Stay
from coop.statements.domain import from_json
from coop.statements.models import Statement
from tests.factories.coops import APRIL, MARCH
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_rules, lay_stay
from tests.factories.people import make_dealer


def lay(desk, session):
    """D01's chest of 4 ft 6 in. from March 10 for six weeks, at $3.00 a foot-week."""
    lay_rules(session, desk.coop.mall, fee_kind="foot-week", fee_cents=3_00)
    bay = lay_bay(session, desk.coop.mall, "A1-3")
    piece = lay_piece(session, desk.coop.dealers["D01"], "Pine chest", (54, 20, 30))
    return bay, lay_stay(session, piece, bay, date(2025, 3, 10), date(2025, 4, 20))


def income(session) -> int:
    rows = select(func.sum(Posting.amount_cents)).join(Account, Account.id == Posting.account_id)
    return -(session.scalar(rows.where(Account.path.contains("Overflow-rent"))) or 0)


def test_lent_floor_is_charged_with_the_rent_month_by_month_and_told_on_the_statement(desk):
    """22 days of March are 4.5 x $3.00 x 22/7 = $42.43, 20 of April $38.57: together the $81.00 of six weeks."""
    with transaction(desk.sessions) as session:
        stay_id = lay(desk, session)[1].id
    steps = desk.close()
    assert {step.state for step in steps.values()} == {"done"}
    assert "$42.43 of it is for overflow." in steps["rent"].report
    with transaction(desk.sessions) as session:
        assert check_books(session) == []
        assert income(session) == 42_43
        stay, mall = session.get_one(Stay, stay_id), desk.coop.mall
        charge = session.scalars(select(Charge).where(Charge.kind == "overflow")).one()
        assert (charge.what, charge.label, charge.amount_cents) == (
            f"overflow:stay:{stay_id}:2025-03",
            "Overflow, bay A1-3: Pine chest",
            42_43,
        )
        assert charge.working == f"Mar 10 to Mar 31, 2025: {format_length(54 * 16)} × 3 weeks 1 day × $3.00 a foot-week"
        told = session.scalars(select(Statement).where(Statement.dealer_id == charge.dealer_id)).one()
        lines = [line for line in from_json(told.value_json).charges if line.kind == "overflow"]
        assert [(line.label, line.amount_cents) for line in lines] == [("Overflow, bay A1-3: Pine chest", -42_43)]
        assert charged_so_far(session, [stay]) == {stay_id: 42_43}
        assert expected(session, mall, [stay]) == {stay_id: 81_00}

        assert [post_overflow(session, utc_now(), mall, APRIL) for _ in range(2)] == [1, 0]
        assert charged_so_far(session, [stay]) == {stay_id: 81_00}
        assert income(session) == 81_00


def test_a_stay_ended_earlier_after_it_was_charged_is_not_charged_again_and_said_so(desk):
    """Ended on March 23, it comes to two weeks: $27.00."""
    with transaction(desk.sessions) as session:
        stay_id = lay(desk, session)[1].id
    desk.start()
    desk.work_until("rent")
    with transaction(desk.sessions) as session:
        session.get_one(Stay, stay_id).ends_on = date(2025, 3, 23)
    desk.work()
    with transaction(desk.sessions) as session:
        assert post_overflow(session, utc_now(), desk.coop.mall, MARCH) == 0
        assert income(session) == 42_43
    with transaction(desk.sessions) as session:
        report = post_rent(session, utc_now(), desk.coop.mall, MARCH).report
    assert report.endswith(
        "Overflow, bay A1-3: Pine chest was charged $42.43 and comes to $27.00 now: charge or credit the difference by hand."
    )


def test_a_dealer_with_floor_and_without_a_lease_stops_the_rent_with_the_page_that_mends_it(desk):
    with transaction(desk.sessions) as session:
        bay, _ = lay(desk, session)
        dealer = make_dealer(session, utc_now(), "D09")
        lay_stay(session, lay_piece(session, dealer), bay, date(2025, 3, 3), date(2025, 3, 9), at=60)
    steps = desk.close()
    assert (steps["rent"].state, steps["rent"].mend) == ("refused", "/office/leases/MAIN/new?dealer=D09")
    assert steps["rent"].report == (
        "Floor was lent in March 2025 without a lease at Lantern Yard Antiques Hall to charge it under: dealer D09 owes $9.00. "
        "Make a lease that begins in that month or before; or, if the piece was gone by then, enter its last day in the bay."
    )
    with transaction(desk.sessions) as session:
        assert income(session) == 0
