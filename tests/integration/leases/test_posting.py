"""Rent is posted once, whatever happens in whatever order, and its parts are the whole; discounts, sales, commission."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, func, select

from coop.books.checking import check_books
from coop.books.service import ensure_period
from coop.core import jobs
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.money import round_half_up
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.leases.domain.commission import Sold
from coop.leases.models import Charge, Lease, LeaseTerm
from coop.leases.posting import due_rents, post_commissions, post_fee, post_rents, rents_are_due
from coop.leases.rules import add_term, agree_price, set_index, set_rules
from tests.factories.books import shut
from tests.factories.hall import ADVANCE, Hall
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_dealer

APRIL, MAY = Month(2026, 4), Month(2026, 5)
SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Iterator[Hall]:
    with sessions() as session:
        yield Hall(session, now, **ADVANCE)


# --- once, in any order -------------------------------------------------------------------------------------------------

DAYS = st.integers(1, 30)
CHANGES = st.lists(
    st.one_of(
        st.tuples(st.just("post"), st.sampled_from([APRIL, MAY]), DAYS),
        st.tuples(st.just("area"), st.integers(2, 29), st.integers(20, 400)),
        st.tuples(st.just("end"), st.just(0), DAYS),
        st.tuples(st.just("close"), st.just(APRIL), st.just(0)),
    ),
    max_size=8,
)


@SQLITE
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=CHANGES, percents=st.tuples(st.integers(1, 98), st.integers(1, 98)).filter(lambda p: sum(p) < 100))
def test_whatever_happens_in_whatever_order_each_day_is_charged_once(
    sessions: Sessions, now: datetime, changes: list[tuple[str, object, int]], percents: tuple[int, int]
) -> None:
    with sessions() as session:
        hall = Hall(session, now, **ADVANCE)
        parts = (*percents, 100 - sum(percents))
        dealers = (hall.ida, hall.amos, make_dealer(session, now, "D03"))
        leases = [hall.lease(dealer, starts_on=date(2026, 1, 1)) for dealer in dealers]
        shares = dict(zip(leases, parts, strict=True))
        spans = [hall.hold(leases[0], hall.booth, date(2026, 1, 1), shares=shares)]
        for what, one, other in changes:
            last = spans[-1]
            if what == "post":
                hall.post(one, date(one.year, one.month, other))
            elif what == "area" and last.ends_on is None and date(2026, 4, one) > last.starts_on:
                last.ends_on = date(2026, 4, one) - timedelta(days=1)
                session.flush()
                spans.append(hall.hold(leases[0], hall.booth, date(2026, 4, one), sqft=other, shares=shares))
            elif what == "end" and date(2026, 4, other) >= last.starts_on:
                last.ends_on = date(2026, 4, other)
                session.flush()
            elif what == "close":
                period = ensure_period(session, hall.mall.id, APRIL)
                if period.state == "open":
                    shut(session, now, period)
        for month in (MAY, APRIL, APRIL):
            hall.post(month, month.last_day)
        for month in (APRIL, MAY):
            # By hand: each day's area at $2.25 a month, over the days of the month.
            days = [
                Fraction(span.leased_area_sqft100, 100) * Fraction(9, 4) / month.days
                for day in month.each_day()
                for span in spans
                if span.starts_on <= day and (span.ends_on is None or day <= span.ends_on)
            ]
            charged = session.scalar(select(func.sum(Charge.amount_cents)).where(Charge.first_day == month.first_day)) or 0
            assert charged == round_half_up(sum(days, Fraction(0)) * 100)
            assert hall.post(month, month.last_day) == 0
            assert not any(each.amount_cents for each in due_rents(session, hall.mall, month))
        everyone = sum(hall.owed(dealer) for dealer in dealers)
        assert everyone == -(session.scalar(select(func.coalesce(func.sum(Charge.amount_cents), 0))) or 0)
        session.rollback()


def test_a_lease_ended_after_its_rent_was_posted_is_given_the_rest_back(hall: Hall) -> None:
    lease = hall.lease(hall.ida, hall.booth, hall.case, starts_on=date(2026, 1, 1))
    assert hall.post(APRIL, date(2026, 4, 1)) == 2
    lease.ends_on = date(2026, 3, 31)
    hall.session.flush()
    assert [hall.post(APRIL, date(2026, 4, 9)) for _ in range(2)] == [2, 0]
    assert [c[:1] + c[2:] for c in hall.charged(hall.ida)][2:] == [
        ("Apr 09", "1", -270_00, "nothing for this month any more, less $270.00 charged before"),
        ("Apr 09", "1", -45_00, "nothing for this month any more, less $45.00 charged before"),
    ]
    assert hall.owed(hall.ida) == 0


def test_in_advance_a_lease_that_begins_within_the_month_is_due_on_its_first_day(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth, starts_on=date(2026, 4, 17))
    hall.post(APRIL, date(2026, 4, 3))
    assert [c[:4] for c in hall.charged(hall.ida)] == [("Apr 17", "Booth 12", "0", 126_00)]


def test_a_share_of_one_who_has_left_is_refused_by_its_day(hall: Hall) -> None:
    ida, amos = hall.lease(hall.ida), hall.lease(hall.amos, ends_on=date(2026, 4, 10))
    hall.hold(ida, hall.booth, date(2026, 1, 1), shares={ida: 60, amos: 40})
    with pytest.raises(Refusal, match="The shares of Booth 12 on 2026-04-11 add up to 60%, not 100%"):
        hall.post(APRIL)
    assert hall.charged(hall.ida) == []


def test_the_queries_do_not_grow_with_the_leases(hall: Hall) -> None:
    asked: list[str] = []
    event.listen(hall.session.get_bind(), "before_cursor_execute", lambda *args: asked.append(args[2]))
    counts = []
    for n in (3, 30):
        for each in range(n):
            dealer = make_dealer(hall.session, hall.now, f"E{n}X{each}")
            space = make_space(hall.session, hall.now, hall.mall, f"{n}-{each}")
            lease = hall.lease(dealer, starts_on=date(2026, 1, 1))
            hall.hold(lease, space, date(2026, 1, 1), shares={lease: 100})
            add_term(hall.session, lease, "discount", {"reason": "member", "name": "for members", "percent": "5"})
        hall.post(APRIL)  # Dealers' accounts are made the first time.
        hall.session.expunge_all()
        hall.mall = hall.session.scalars(select(Mall).where(Mall.code == "MAIN")).one()
        hall.session.expire_all()
        asked.clear()
        hall.post(MAY if n == 3 else Month(2026, 6))
        # SQLite inserts entries one by one, since it does not say in which order it numbered them.
        counts.append(len([said for said in asked if not said.startswith("INSERT INTO entry (")]))
    assert counts[0] == counts[1] < 30, "\n".join(asked)


# --- by the clock -------------------------------------------------------------------------------------------------------


def test_when_the_clock_posts(sessions: Sessions, now: datetime) -> None:
    with sessions() as session:
        hall = Hall(session, now)
        days = [date(2026, 4, 1), date(2026, 4, 14), date(2026, 4, 30)]

        def due() -> list[bool]:
            return [rents_are_due(session, hall.mall, day) for day in days]

        assert due() == [False] * 3  # Without house rules the month-end posts.
        set_rules(session, hall.mall, date(2026, 1, 1))
        assert due() == [False, False, True]
        set_rules(session, hall.mall, date(2026, 4, 1), rent_posts="advance")
        assert due() == [True] * 3
        ensure_period(session, hall.mall.id, Month(2026, 2))
        assert due() == [False] * 3  # The books have not come to April.
        ensure_period(session, hall.mall.id, Month(2026, 3))
        assert due() == [True] * 3


def test_the_daily_jobs_post_once(sessions: Sessions, now: datetime) -> None:
    today = Month.of(now.date())
    with transaction(sessions) as session:
        hall = Hall(session, now, **ADVANCE | {"late_after_day": 1})
        hall.lease(hall.ida, hall.booth, starts_on=date(2026, 1, 1))
    for _ in range(2):
        with transaction(sessions) as session:
            for kind in ("leases.rents", "leases.late"):
                jobs.name_job(session, now, kind, {}, queue="default")
        while (job_id := next_job(sessions)) is not None:
            jobs.run_job(sessions, job_id, lease=timedelta(seconds=30), clock=lambda: now)
    with transaction(sessions) as session:
        assert set(session.scalars(select(jobs.Job.state))) == {"done"}
        posted = session.execute(select(Charge.what, Charge.first_day, Charge.change, Charge.amount_cents).order_by(Charge.id))
        assert [(what.partition(":")[0], *rest) for what, *rest in posted] == [
            ("space", today.first_day, 0, 270_00),
            ("late", today.first_day, 0, 27_00),
        ]
        assert check_books(session) == []


def next_job(sessions: Sessions) -> int | None:
    with transaction(sessions) as session:
        return session.scalar(select(jobs.Job.id).where(jobs.Job.state == "queued").order_by(jobs.Job.id).limit(1))


# --- terms --------------------------------------------------------------------------------------------------------------


def test_discounts_of_two_spaces_are_one_line_and_turns_another(hall: Hall) -> None:
    lease = hall.lease(hall.ida, hall.booth, hall.case, starts_on=date(2026, 1, 1))
    add_term(hall.session, lease, "discount", {"reason": "member", "name": "for members", "percent": "10"})
    add_term(hall.session, lease, "discount", {"reason": "turns", "dollars": "35.00", "owed": 1, "at_most": 2})
    hall.post(APRIL, date(2026, 4, 1), turns={hall.ida.id: 4})
    assert [c[1:] for c in hall.charged(hall.ida)][2:] == [
        ("Discount", "0", -31_50, "$315.00 of rent, less 10% for members ($31.50)"),
        ("Turns worked", "0", -70_00, "$283.50 of rent after discounts, less $35.00 a turn for 2 turns ($70.00)"),
    ]
    assert hall.post(APRIL, date(2026, 4, 30)) == 0  # Who does not know the turns takes nothing of them back.
    assert hall.post(APRIL, date(2026, 4, 30), turns={}) == 1
    assert hall.charged(hall.ida)[-1][3] == 70_00


def test_an_agreed_price_and_a_rent_by_the_foot(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "4", zone="wall", per="foot")
    wall = make_space(hall.session, hall.now, hall.mall, "W1", kind="wall", zone="wall")
    lease = hall.lease(hall.ida, starts_on=date(2026, 1, 1))
    booth, along = (hall.hold(lease, space, date(2026, 1, 1)) for space in (hall.booth, wall))
    along.leased_length_in16 = 8 * 12 * 16
    agree_price(hall.session, booth, Decimal(200), per="flat")
    hall.post(APRIL)
    assert [c[3:] for c in hall.charged(hall.ida)] == [(200_00, "$200.00 a month"), (32_00, "8' 0\" long × $4.00 a foot a month")]


def test_rent_follows_an_index(hall: Hall) -> None:
    """L2: CPI-U 322.561 -> 333.952 on $1,000 is 1,035.31 (BLS series, derived)."""
    lease = hall.lease(hall.ida, starts_on=date(2025, 8, 1))
    agree_price(hall.session, hall.hold(lease, hall.booth, date(2025, 8, 1)), Decimal(1000), per="flat")
    add_term(hall.session, lease, "escalation", {"how": "index", "series": "CPI-U", "base": "2025-06"})
    august = Month(2026, 8)
    with pytest.raises(Refusal, match="Booth 12: There is no CPI value for June 2025"):
        hall.post(august)
    set_index(hall.session, "CPI-U", Month(2025, 6), Decimal("322.561"))
    set_index(hall.session, "CPI-U", Month(2026, 6), Decimal("333.952"))
    hall.post(august)
    assert [c[3] for c in hall.charged(hall.ida)] == [1035_31]


def test_a_renewal_s_raises_begin_anew_at_the_zone_s_price_of_its_day(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "2.50", starts_on=date(2026, 4, 16))
    lease = hall.lease(hall.ida, hall.booth, starts_on=date(2024, 4, 16))
    raised = {"how": "percent", "percent": "10"}
    add_term(hall.session, lease, "escalation", raised, ends_on=date(2026, 4, 15))
    add_term(hall.session, lease, "escalation", raised, starts_on=date(2026, 4, 16))
    hall.post(APRIL)
    assert [c[3:] for c in hall.charged(hall.ida)] == [
        (
            # 270.00 x 1.1 x 15/30 + 300.00 x 15/30
            298_50,
            "120.00 sq ft × $2.25 a month × 1.1 (10% more from Apr 16, 2025) × 15/30 days + "
            "120.00 sq ft × $2.50 a month × 15/30 days",
        )
    ]


def test_percentage_rent_waits_for_the_sales_and_follows_them(hall: Hall) -> None:
    lease = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 1, 1))
    add_term(hall.session, lease, "percentage", {"percent": "5"})
    assert hall.post(APRIL, date(2026, 4, 1)) == 1
    # The natural breakpoint is 270.00 / 5% = 5,400.00.
    for cents, new in ((6000_00, 1), (6000_00, 0), (5000_00, 1)):
        assert hall.post(APRIL, date(2026, 4, 30), sales_between=lambda _a, _b, c=cents: {hall.ida.id: c}) == new
    hall.post(APRIL, date(2026, 4, 30))  # Without sales nothing of it is taken back.
    assert [c[2:] for c in hall.charged(hall.ida)][1:] == [
        ("0", 30_00, "5% of sales of $6,000.00 above the natural breakpoint of $5,400.00"),
        ("1", -30_00, "sales of $5,000.00 are not above the natural breakpoint of $5,400.00, less $30.00 charged before"),
    ]


def test_sales_and_turns_count_under_the_lease_that_names_them(hall: Hall) -> None:
    """Two leases at once: what the first says nothing of is the second's; what both name counts once, for the days of one."""
    hall.lease(hall.ida, hall.case, starts_on=date(2026, 1, 1))
    until = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 2, 1), ends_on=date(2026, 4, 15))
    after = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 4, 16))
    for lease in (until, after):
        add_term(hall.session, lease, "percentage", {"percent": "5", "breakpoint": "0.00"})
        add_term(hall.session, lease, "discount", {"reason": "turns", "dollars": "10.00"})
    hall.post(
        APRIL,
        date(2026, 4, 30),
        sales_between=lambda first, last: {hall.ida.id: 100_00 * ((last - first).days + 1)},
        turns={hall.ida.id: 2},
    )
    off = [c[1:4] for c in hall.charged(hall.ida) if c[1] in ("Percentage rent", "Turns worked")]
    # 15 days at $100.00 are $1,500.00, 5% of them $75.00, under each of two that follow on each other.
    assert sorted(off) == [("Percentage rent", "0", 75_00), ("Percentage rent", "0", 75_00), ("Turns worked", "0", -20_00)]


