"""Leases made and their charges posted exactly once, on both databases."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.books.checking import check_books
from coop.books.models import Account, Entry, Posting
from coop.books.queries import dealer_balances_before
from coop.books.service import ensure_period
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.floor.service import add_mall, add_space
from coop.leases.models import Charge, LeaseSpace
from coop.leases.posting import post_commissions, post_rents
from coop.leases.queries import charges_of, latest_leases, leases_in
from tests.factories.books import shut
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_coop, make_dealer, make_mall

APRIL = Month(2026, 4)
LATER = date(2030, 1, 1)


class Hall:
    """A mall with a booth and a case, and two dealers."""

    def __init__(self, session: Session, now: datetime) -> None:
        self.session, self.now = session, now
        make_coop(session, now)
        self.mall = make_mall(session, now)
        self.ida, self.amos = make_dealer(session, now, "D01"), make_dealer(session, now, "D02")
        self.booth = make_space(session, now, self.mall, "12")
        self.case = make_space(session, now, self.mall, "C3", kind="case", zone="case", feet=(2, 4))

    def lease(self, dealer: Dealer, *spaces: Space, **terms: object) -> int:
        return make_lease(self.session, self.now, self.mall, dealer, spaces, **terms).id  # type: ignore[arg-type]

    def post_rents(self, month: Month = APRIL) -> int:
        return post_rents(self.session, self.now, self.mall, month)

    def post_commissions(self, net: dict[int, int], month: Month = APRIL) -> int:
        return post_commissions(self.session, self.now, self.mall, month, net)

    def charges(self, month: Month = APRIL) -> list[tuple[str, str, int, int]]:
        """(label, working, change, cents) of each."""
        return [(c.label, c.working, c.change, c.amount_cents) for c in charges_of(self.session, self.mall.id, month)]

    def owed(self, dealer: Dealer) -> int:
        return dealer_balances_before(self.session, self.mall.id, LATER).get(dealer.id, 0)


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Iterator[Hall]:
    with sessions() as session:
        yield Hall(session, now)


# --- rent ---------------------------------------------------------------------------------------------------------------


def test_a_month_s_rent_is_charged_with_its_working(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "2.25")
    make_rate(hall.session, hall.mall, "45", zone="case", per="flat")
    hall.lease(hall.ida, hall.booth, hall.case)
    assert hall.post_rents() == 2
    assert hall.charges() == [
        ("Booth 12", "120.00 sq ft × $2.25 a month", 0, 270_00),
        ("Case C3", "$45.00 a month", 0, 45_00),
    ]
    posted = hall.session.execute(
        select(Entry.business_date, Entry.memo, Account.path, Posting.amount_cents)
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, Account.id == Posting.account_id)
        .order_by(Posting.id)
    ).all()
    assert [tuple(row) for row in posted] == [
        (date(2026, 4, 30), "Booth 12, 2026-04", "Liabilities:Dealers:MAIN:D01", 270_00),
        (date(2026, 4, 30), "Booth 12, 2026-04", "Income:Booth-rent:MAIN", -270_00),
        (date(2026, 4, 30), "Case C3, 2026-04", "Liabilities:Dealers:MAIN:D01", 45_00),
        (date(2026, 4, 30), "Case C3, 2026-04", "Income:Case-rent:MAIN", -45_00),
    ]


def test_a_month_begun_late_is_prorated(hall: Hall) -> None:
    """L3: $1,500 a month, in on April 17: 14 of 30 days, $700.00 (HUD Handbook 4350.3 as commonly described)."""
    make_rate(hall.session, hall.mall, "1500", per="flat")
    hall.lease(hall.ida, hall.booth, starts_on=date(2026, 4, 17))
    hall.post_rents()
    assert hall.charges() == [("Booth 12", "$1500.00 a month × 14/30 days", 0, 700_00)]


def test_a_rate_that_changes_within_the_month(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "2.25")
    make_rate(hall.session, hall.mall, "2.50", starts_on=date(2026, 4, 16))
    hall.lease(hall.ida, hall.booth)
    hall.post_rents()
    assert hall.charges() == [
        ("Booth 12", "120.00 sq ft × $2.25 a month × 15/30 days + 120.00 sq ft × $2.50 a month × 15/30 days", 0, 285_00)
    ]


def test_a_booth_that_changes_hands_within_the_month(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "2.25")
    hall.lease(hall.ida, hall.booth, ends_on=date(2026, 4, 10))
    hall.lease(hall.amos, hall.booth, starts_on=date(2026, 4, 11))
    assert hall.post_rents() == 2
    assert (hall.owed(hall.ida), hall.owed(hall.amos)) == (-90_00, -180_00)


def test_rent_is_posted_once_however_often_it_is_run(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, now)
        make_rate(session, hall.mall, "2.25")
        hall.lease(hall.ida, hall.booth)
    for expected in (1, 0, 0):
        with transaction(sessions) as session:
            assert post_rents(session, now, session.scalars(select(Mall)).one(), APRIL) == expected
    with transaction(sessions) as session:
        assert session.scalar(select(func.sum(Charge.amount_cents))) == 270_00
        assert session.scalar(select(func.count(Entry.id))) == 1
        assert check_books(session) == []


def test_a_space_that_shrank_after_its_rent_was_posted_is_given_the_difference(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "2.25")
    lease_id = hall.lease(hall.ida, hall.booth)
    hall.post_rents()
    hall.session.scalars(select(LeaseSpace).where(LeaseSpace.lease_id == lease_id)).one().leased_area_sqft100 = 100_00
    assert (hall.post_rents(), hall.post_rents()) == (1, 0)
    assert hall.charges() == [
        ("Booth 12", "120.00 sq ft × $2.25 a month", 0, 270_00),
        ("Booth 12", "100.00 sq ft × $2.25 a month, less $270.00 charged before", 1, -45_00),
    ]
    assert hall.owed(hall.ida) == -225_00


def test_no_rate_is_a_refusal_that_names_the_zone_and_posts_nothing(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "2.25", starts_on=date(2026, 4, 2))
    make_rate(hall.session, hall.mall, "45", zone="case", per="flat")
    hall.lease(hall.ida, hall.case)
    hall.lease(hall.amos, hall.booth)
    said = "Booth 12 is in zone front, and there is no rate in force on 2026-04-01: set a rate for that zone first"
    with pytest.raises(Refusal, match=said):
        hall.post_rents()
    assert hall.charges() == []


def test_rent_for_nothing_is_charged_and_posts_nothing(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "0")
    hall.lease(hall.ida, hall.booth)
    assert (hall.post_rents(), hall.post_rents()) == (1, 0)
    assert hall.charges() == [("Booth 12", "120.00 sq ft × $0.00 a month", 0, 0)]
    assert hall.session.scalar(select(func.count(Entry.id))) == 0


def test_what_belongs_to_a_closed_month_is_dated_in_the_open_one(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "2.25")
    lease_id = hall.lease(hall.ida, hall.booth)
    hall.post_rents()
    shut(hall.session, hall.now, ensure_period(hall.session, hall.mall.id, APRIL))
    hall.session.scalars(select(LeaseSpace).where(LeaseSpace.lease_id == lease_id)).one().leased_area_sqft100 = 100_00
    assert (hall.post_rents(), hall.post_rents()) == (1, 0)
    assert [c[2:] for c in hall.charges()] == [(0, 270_00)]
    assert hall.charges(Month(2026, 5)) == [("Booth 12", "100.00 sq ft × $2.25 a month, less $270.00 charged before", 1, -45_00)]
    assert hall.session.scalars(select(Entry.business_date).order_by(Entry.id)).all() == [date(2026, 4, 30), date(2026, 5, 1)]


# --- commission ---------------------------------------------------------------------------------------------------------


def test_commission_follows_sales_that_came_in_later(hall: Hall) -> None:
    hall.lease(hall.ida)
    ida = hall.ida.id
    assert [hall.post_commissions({ida: net}) for net in (123_45, 123_45, 200_00, 150_00, 150_00)] == [1, 0, 1, 1, 0]
    assert hall.charges() == [
        ("Commission", "10% of $123.45", 0, 12_35),
        ("Commission", "10% of $200.00, less $12.35 charged before", 1, 7_65),
        ("Commission", "10% of $150.00, less $20.00 charged before", 2, -5_00),
    ]
    assert hall.owed(hall.ida) == -15_00


def test_commission_is_not_charged_again_under_a_lease_made_since(hall: Hall) -> None:
    """The rule is the new lease's; what was charged under the old one counts."""
    hall.lease(hall.ida)
    hall.post_commissions({hall.ida.id: 100_00})
    hall.lease(hall.ida, starts_on=date(2026, 4, 20), percent="12")
    assert [hall.post_commissions({hall.ida.id: 100_00}) for _ in range(2)] == [1, 0]
    assert hall.charges() == [
        ("Commission", "10% of $100.00", 0, 10_00),
        ("Commission", "12% of $100.00, less $10.00 charged before", 1, 2_00),
    ]
    assert hall.owed(hall.ida) == -12_00


