"""What a statement tells beside its balance: the year, next rent, layaways, the square foot, how it is paid or why it is not."""

from __future__ import annotations

import dataclasses
import re
from datetime import UTC, date, datetime
from decimal import Decimal
from fractions import Fraction

import pytest
from sqlalchemy import delete, select

from coop.books.models import MoneyRule, Opening, OpeningMemo
from coop.books.payments import bounce_check, receive_payment
from coop.books.rules import NO_RULES
from coop.books.service import close_period, ensure_period, lock_period, pay_dealer, reverse_entry
from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.core.sealed_text import FieldKeys
from coop.dealers.models import Dealer
from coop.dealers.paying import Paying, set_detail
from coop.floor.service import add_mall, add_space
from coop.leases.agreements import make_lease
from coop.leases.models import RentRate
from coop.leases.posting import post_commissions, post_rents
from coop.leases.rents import month_rents
from coop.leases.rules import set_rate
from coop.payouts.holding import place_hold
from coop.payouts.queries import payables
from coop.sales.claims import ask_claim, grant_claim
from coop.sales.domain import LineIn, TenderIn
from coop.sales.layaway import Terms, agree_layaway, cancel_layaway
from coop.sales.models import TicketLine
from coop.sales.queries import month_sales
from coop.sales.service import take_tickets
from coop.statements import figures
from coop.statements.building import build_value
from coop.statements.checking import check_statements, year_faults
from coop.statements.documents import notes, statement_html, statement_mail, sum_rows
from coop.statements.domain import ChargeLine, StatementValue, YearFigure, from_json, to_json
from coop.statements.domain.pictures import sold_by_day
from coop.statements.figures import Middle, mall_middle, next_rent, next_rents, rented_areas
from coop.statements.service import freeze_statement
from coop.statements.wording import outcome, paid_rows, year_rows
from tests.factories.coops import APRIL, MARCH, SmallCoop, build_coop, line, ticket
from tests.factories.hall import Hall
from tests.factories.leases import make_space
from tests.factories.people import make_dealer

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
ON = date(2025, 5, 2)


@pytest.fixture
def coop(sessions: Sessions, now: datetime) -> SmallCoop:
    with transaction(sessions) as session:
        return build_coop(session, now)


def shut(session, now, coop: SmallCoop, month: Month) -> dict[str, StatementValue]:
    sales = month_sales(session, coop.mall.id, month)
    post_rents(session, now, coop.mall, month)
    post_commissions(session, now, coop.mall, month, {d: s.net_cents for d, s in sales.items() if d is not None})
    period = lock_period(session, ensure_period(session, coop.mall.id, month).id)
    close_period(session, now, period)
    made = {code: freeze_statement(session, now, coop.mall, dealer, month) for code, dealer in coop.dealers.items()}
    return {code: from_json(statement.value_json) for code, statement in made.items()}


def year(value: StatementValue) -> dict[str, tuple[int, int]]:
    return {one.what: (one.before_cents, one.month_cents) for one in value.year}


def test_the_year_goes_on_from_the_month_before_and_says_what_was_on_paper(sessions, coop, now):
    with transaction(sessions) as session:
        ida = coop.dealers["D01"]
        opening = Opening(
            file_name="paper.csv",
            file_sha256="0" * 64,
            content="",
            first_day=MARCH.first_day,
            totals={},
            state="signed",
            read_at=now,
            signed_at=now,
        )
        session.add(opening)
        session.flush()
        for what, cents in (("net", 900_00), ("commission", 90_00)):
            memo = {"opening_id": opening.id, "mall_id": coop.mall.id, "dealer_id": ida.id, "what": what}
            session.add(OpeningMemo(**memo, year=2025, amount_cents=cents))
        session.add(OpeningMemo(**{**memo, "what": "paid"}, year=2024, amount_cents=5))  # of another year
        march = shut(session, now, coop, MARCH)
        paid = march["D02"].closing_cents
        entry = pay_dealer(
            session, now, coop.mall, coop.dealers["D02"], amount_cents=paid, on=date(2025, 4, 10), reference="ACH 7"
        )
        take_tickets(session, now, coop.mall, [ticket("2001", date(2025, 4, 5), [line(ida, 30000)])])
        april = shut(session, now, coop, APRIL)
        assert check_statements(session) == []
        assert year(march["D01"]) == {
            "gross": (0, 16851),
            "net": (900_00, 15726),
            "commission": (-90_00, -1573),
            "rent": (0, -27000),
            "fees": (0, 0),
            "paid": (0, 0),
        }
        assert [one.paper_cents for one in april["D01"].year] == [0, 900_00, -90_00, 0, 0, 0]
        for code in coop.dealers:
            assert [one.total_cents for one in march[code].year] == [one.before_cents for one in april[code].year]
        assert year(april["D02"])["paid"] == (0, -paid)

        # What D01 was owed and charged on paper and was not brought is not known; D02 began with these books.
        assert [one.unknown for one in march["D01"].year] == [True, False, False, True, True, True]
        assert not any(one.unknown for one in march["D02"].year)

        # Taken back in May, it is paid no more: the reversal counts where the payout did, and names it.
        reverse_entry(session, now, entry, on=date(2025, 5, 2), memo="lost in the mail")
        may = build_value(session, coop.mall, coop.dealers["D02"], APRIL.next, made_on=date(2025, 6, 2))
        assert year(may)["paid"] == (-paid, paid)
        assert [(one.label, one.kind) for one in may.payments] == [
            ("Puts right “Paid to you, ACH 7” of Apr 10, 2025: lost in the mail", "payout")
        ]