def test_percentage_rent_by_the_year_counts_what_was_charged_in_it(hall: Hall) -> None:
    lease = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 3, 1))
    add_term(hall.session, lease, "percentage", {"percent": "5", "period": "year"})
    # The year's rent is 12 x 270.00 = 3,240.00, so the breakpoint is 64,800.00.
    sold = {date(2026, 3, 31): 60_000_00, date(2026, 4, 30): 70_000_00, date(2026, 5, 31): 71_000_00}
    asked: list[tuple[date, date]] = []

    def sales_between(first: date, last: date) -> dict[int, int]:
        asked.append((first, last))
        return {hall.ida.id: sold[last]}

    for month in (Month(2026, 3), APRIL, MAY):
        hall.post(month, sales_between=sales_between)
    assert {first for first, _ in asked} == {date(2026, 3, 1)}
    percentage = [c[3] for c in hall.charged(hall.ida) if c[1] == "Percentage rent"]
    assert percentage == [260_00, 50_00]


def test_commission_by_tiers_less_turns(hall: Hall) -> None:
    lease = hall.lease(hall.ida, starts_on=date(2026, 1, 1))
    tiers = [{"upto": "100.00", "percent": "12"}, {"percent": "8"}]
    add_term(hall.session, lease, "commission", {"tiers": tiers, "turns": {"percent": "1"}})
    sold = {hall.ida.id: [Sold(40_00, 200_00), Sold(500_00, 500_00)]}

    def post() -> int:
        net = {hall.ida.id: 700_00}
        return post_commissions(
            hall.session, hall.now, hall.mall, APRIL, net, sold_by=lambda ids: {i: sold[i] for i in ids}, turns={hall.ida.id: 2}
        )

    assert (post(), post()) == (1, 0)
    # 10% of 200.00 + 6% of 500.00
    assert [c[3] for c in hall.charged(hall.ida)] == [50_00]
    sold[hall.ida.id].pop()
    with pytest.raises(Refusal, match=r"D01: Commission by tiers needs the items that make up \$700.00 of sales"):
        post()