def test_a_month_of_returns_gives_commission_back(hall: Hall) -> None:
    hall.lease(hall.ida)
    hall.post_commissions({hall.ida.id: -50_00})
    assert hall.owed(hall.ida) == 5_00


def test_one_who_has_left_keeps_the_former_lease_s_rule(hall: Hall) -> None:
    hall.lease(hall.ida, starts_on=date(2025, 1, 1), ends_on=date(2025, 12, 31), percent="8")
    hall.post_commissions({hall.ida.id: -100_00})
    assert hall.charges() == [("Commission", "8% of -$100.00", 0, -8_00)]


def test_sales_without_a_lease_are_a_refusal_that_names_the_dealer(hall: Hall) -> None:
    hall.lease(hall.ida)
    said = "Dealer D02 has sales in April 2026 but no lease at Lantern Yard Antiques Hall: make one first"
    with pytest.raises(Refusal, match=said):
        hall.post_commissions({hall.ida.id: 100_00, hall.amos.id: 100_00})
    assert hall.charges() == []


# --- leases -------------------------------------------------------------------------------------------------------------


def test_a_lease_is_signed_for_the_area_measured(hall: Hall) -> None:
    lease_id = hall.lease(hall.ida, hall.booth, hall.case, ends_on=date(2026, 12, 31))
    held = hall.session.scalars(select(LeaseSpace).where(LeaseSpace.lease_id == lease_id).order_by(LeaseSpace.id)).all()
    assert [(h.space.code, h.starts_on, h.ends_on, h.leased_area_sqft100) for h in held] == [
        ("12", date(2020, 1, 1), date(2026, 12, 31), 120_00),
        ("C3", date(2020, 1, 1), date(2026, 12, 31), 8_00),
    ]


