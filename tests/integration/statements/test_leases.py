"""What a lease's terms come to on a statement: shares, discounts, fees, percentage rent, what belongs to a month now closed."""

from __future__ import annotations

from datetime import date, datetime

from coop.books.service import ensure_period
from coop.closing.steps import check_dealers, post_rent
from coop.core.db import Sessions
from coop.core.periods import Month
from coop.leases.deposits import take_deposit, use_deposit
from coop.leases.posting import post_commissions
from coop.leases.rules import add_term
from coop.leases.settling import post_late_fees
from coop.statements.building import build_value
from coop.statements.domain import ChargeLine, PaymentLine, from_json, to_json
from tests.factories.books import shut
from tests.factories.hall import ADVANCE, Hall

APRIL, MAY = Month(2026, 4), Month(2026, 5)


def test_a_month_of_every_kind_of_charge(sessions: Sessions, now: datetime) -> None:
    with sessions() as session:
        hall = Hall(session, now, **ADVANCE)
        ida, amos = (hall.lease(dealer, starts_on=date(2026, 4, 1)) for dealer in (hall.ida, hall.amos))
        shared = hall.hold(ida, hall.booth, date(2026, 4, 1), shares={ida: 60, amos: 40})
        add_term(session, amos, "discount", {"reason": "member", "name": "for members", "percent": "10"})
        add_term(session, amos, "percentage", {"percent": "5", "breakpoint": "100.00"})
        take_deposit(session, now, amos, 270_00, on=date(2026, 4, 1))
        hall.post(APRIL, date(2026, 4, 1))
        post_late_fees(session, hall.at(date(2026, 4, 11)), hall.mall)
        use_deposit(session, now, amos, 20_00, on=date(2026, 4, 12), reason="rent of April")
        hall.post(APRIL, date(2026, 4, 30), sales_between=lambda _first, _last: {hall.amos.id: 300_00})
        value = build_value(session, hall.mall, hall.amos, APRIL, made_on=date(2026, 5, 1))
        assert value.spaces == ("Booth 12, 120.00 sq ft, of whose rent your share is 40%",)
        assert value.charges == (
            ChargeLine("rent", "Booth 12", "120.00 sq ft × $2.25 a month × 40%", -108_00),
            ChargeLine("rent", "Discount", "$108.00 of rent, less 10% for members ($10.80)", 10_80),
            ChargeLine("rent", "Percentage rent", "5% of sales of $300.00 above the breakpoint of $100.00", -10_00),
            ChargeLine("late", "Late fee", "the greater of $25.00 and 10% of $97.20 overdue after Apr 10, 2026 ($9.72)", -25_00),
        )
        assert value.payments == (PaymentLine(date(2026, 4, 12), "Your deposit, used: rent of April", 20_00, "deposit"),)
        assert (value.closing_cents, value.deposit_cents) == (-(97_20 + 25_00 + 10_00 - 20_00), 250_00)
        assert from_json(to_json(value)) == value

        # May opens with what April came to; a booth found smaller is given back there, and the statement says of which month.
        shut(session, now, ensure_period(session, hall.mall.id, APRIL))
        shared.leased_area_sqft100 = 100_00
        session.flush()
        hall.post(APRIL, date(2026, 5, 9), sales_between=lambda _first, _last: {hall.amos.id: 300_00})
        later = build_value(session, hall.mall, hall.amos, MAY, made_on=date(2026, 6, 1))
        assert later.opening_cents == value.closing_cents
        assert [(line.label, line.amount_cents) for line in later.charges] == [
            ("Booth 12, April 2026", 18_00),
            ("Discount, April 2026", -1_80),
        ]
        assert "less $108.00 charged before" in later.charges[0].working


def test_the_month_end_posts_what_is_missing_and_says_so(sessions: Sessions, now: datetime) -> None:
    with sessions() as session:
        hall = Hall(session, now, **ADVANCE)
        lease = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 4, 1))
        hall.lease(hall.amos, hall.case, starts_on=date(2026, 4, 1))
        add_term(session, lease, "commission", {"tiers": [{"upto": "100.00", "percent": "12"}, {"percent": "8"}]})
        said = [post_rent(session, now, hall.mall, APRIL).report for _ in range(2)]
        assert said == ["$367.00 in all; 2 charges posted now. 2 late fees charged now.", "$367.00 in all; 0 charges posted now."]
        post_commissions(session, now, hall.mall, APRIL, {hall.ida.id: 0}, sold_by=lambda _ids: {hall.ida.id: []})
        assert check_dealers(session, now, hall.mall, APRIL).report == "2 dealers agree."


def test_who_owes_is_told_the_day_after_which_a_late_fee_is_charged(sessions: Sessions, now: datetime) -> None:
    """And the fee comes, and does not where she paid, as the statements said."""
    with sessions() as session:
        hall = Hall(session, now, **ADVANCE | {"rent_posts": "arrears"})
        for dealer, space in ((hall.ida, hall.booth), (hall.amos, hall.case)):
            hall.lease(dealer, space, starts_on=date(2026, 4, 1))
        hall.post(APRIL, date(2026, 4, 30))
        made = [build_value(session, hall.mall, dealer, APRIL, made_on=date(2026, 5, 1)) for dealer in (hall.ida, hall.amos)]
        assert [(value.closing_cents, value.late_after) for value in made] == [
            (-270_00, date(2026, 5, 10)),
            (-45_00, date(2026, 5, 10)),
        ]
        assert from_json(to_json(made[0])) == made[0]
        hall.pay(hall.amos, 45_00, date(2026, 5, 8))
        later = build_value(session, hall.mall, hall.amos, APRIL, made_on=date(2026, 5, 12))
        assert (later.closing_cents, later.late_after) == (-45_00, None)
        assert post_late_fees(session, hall.at(date(2026, 5, 11)), hall.mall) == 1
        assert [charge[1] for charge in hall.charged(hall.ida)] == ["Booth 12", "Late fee"]


def test_no_late_fee_is_told_of_where_none_is_taken(sessions: Sessions, now: datetime) -> None:
    with sessions() as session:
        hall = Hall(session, now)
        hall.lease(hall.ida, hall.booth, starts_on=date(2026, 4, 1))
        hall.post(APRIL, date(2026, 4, 30))
        value = build_value(session, hall.mall, hall.ida, APRIL, made_on=date(2026, 5, 1))
        assert (value.closing_cents, value.late_after) == (-270_00, None)