def test_a_year_that_does_not_go_on_is_found(sessions, coop, now):
    with transaction(sessions) as session:
        march, april = shut(session, now, coop, MARCH)["D01"], shut(session, now, coop, APRIL)["D01"]
    assert list(year_faults(march, april)) == []
    wrong = dataclasses.replace(april, year=(YearFigure("gross", 1, 0), *april.year[1:]))
    assert list(year_faults(march, wrong)) == [
        "the year's gross before April 2025 is 0.01, and was 168.51 on the statement before."
    ]


def test_next_months_rent_is_shown_or_stays_back_and_what_is_paid_is_the_payouts(sessions, coop, now):
    with transaction(sessions) as session:
        shown = shut(session, now, coop, MARCH)
        assert [(one.kind, one.label, one.working, one.amount_cents) for one in shown["D03"].next_rent] == [
            ("rent", "Booth 2", "90.00 sq ft × $2.25 a month", -20250)
        ]
        assert shown["D04"].next_rent == ()
        assert (shown["D02"].to_be_paid_cents, shown["D02"].carried_cents) == (shown["D02"].closing_cents, 0)
        # As it could not be set now that the month is closed: the same month, as it would be told under the other rule.
        session.add(
            MoneyRule(
                starts_on=date(2025, 1, 1), set_at=now, **dataclasses.asdict(dataclasses.replace(NO_RULES, next_rent="netted"))
            )
        )
        session.flush()
        owed = payables(session, MARCH)
        netted = {
            code: build_value(session, coop.mall, dealer, MARCH, made_on=date(2025, 4, 2), pay_how="by check")
            for code, dealer in coop.dealers.items()
        }
        for code in ("D02", "D04"):
            assert netted[code].to_be_paid_cents == owed[coop.dealers[code].id].amount_cents
        amos = netted["D02"]
        assert amos.to_be_paid_cents == amos.closing_cents - 4500
        assert amos.carried_cents == 4500
        assert outcome(amos) == (
            "$219.15 will be paid to you on Apr 10, 2025 by check. $45.00 more is yours and stays for the rent of April 2025."
        )
        assert [(row.label, row.working, row.amount_cents) for row in paid_rows(amos)] == [
            ("To be paid", "on Apr 10, 2025, by check", 21915),
            ("Carried forward", "to April 2025, for the rent of that month", 4500),
        ]
        # Whom the rent leaves nothing, nothing is paid.
        take_tickets(session, now, coop.mall, [ticket("2001", date(2025, 4, 5), [line(coop.dealers["D02"], 3000)])])
        pay_dealer(
            session, now, coop.mall, coop.dealers["D02"], amount_cents=amos.closing_cents, on=date(2025, 4, 10), reference="ACH 7"
        )
        april = build_value(session, coop.mall, coop.dealers["D02"], APRIL, made_on=ON)
        assert (april.closing_cents, april.to_be_paid_cents, april.carried_cents, april.pay_on) == (3000, 0, 3000, None)
        assert outcome(april) == "$30.00 is yours and stays for the rent of May 2025; nothing is paid now."


def test_one_dealers_rents_are_those_of_the_whole_mall(sessions: Sessions, now: datetime) -> None:
    """A shared booth is read with all that share it, so that its cents fall as they do in the whole."""
    with sessions() as session:
        hall = Hall(session, now)
        ida, amos = (hall.lease(dealer, starts_on=date(2026, 4, 1)) for dealer in (hall.ida, hall.amos))
        hall.hold(ida, hall.booth, date(2026, 4, 1), shares={ida: 33, amos: 67})
        hall.hold(amos, hall.case, date(2026, 4, 10))
        month = Month(2026, 4)
        whole = month_rents(session, hall.mall, month)
        assert len(whole) == 3
        for dealer in (hall.ida, hall.amos):
            mine = [draft for draft in whole if draft.dealer_id == dealer.id]
            assert mine
            assert month_rents(session, hall.mall, month, dealer_id=dealer.id) == mine
        # 120 sq ft shared 33 to 67, and 120 more from the tenth: 21 of 30 days.
        assert rented_areas(session, hall.mall.id, month) == {
            hall.ida.id: Fraction(12000 * 33, 100),
            hall.amos.id: Fraction(12000 * 67, 100) + Fraction(12000 * 21, 30),
        }