TAKEN = "Space 12 is leased already in these dates, to D01 from Mar 1, 2026 through Jun 30, 2026: end that lease first"


@pytest.mark.parametrize(
    ("spaces", "terms", "said"),
    [
        (["12"], {"starts_on": date(2026, 6, 30)}, TAKEN),
        (["12"], {"starts_on": date(2026, 1, 1), "ends_on": date(2026, 3, 1)}, TAKEN),
        (["C3", "C3"], {}, "Case C3 is asked for twice: name each space once"),
        (
            [],
            {"starts_on": date(2026, 2, 1), "ends_on": date(2026, 1, 31)},
            "ends on Jan 31, 2026, before it starts on Feb 1, 2026",
        ),
        (["7"], {}, "Space 7 is not in Lantern Yard Antiques Hall: a lease is of one mall"),
        ([], {"percent": "100.5"}, "A commission of 100.5 percent for D02 is not between 0 and 100"),
        ([], {"percent": "-1"}, "A commission of -1 percent for D02 is not between 0 and 100"),
    ],
)
def test_leases_that_are_refused(hall: Hall, spaces: list[str], terms: dict[str, object], said: str) -> None:
    elsewhere = make_space(hall.session, hall.now, make_mall(hall.session, hall.now, "EAST"), "7")
    hall.lease(hall.ida, hall.booth, starts_on=date(2026, 3, 1), ends_on=date(2026, 6, 30))
    by_code = {space.code: space for space in (hall.booth, hall.case, elsewhere)}
    with pytest.raises(Refusal, match=said):
        hall.lease(hall.amos, *(by_code[code] for code in spaces), **terms)


def test_a_space_is_let_again_the_day_after(hall: Hall) -> None:
    hall.lease(hall.ida, hall.booth, ends_on=date(2026, 6, 30))
    hall.lease(hall.amos, hall.booth, starts_on=date(2026, 7, 1))
    assert [lease.dealer_id for lease in leases_in(hall.session, hall.mall.id, Month(2026, 6))] == [hall.ida.id]
    assert [lease.dealer_id for lease in leases_in(hall.session, hall.mall.id, Month(2026, 7))] == [hall.amos.id]


def test_the_latest_lease_is_the_one_that_started_last(hall: Hall) -> None:
    first = hall.lease(hall.ida, starts_on=date(2025, 1, 1))
    second = hall.lease(hall.ida, starts_on=date(2026, 4, 20))
    days = (date(2024, 12, 31), date(2026, 4, 19), date(2026, 4, 20))
    found = [latest_leases(hall.session, hall.mall.id, day).get(hall.ida.id) for day in days]
    assert [lease and lease.id for lease in found] == [None, first, second]


