"""Leases made, signed, renewed and taken back; spaces grown, shrunk, repriced, shared, given up: spans end and others begin."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import func, select

from coop.books.service import close_period, ensure_period, lock_period
from coop.core.audit import AuditLog
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.leases.agreements import (
    Terms,
    deposit_asked,
    renew_lease,
    sign_in_portal,
    sign_on_paper,
    state_of,
    take_back_lease,
)
from coop.leases.asking import ask_for_space
from coop.leases.changing import give_up_space, reprice_space, resize_space, share_space, withdraw_span, zone_increase_refusal
from coop.leases.deposits import take_deposit
from coop.leases.holding import add_space_to_lease
from coop.leases.leaving import give_notice
from coop.leases.models import Lease, LeaseShare, LeaseSpace, Offer, Waiting
from coop.leases.offering import accept_offer, make_offer
from coop.leases.posting import post_rents
from coop.leases.pricing import Asked
from coop.leases.queries import charges_of
from coop.leases.rules import add_term, set_rules
from tests.factories.leases import make_rate
from tests.integration.leases.conftest import Yard

NOVEMBER = Month(2026, 11)
JUNE_1 = date(2026, 6, 1)


def on(month: int, day: int) -> date:
    return date(2026, month, day)


# --- making -------------------------------------------------------------------------------------------------------------


def test_a_lease_has_the_house_rules_unless_it_says_otherwise(yard: Yard) -> None:
    set_rules(yard.session, yard.mall, on(1, 1), proration="thirty", notice_days=60, notice_to_month_end=False)
    by_the_house = yard.lease("D01", "11")
    own = yard.lease("D02", "12", terms=Terms(on(11, 30), "year365", 15, True, 100_00))
    assert (by_the_house.proration, by_the_house.notice_days, by_the_house.notice_to_month_end) == ("thirty", 60, False)
    assert (own.proration, own.notice_days, own.notice_to_month_end) == ("year365", 15, True)
    assert (own.term_ends_on, own.deposit_cents) == (on(11, 30), 100_00)
    assert [state_of(lease, yard.today) for lease in (by_the_house, own)] == ["monthly", "fixed"]
    assert state_of(own, on(12, 1)) == "monthly"


@pytest.mark.parametrize(
    ("asked", "terms", "said"),
    [
        (
            {},
            {"term_ends_on": JUNE_1},
            "The term of D01 ends on Jun 1, 2026: choose a day after Jun 1, 2026, or lease by the month",
        ),
        ({}, {"proration": "weeks"}, "The proration for D01 is 'weeks': choose one of actual, thirty, year365"),
        ({}, {"notice_days": -1}, "The days of notice for D01 are -1: write 0 to 366"),
        ({}, {"deposit_cents": -1}, r"The deposit of D01 is -\$0.01: it cannot be negative"),
        ({"area_sqft100": -1}, {}, "The measure of Booth 12 is below zero"),
        ({"length_in16": 0}, {}, "The measure of Booth 12 is below zero"),
        ({"agreed_per": "flat"}, {}, "The price agreed for Booth 12 needs an amount and what it is for"),
        ({"agreed_per": "mile", "agreed_price": Decimal(2)}, {}, "The price agreed for 12 is per mile"),
        ({"agreed_per": "flat", "agreed_price": Decimal(-2)}, {}, "The price agreed for 12 is -2: it cannot be negative"),
        ({"agreed_per": "foot", "agreed_price": Decimal(2)}, {}, "by the foot, but its length is not known"),
    ],
)
def test_a_lease_that_is_refused(yard: Yard, asked: dict[str, Any], terms: dict[str, Any], said: str) -> None:
    with pytest.raises(Refusal, match=said):
        yard.lease("D01", Asked(yard.spaces["12"], **asked), terms=Terms(**terms))


def test_a_space_that_is_no_longer_rented_is_not_leased(yard: Yard) -> None:
    yard.spaces["12"].retired_on = on(12, 1)
    with pytest.raises(Refusal, match="Booth 12 is not rented from Dec 1, 2026 on: lease another space"):
        yard.lease("D01", "12")


def test_the_deposit_asked_is_the_house_s_months_of_rent(yard: Yard) -> None:
    """Two booths of 120 sq ft at $2.25 and one at $200 flat: $740.00 a month."""
    flat = Asked(yard.spaces["13"], agreed_per="flat", agreed_price=Decimal(200))
    spaces = [yard.spaces["11"], yard.spaces["12"], flat]
    said = deposit_asked(yard.session, yard.mall, spaces, yard.today)
    assert (said.amount_cents, said.working) == (740_00, "one month's rent, $740.00 a month")
    set_rules(yard.session, yard.mall, on(1, 1), deposit_months=Decimal("1.5"))
    said = deposit_asked(yard.session, yard.mall, spaces, yard.today)
    assert (said.amount_cents, said.working) == (1110_00, "1.5 months' rent, $740.00 a month")
    with pytest.raises(Refusal, match="Booth 11 is in zone front, and there is no rate in force on 2019-01-01 in zone front"):
        deposit_asked(yard.session, yard.mall, spaces, date(2019, 1, 1))


# --- signing and renewing -----------------------------------------------------------------------------------------------


def test_a_lease_is_signed_once(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    for name, day, said in (
        ("  ", on(11, 3), "The lease of D01 is signed by nobody: write the full name"),
        ("Ida Fenwick", on(11, 4), "The lease of D01 is signed on Nov 4, 2026, a day to come"),
        ("x" * 121, on(11, 3), "The name has 121 letters"),
    ):
        with pytest.raises(Refusal, match=said):
            sign_on_paper(yard.session, yard.now, lease, name=name, on=day)
    sign_on_paper(yard.session, yard.now, lease, name=" Ida   Fenwick ", on=on(5, 20))
    assert (lease.signed_name, lease.signed_on, lease.signed_how) == ("Ida Fenwick", on(5, 20), "paper")
    with pytest.raises(Refusal, match="The lease of D01 was signed on May 20, 2026 already: that stays"):
        sign_in_portal(yard.session, yard.now, lease, name="Ida", member_id=yard.member("D01").id, user_id=1)


def test_in_the_portal_only_her_own_lease_is_signed(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    for member_id in (None, yard.member("D02").id):
        with pytest.raises(Refusal, match="This lease is another dealer's: only she can sign it"):
            sign_in_portal(yard.session, yard.now, lease, name="Amos Pell", member_id=member_id, user_id=1)
    sign_in_portal(yard.session, yard.now, lease, name="Ida Fenwick", member_id=yard.member("D01").id, user_id=1)
    assert (lease.signed_on, lease.signed_how) == (on(11, 3), "portal")


def test_a_term_is_renewed_and_the_log_keeps_the_one_before(yard: Yard) -> None:
    lease = yard.lease("D01", "12", terms=Terms(term_ends_on=on(11, 30)))
    with pytest.raises(Refusal, match="The term of Booth 12 ends on Nov 30, 2026: choose a day after Nov 30, 2026"):
        renew_lease(yard.session, yard.now, lease, term_ends_on=on(11, 30))
    renew_lease(yard.session, yard.now, lease, term_ends_on=date(2027, 5, 31))
    kept = yard.session.scalars(select(AuditLog.detail).where(AuditLog.action == "lease renewed")).all()
    assert kept == ["through 2027-05-31, was through 2026-11-30"]
    give_notice(yard.session, yard.now, lease, by="dealer", given_on=yard.today)
    with pytest.raises(Refusal, match="A lease under notice cannot be renewed for a term"):
        renew_lease(yard.session, yard.now, lease, term_ends_on=date(2028, 5, 31))


def test_a_lease_made_wrongly_is_taken_back_before_anything_came_of_it(yard: Yard) -> None:
    asked = ask_for_space(yard.session, yard.now, yard.mall, yard.member("D01"))
    lease = accept_offer(yard.session, yard.now, make_offer(yard.session, yard.now, yard.spaces["12"], asked))
    take_back_lease(yard.session, yard.now, lease)
    assert yard.session.scalar(select(func.count(Lease.id))) == 0
    assert yard.session.scalar(select(func.count(LeaseSpace.id))) == 0
    assert yard.session.scalars(select(Offer.state)).all() == ["withdrawn"]
    assert yard.session.scalars(select(Waiting.state)).all() == ["waiting"]
    signed, paid, sharing = yard.lease("D01", "11"), yard.lease("D02", "12"), yard.lease("D03")
    sign_on_paper(yard.session, yard.now, signed, name="Ida Fenwick", on=yard.today)
    take_deposit(yard.session, yard.now, paid, 270_00, on=yard.today)
    share_space(yard.session, yard.now, yard.held(paid), [(paid, Decimal(60)), (sharing, Decimal(40))], on=on(12, 1))
    for kept, said in (
        (signed, "The lease of D01 is signed since Nov 3, 2026: end it by notice instead"),
        (paid, "Something was taken as a deposit under the lease of D02: end it by notice instead"),
        (sharing, "The lease of D03 pays a share of another's space: change those shares first"),
    ):
        with pytest.raises(Refusal, match=said):
            take_back_lease(yard.session, yard.now, kept)


# --- growing and shrinking ----------------------------------------------------------------------------------------------


def rent_of(yard: Yard, month: Month = NOVEMBER) -> list[tuple[str, str, int]]:
    post_rents(yard.session, yard.now, yard.mall, month)
    return [(c.label, c.working, c.amount_cents) for c in charges_of(yard.session, yard.mall.id, month)]


def test_a_booth_that_grows_mid_month_is_two_spans_and_both_are_prorated(yard: Yard) -> None:
    """120 sq ft for 15 days and 150 for 15 of 30: $135.00 + $168.75."""
    lease = yard.lease("D01", "12")
    resize_space(yard.session, yard.now, yard.held(lease), on=on(11, 16), area_sqft100=15000)
    assert yard.spans(lease) == [("12", JUNE_1, on(11, 15), 12000), ("12", on(11, 16), None, 15000)]
    ((label, working, cents),) = rent_of(yard)
    assert (label, cents) == ("Booth 12", 303_75)
    assert working == "120.00 sq ft × $2.25 a month × 15/30 days + 150.00 sq ft × $2.25 a month × 15/30 days"


def test_changes_of_size_that_are_refused(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    held = yard.held(lease)
    for change, said in (
        ({"on": on(11, 16)}, "Booth 12 keeps its size: write the new area or length"),
        ({"on": on(11, 16), "area_sqft100": 0}, "The new size of Booth 12 must be above zero"),
        ({"on": on(5, 31), "area_sqft100": 9000}, "A change of Booth 12 cannot begin on May 31, 2026: the lease begins on Jun 1"),
        ({"on": JUNE_1, "area_sqft100": 9000}, "Booth 12 is held like this since Jun 1, 2026: that stays"),
    ):
        with pytest.raises(Refusal, match=said):
            resize_space(yard.session, yard.now, held, **change)  # type: ignore[arg-type]
    resize_space(yard.session, yard.now, held, on=on(12, 1), area_sqft100=9000)
    with pytest.raises(Refusal, match=r"from Jun 1, 2026 through Nov 30, 2026: choose a day among these, not Dec 10, 2026"):
        resize_space(yard.session, yard.now, held, on=on(12, 10), area_sqft100=8000)


def test_a_change_does_not_begin_in_a_closed_month(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    period = lock_period(yard.session, ensure_period(yard.session, yard.mall.id, Month(2026, 10)).id)
    close_period(yard.session, yard.now, period)
    held = yard.held(lease)
    with pytest.raises(Refusal, match="A change of Booth 12 from Oct 20, 2026 lies in a closed month: begin it on Nov 1, 2026"):
        resize_space(yard.session, yard.now, held, on=on(10, 20), area_sqft100=9000)
    with pytest.raises(Refusal, match="Booth 12 given up, empty from Oct 21, 2026 lies in a closed month"):
        give_up_space(yard.session, yard.now, held, last_day=on(10, 20))
    resize_space(yard.session, yard.now, held, on=on(11, 1), area_sqft100=9000)
    assert yard.spans(lease) == [("12", JUNE_1, on(10, 31), 12000), ("12", on(11, 1), None, 9000)]


def test_a_span_that_has_not_begun_may_be_withdrawn(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    with pytest.raises(Refusal, match="Booth 12 is held like this since Jun 1, 2026: that stays; make a change from a later day"):
        withdraw_span(yard.session, yard.now, yard.held(lease))
    fresh = add_space_to_lease(yard.session, yard.now, lease, Asked(yard.spaces["13"]), on=on(12, 1))
    assert yard.spans(lease) == [("12", JUNE_1, None, 12000), ("13", on(12, 1), None, 12000)]
    resize_space(yard.session, yard.now, fresh, on=on(12, 1), area_sqft100=6000)
    assert yard.spans(lease) == [("12", JUNE_1, None, 12000), ("13", on(12, 1), None, 6000)]
    withdraw_span(yard.session, yard.now, yard.held(lease, "13"))
    assert yard.spans(lease) == [("12", JUNE_1, None, 12000)]


def test_rent_posted_in_advance_for_a_withdrawn_span_goes_back(yard: Yard) -> None:
    set_rules(yard.session, yard.mall, on(1, 1), rent_posts="advance")
    lease = yard.lease("D01", "12")
    add_space_to_lease(yard.session, yard.now, lease, Asked(yard.spaces["13"]), on=on(11, 16))
    assert [(label, cents) for label, _, cents in rent_of(yard)] == [("Booth 12", 270_00), ("Booth 13", 135_00)]
    withdraw_span(yard.session, yard.now, yard.held(lease, "13"))
    assert [(label, cents) for label, _, cents in rent_of(yard)] == [
        ("Booth 12", 270_00),
        ("Booth 13", 135_00),
        ("Booth 13", -135_00),
    ]


def test_spaces_are_added_and_given_up(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    yard.lease("D02", "11")
    with pytest.raises(Refusal, match="Space 11 is leased already in these dates, to D02 from Jun 1, 2026: end that lease first"):
        add_space_to_lease(yard.session, yard.now, lease, Asked(yard.spaces["11"]), on=on(12, 1))
    with pytest.raises(
        Refusal, match="Booth 13 under the lease of D01 cannot begin on May 1, 2026: the lease begins on Jun 1, 2026"
    ):
        add_space_to_lease(yard.session, yard.now, lease, Asked(yard.spaces["13"]), on=on(5, 1))
    held = yard.held(lease)
    with pytest.raises(Refusal, match="Booth 12 is held from Jun 1, 2026: choose that day or a later one"):
        give_up_space(yard.session, yard.now, held, last_day=on(5, 31))
    give_up_space(yard.session, yard.now, held, last_day=on(11, 30))
    with pytest.raises(Refusal, match="Booth 12 ends on Nov 30, 2026 already"):
        give_up_space(yard.session, yard.now, held, last_day=on(12, 31))
    yard.lease("D03", "12", starts_on=on(12, 1))
    give_notice(yard.session, yard.now, lease, by="dealer", given_on=yard.today)
    with pytest.raises(
        Refusal, match="Booth 13 under the lease of D01 cannot begin on Jan 1, 2027: the lease ends on Dec 31, 2026"
    ):
        add_space_to_lease(yard.session, yard.now, lease, Asked(yard.spaces["13"]), on=date(2027, 1, 1))


# --- prices -------------------------------------------------------------------------------------------------------------


def test_a_price_of_its_own_rises_only_with_the_days_of_notice(yard: Yard) -> None:
    """Thirty days: told on November 3, December 3 at the earliest."""
    lease = yard.lease("D01", "12")
    held = yard.held(lease)
    with pytest.raises(
        Refusal,
        match=r"The rent of Booth 12: an increase from Dec 1, 2026 takes 30 days of notice, so it is told by Nov 1, 2026; "
        r"told on Nov 3, 2026 it begins on Dec 3, 2026 at the earliest",
    ):
        reprice_space(yard.session, yard.now, held, on=on(12, 1), per="sqft", price=Decimal("2.50"), told_on=on(11, 3))
    with pytest.raises(Refusal, match="The price agreed for Booth 12 needs an amount and what it is for"):
        reprice_space(yard.session, yard.now, held, on=on(12, 1), per=None, price=Decimal("2.50"), told_on=on(11, 3))
    reprice_space(yard.session, yard.now, held, on=on(12, 1), per="sqft", price=Decimal("2.00"), told_on=on(11, 3))
    reprice_space(
        yard.session, yard.now, yard.held(lease), on=date(2027, 1, 1), per="flat", price=Decimal(300), told_on=on(11, 3)
    )
    assert yard.spans(lease) == [
        ("12", JUNE_1, on(11, 30), 12000),
        ("12", on(12, 1), on(12, 31), 12000),
        ("12", date(2027, 1, 1), None, 12000),
    ]
    assert [cents for _, _, cents in rent_of(yard, Month(2026, 12))] == [240_00]
    assert [cents for _, _, cents in rent_of(yard, Month(2027, 1))] == [300_00]
    back = reprice_space(yard.session, yard.now, yard.held(lease), on=date(2027, 2, 1), per=None, price=None, told_on=on(11, 3))
    assert (back.agreed_per, back.agreed_price) == (None, None)


def test_rent_does_not_rise_within_a_term(yard: Yard) -> None:
    lease = yard.lease("D01", "12", terms=Terms(term_ends_on=date(2027, 5, 31)))
    with pytest.raises(Refusal, match="the term runs through May 31, 2027 at the rent agreed; it can rise from the day after"):
        reprice_space(
            yard.session, yard.now, yard.held(lease), on=date(2027, 5, 31), per="flat", price=Decimal(300), told_on=on(11, 3)
        )
    reprice_space(
        yard.session, yard.now, yard.held(lease), on=date(2027, 6, 1), per="flat", price=Decimal(300), told_on=on(11, 3)
    )


def test_a_zone_s_rate_rises_when_every_lease_was_told(yard: Yard) -> None:
    def said(price: str, day: date, per: str = "sqft") -> str | None:
        return zone_increase_refusal(yard.session, yard.now, yard.mall, "front", Decimal(price), per=per, starts_on=day)

    assert said("3", on(11, 4)) is None
    lease = yard.lease("D01", "12")
    early = said("3", on(12, 1))
    assert early is not None
    assert early.startswith("The rate of zone front for D01: an increase from Dec 1, 2026 takes 30 days of notice")
    assert said("2", on(12, 1)) is None
    assert said("3", on(12, 3)) is None
    assert zone_increase_refusal(yard.session, yard.now, yard.mall, "new", Decimal(9), per="sqft", starts_on=on(12, 1)) is None
    make_rate(yard.session, yard.mall, "2", starts_on=on(11, 30))
    reprice_space(yard.session, yard.now, yard.held(lease), on=on(12, 1), per="flat", price=Decimal(100), told_on=on(11, 3))
    assert said("3", on(12, 2)) is None


def test_a_zone_s_rate_rises_past_leases_that_do_not_follow_it(yard: Yard) -> None:
    """One is fixed until its price is agreed; another rises by a term of its own from before that day."""

    def said() -> str | None:
        return zone_increase_refusal(
            yard.session, yard.now, yard.mall, "front", Decimal(3), per="sqft", starts_on=date(2027, 1, 1)
        )

    fixed = yard.lease("D01", "12", terms=Terms(term_ends_on=date(2027, 5, 31)))
    refused = said()
    assert refused is not None
    assert "for D01: the term runs through May 31, 2027" in refused
    assert refused.endswith("Until then, agree its present price on its own page; the rate can rise for the others.")
    held = yard.held(fixed)
    reprice_space(yard.session, yard.now, held, on=on(12, 1), per="sqft", price=Decimal("2.25"), told_on=on(11, 3))
    assert said() is None
    rising = yard.lease("D02", "13", terms=Terms(term_ends_on=date(2027, 5, 31)))
    assert said() is not None
    term = add_term(yard.session, rising, "escalation", {"how": "percent", "percent": "3"}, starts_on=date(2027, 1, 1))
    assert said() is not None
    term.starts_on = date(2026, 12, 31)
    assert said() is None


# --- sharing ------------------------------------------------------------------------------------------------------------


def test_shares_are_a_hundred_percent_of_leases_that_run(yard: Yard) -> None:
    own, other, third = yard.lease("D01", "12"), yard.lease("D02"), yard.lease("D03", starts_on=on(12, 1))
    held = yard.held(own)
    for shares, said in (
        ([(own, "60"), (other, "30")], "The shares of Booth 12 add up to 90%, not 100%: change one of them"),
        ([(own, "60"), (other, "41")], "The shares of Booth 12 add up to 101%, not 100%"),
        ([(own, "60"), (own, "40")], "Share 1 of Booth 12: D01 is named twice"),
        ([(own, "100"), (other, "0")], "Share 2 of Booth 12: 0% for D02 is not above 0 and up to 100%"),
        ([(other, "100")], "D01 holds Booth 12 and has no share of it"),
        ([(own, "60"), (third, "40")], "Share 2 of Booth 12: the lease of D03 runs from Dec 1, 2026, not on all days"),
    ):
        with pytest.raises(Refusal, match=said):
            share_space(yard.session, yard.now, held, [(lease, Decimal(part)) for lease, part in shares], on=on(11, 16))
    assert yard.spans(own) == [("12", JUNE_1, None, 12000)]


def test_a_booth_is_shared_mid_month_and_alone_again(yard: Yard) -> None:
    """D01 alone for 15 days, 60:40 for 15: D01 pays $135.00 + $81.00, D02 $54.00; together the booth's $270.00."""
    own, other = yard.lease("D01", "12"), yard.lease("D02")
    shared = share_space(yard.session, yard.now, yard.held(own), [(own, Decimal(60)), (other, Decimal(40))], on=on(11, 16))
    assert [(share.lease_id, share.share_percent) for share in shared.shares] == [(own.id, Decimal(60)), (other.id, Decimal(40))]
    post_rents(yard.session, yard.now, yard.mall, NOVEMBER)
    charges = charges_of(yard.session, yard.mall.id, NOVEMBER)
    assert {charge.lease_id: charge.amount_cents for charge in charges} == {own.id: 216_00, other.id: 54_00}
    resized = resize_space(yard.session, yard.now, shared, on=on(12, 1), area_sqft100=15000)
    assert [share.share_percent for share in resized.shares] == [Decimal(60), Decimal(40)]
    share_space(yard.session, yard.now, resized, [(own, Decimal(100))], on=on(12, 16))
    assert yard.spans(own) == [
        ("12", JUNE_1, on(11, 15), 12000),
        ("12", on(11, 16), on(11, 30), 12000),
        ("12", on(12, 1), on(12, 15), 15000),
        ("12", on(12, 16), None, 15000),
    ]
    assert yard.session.scalar(select(func.count(LeaseShare.id))) == 4


def test_a_sharer_does_not_leave_the_others_with_a_part(yard: Yard) -> None:
    own, other = yard.lease("D01", "12"), yard.lease("D02")
    shared = share_space(yard.session, yard.now, yard.held(own), [(own, Decimal(60)), (other, Decimal(40))], on=on(11, 16))
    for lease in (own, other):
        with pytest.raises(
            Refusal, match="Booth 12 is shared, and the shares run on after Dec 31, 2026: say first who pays from Jan 1, 2027 on"
        ):
            give_notice(yard.session, yard.now, lease, by="dealer", given_on=yard.today)
    share_space(yard.session, yard.now, shared, [(own, Decimal(100))], on=date(2027, 1, 1))
    assert give_notice(yard.session, yard.now, other, by="dealer", given_on=yard.today) == on(12, 31)