@SQLITE
def test_next_rents_of_many_are_those_of_each(sessions: Sessions, now: datetime) -> None:
    with sessions() as session:
        hall = Hall(session, now)
        cleo, april = make_dealer(session, now, "D03"), Month(2026, 4)
        hall.hold(hall.lease(hall.ida), hall.booth, date(2020, 1, 1))
        amos = hall.lease(hall.amos)
        hall.hold(amos, hall.case, date(2020, 1, 1))
        hall.hold(amos, make_space(session, now, hall.mall, "13"), date(2026, 5, 10))
        three = [dealer.id for dealer in (hall.ida, hall.amos, cleo)]

        def of_each() -> dict[int, tuple[ChargeLine, ...]]:
            return {one: next_rent(session, hall.mall, one, april) for one in three}

        settled = of_each()
        assert [len(settled[one]) for one in three] == [1, 2, 0]
        assert next_rents(session, hall.mall, three, april) == settled
        # A case without a rate is not settled, and keeps nobody else's rent from being told.
        session.execute(delete(RentRate).where(RentRate.zone == hall.case.zone))
        told = next_rents(session, hall.mall, three, april)
        assert told == of_each()
        assert told == settled | {hall.amos.id: (ChargeLine("rent", "Rent", "not settled yet: ask the office", 0),)}


@SQLITE
def test_the_median_is_told_of_five_dealers_and_more(sessions, coop, now, monkeypatch):
    assert figures.FEWEST == 5
    monkeypatch.setattr(figures, "FEWEST", 3)  # the hall has three
    with transaction(sessions) as session:
        march = shut(session, now, coop, MARCH)
        floor = march["D01"].floor
        # D01 157.26 on 120 sq ft, D02 353.32 on 30, D03 nothing on 90 for 15 of 31 days.
        assert floor is not None
        assert (floor.area_sqft100, floor.sales_cents, floor.rent_cents) == (12000, 131, 225)
        assert (floor.median_cents, floor.dealers) == (131, 3)
        assert march["D04"].floor is None
        assert mall_middle(session, coop.mall.id, MARCH) == Middle(131, 3)
        told = build_value(session, coop.mall, coop.dealers["D01"], MARCH, made_on=ON, middle=Middle(99, 7)).floor
        assert told is not None
        assert (told.median_cents, told.dealers) == (99, 7)
        february = build_value(session, coop.mall, coop.dealers["D01"], Month(2025, 2), made_on=date(2025, 3, 2))
        assert february.floor is None
    with transaction(sessions) as session:
        hall = build_two(session, now)
        value = build_value(session, *hall, APRIL, made_on=ON)
        assert value.floor is not None
        assert (value.floor.median_cents, value.floor.dealers) == (None, 0)


def build_two(session, now):
    """Another mall of two dealers."""
    mall = add_mall(session, now, "EAST", name="East Hall", timezone="UTC")
    set_rate(session, mall, "front", Decimal(2), per="sqft", starts_on=date(2025, 1, 1))
    dealers = [session.scalars(select(Dealer).where(Dealer.code == code)).one() for code in ("D01", "D02")]
    for n, dealer in enumerate(dealers):
        booth = add_space(session, now, mall, str(n), kind="booth", zone="front", width_in16=1920, depth_in16=1920)
        make_lease(session, now, mall, dealer, starts_on=date(2025, 4, 1), commission_percent=Decimal(10), spaces=[booth])
    return mall, dealers[0]


def test_layaways_are_those_pending_when_the_month_ended(sessions, coop, now):
    with transaction(sessions) as session:
        chest = LineIn(1, coop.dealers["D01"].id, "D01-77", "Bow-front chest", 1, Decimal(240), 240_00)
        at = datetime(2025, 3, 20, 18, tzinfo=UTC)
        set_aside = agree_layaway(
            session, at, coop.mall, [chest], Terms("Orla Quint", due_days=90), deposit=TenderIn("cash", 48_00), key="one"
        )
        cancel_layaway(session, datetime(2025, 4, 3, 18, tzinfo=UTC), set_aside, tender="cash")
        ida = coop.dealers["D01"]
        march = build_value(session, coop.mall, ida, MARCH, made_on=ON)
        told = [(one.number, one.item, one.tag, one.agreed_on, one.due_on, one.price_cents) for one in march.layaways]
        assert told == [(1, "Bow-front chest", "D01-77", date(2025, 3, 20), date(2025, 6, 18), 240_00)]
        assert build_value(session, coop.mall, ida, MARCH.previous, made_on=ON).layaways == ()
        assert build_value(session, coop.mall, ida, APRIL, made_on=ON).layaways == ()