def test_a_fee_is_charged_once_a_month_under_its_key(hall: Hall) -> None:
    lease = hall.lease(hall.ida)

    def fee(cents: int) -> None:
        post_fee(hall.session, hall.now, lease, cents, key="key", label="Lost key", working="as agreed", on=date(2026, 4, 9))

    with pytest.raises(Refusal, match="above zero"):
        fee(0)
    fee(15_00)
    with pytest.raises(Refusal, match="The fee Lost key was charged in April 2026 already"):
        fee(15_00)
    assert [c[:4] for c in hall.charged(hall.ida)] == [("Apr 09", "Lost key", "0", 15_00)]


def test_stored_terms_that_cannot_be_read_are_refused_by_their_lease(hall: Hall) -> None:
    lease = hall.lease(hall.ida, hall.booth, starts_on=date(2026, 1, 1))
    hall.session.add(LeaseTerm(lease_id=lease.id, kind="discount", starts_on=date(2026, 1, 1), terms={"reason": "member"}))
    hall.session.flush()
    hall.session.expire(lease)
    with pytest.raises(Refusal, match=r"The lease of D01 from 2026-01-01: discount.name is missing"):
        post_rents(hall.session, hall.now, hall.mall, APRIL)
    assert hall.session.scalar(select(func.count(Lease.id))) == 1


def test_terms_of_the_wrong_lease_do_not_count(hall: Hall) -> None:
    """A sharer's discount is off her own part only."""
    ida, amos = (make_lease(hall.session, hall.now, hall.mall, dealer) for dealer in (hall.ida, hall.amos))
    hall.hold(ida, hall.booth, date(2026, 1, 1), shares={ida: 50, amos: 50})
    add_term(hall.session, amos, "discount", {"reason": "member", "name": "for members", "percent": "10"})
    hall.post(APRIL)
    assert [sum(c[3] for c in hall.charged(dealer)) for dealer in (hall.ida, hall.amos)] == [135_00, 121_50]