def test_rates_that_are_refused(hall: Hall) -> None:
    make_rate(hall.session, hall.mall, "2.25", starts_on=date(2026, 1, 1))
    for terms, said in (
        ({"price": "-1"}, "The rate of zone front is -1: it cannot be negative"),
        ({"starts_on": date(2026, 1, 1)}, "Zone front has a rate from Jan 1, 2026 already: choose another day"),
        ({"zone": " "}, "The rate's zone is empty: name the zone it is for"),
        ({"per": "metre"}, "The rate of zone front is per metre: use sqft"),
    ):
        with pytest.raises(Refusal, match=said):
            make_rate(hall.session, hall.mall, **terms)  # type: ignore[arg-type]


def test_spaces_and_malls_that_are_refused(hall: Hall) -> None:
    sides = {"width_in16": 10, "depth_in16": 10}
    for code, terms, said in (
        ("13", {"kind": "tent", "zone": "front"}, "Space 13: its kind is tent; it is one of booth, case, shelf, wall"),
        ("13", {"kind": "booth", "zone": ""}, "Space 13: its zone is empty"),
        ("12", {"kind": "booth", "zone": "front"}, "Space 12 is in Lantern Yard Antiques Hall already: choose another code"),
        ("13", {"kind": "booth", "zone": "front", "width_in16": 0}, "Space 13: width and depth must be above zero"),
    ):
        with pytest.raises(Refusal, match=said):
            add_space(hall.session, hall.now, hall.mall, code, **(sides | terms))  # type: ignore[arg-type]
    for code, zone, said in (
        ("main", "America/Chicago", "Mall code MAIN is taken"),
        ("EAST", "America/Elmville", "Time zone 'America/Elmville' is not one of the IANA database"),
        ("EA ST", "America/Chicago", "use one to twelve letters, digits or hyphens"),
    ):
        with pytest.raises(Refusal, match=said):
            add_mall(hall.session, hall.now, code, name="x", timezone=zone)


# --- two at once --------------------------------------------------------------------------------------------------------


def test_two_ask_for_one_space_at_the_same_moment(sessions: Sessions, now: datetime) -> None:
    """Exactly one gets it, whoever is first."""
    with transaction(sessions) as session:
        hall = Hall(session, now)
        ids = {"mall": hall.mall.id, "space": hall.booth.id}
        dealers = [hall.ida.id, hall.amos.id, *(make_dealer(session, now, f"E{n}").id for n in range(4))]
    start, outcomes = threading.Barrier(len(dealers)), []

    def ask(dealer_id: int) -> None:
        start.wait()
        try:
            with transaction(sessions) as session:
                mall, space = session.get_one(Mall, ids["mall"]), session.get_one(Space, ids["space"])
                make_lease(session, now, mall, session.get_one(Dealer, dealer_id), [space], starts_on=date(2026, 5, 1))
            outcomes.append("leased")
        except (Refusal, IntegrityError) as error:
            outcomes.append(
                "refused" if "leased already" in str(error) or "guard_lease_space_overlap" in str(error) else repr(error)
            )

    threads = [threading.Thread(target=ask, args=(dealer_id,), daemon=True) for dealer_id in dealers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(outcomes) == ["leased"] + ["refused"] * 5
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(LeaseSpace.id))) == 1


def test_rent_posted_by_two_at_once_is_owed_once(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, now)
        make_rate(session, hall.mall, "2.25")
        make_lease(session, now, hall.mall, hall.ida, [hall.booth])
        mall_id = hall.mall.id
    outcomes: list[int] = []

    def post() -> None:
        with transaction(sessions) as session:
            posted = post_rents(session, now, session.get_one(Mall, mall_id), APRIL)
        outcomes.append(posted)

    threads = [threading.Thread(target=post, daemon=True) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(outcomes) == [0, 0, 0, 1]  # Who comes second waits, and finds nothing left to post.
    with transaction(sessions) as session:
        assert session.scalar(select(func.sum(Charge.amount_cents))) == 270_00
        assert check_books(session) == []


def test_commission_percent_is_kept_exactly(hall: Hall) -> None:
    lease_id = hall.lease(hall.ida, percent="12.345678")
    hall.session.expire_all()
    lease = latest_leases(hall.session, hall.mall.id, LATER)[hall.ida.id]
    assert (lease.id, lease.commission_percent) == (lease_id, Decimal("12.345678"))