def test_a_held_balance_is_carried_and_says_why(sessions, coop, now):
    with transaction(sessions) as session:
        place_hold(session, now, coop.dealers["D02"], "her bank asks us to wait")
        march = shut(session, now, coop, MARCH)
        value = march["D02"]
        assert (value.held, value.pay_on, value.pay_how) == (("Held by hand: her bank asks us to wait.",), None, "")
        assert (value.to_be_paid_cents, value.carried_cents) == (0, value.closing_cents)
        assert outcome(value) == "$264.15 is yours, but is not paid now. Held by hand: her bank asks us to wait."
        assert march["D04"].pay_how == "by check"
        # Who owes is told that, and nothing of holds.
        assert march["D01"].held == ()


def test_a_sale_claimed_later_says_both_days(sessions, coop, now):
    with transaction(sessions) as session:
        shut(session, now, coop, MARCH)
        nobodys = session.scalars(select(TicketLine).where(TicketLine.dealer_id.is_(None)).order_by(TicketLine.id)).first()
        at = datetime(2025, 4, 9, 18, tzinfo=UTC)
        claim = ask_claim(session, at, nobodys, coop.dealers["D01"], words="mine")
        grant_claim(session, at, claim)
        april = build_value(session, coop.mall, coop.dealers["D01"], APRIL, made_on=ON)
        [sold] = april.sales
        assert (sold.sold_on, sold.posted_on, sold.claimed_on) == (date(2025, 3, 15), date(2025, 3, 15), date(2025, 4, 9))
        assert notes(sold) == "sold on Mar 15, 2025, claimed on Apr 9, 2025: until then it was nobody's; paid by card"
        assert sold_by_day(april)[8] == (date(2025, 4, 9), 1800)
        assert year(april)["gross"] == (16851, 1800)


@SQLITE
def test_it_says_by_transfer_and_no_number_of_the_bank(sessions, coop, now):
    keys = FieldKeys(("A" * 43 + "=",))
    with transaction(sessions) as session:
        amos = coop.dealers["D02"]
        how = Paying("ach", "person", "111000025", "000123456789", "checking")
        set_detail(session, datetime(2025, 1, 2, tzinfo=UTC), keys, amos, how, mail_domain="example.org")
        value = shut(session, now, coop, MARCH)["D02"]
        assert value.pay_how == "by bank transfer"
        told = (to_json(value), statement_html(value), *statement_mail(value))
    assert statement_mail(value)[1].startswith("$264.15 will be paid to you on Nov 10, 2026 by bank transfer.\n")
    for text in told:
        assert not re.search("111000025|6789", text)


def test_a_year_that_is_all_in_these_books_foots(sessions, coop, now):
    with transaction(sessions) as session:
        march = shut(session, now, coop, MARCH)
        amos = coop.dealers["D02"]
        owed = march["D02"].closing_cents
        pay_dealer(session, now, coop.mall, amos, amount_cents=owed, on=date(2025, 4, 10), reference="check 7")
        check = receive_payment(
            session, now, coop.mall, amos, amount_cents=5000, paid_by="check", on=date(2025, 4, 12), reference="81"
        )
        april = build_value(session, coop.mall, amos, APRIL, made_on=ON)
        bounce_check(session, now, coop.mall, amos, check, on=date(2025, 5, 2), reference="returned 81")
        may = build_value(session, coop.mall, amos, APRIL.next, made_on=date(2025, 6, 2))
    # prove() has added them up; here is that they are told.
    figures = {one.what: (one.before_cents, one.month_cents) for one in may.year}
    assert (figures["opening"], figures["paid"], figures["by you"], figures["else"]) == (
        (0, 0),
        (-owed, 0),
        (5000, -5000),
        (0, 0),
    )
    assert {one.what: one.total_cents for one in april.year}["by you"] == 5000
    assert sum(row.total_cents for row in year_rows(may) if row.label not in ("Gross sales", "Balance")) == may.closing_cents
    assert [one.label for one in may.payments] == ["Your check 81 of Apr 12 came back unpaid"]
    assert sum_rows(may)[3].working == "check came back 50.00"
