"""Accounts of turns over three months, by hand: carried, charged, bought out, snow, a shared booth; then each case alone."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from sqlalchemy import func, select

from coop.books.checking import check_trial_balance
from coop.books.models import Opening, OpeningMemo, Period
from coop.books.queries import dealer_balances_before
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.leases.editing import By
from coop.leases.models import Charge, LeaseTerm
from coop.shifts.accounts import buy_out, left_to_buy, set_right
from coop.shifts.attending import decide, sign_in, watch_turns, write_down
from coop.shifts.charging import lease_charged
from coop.shifts.models import Rota, Turn
from coop.shifts.month_end import post_turns, worked_by_dealer
from coop.shifts.owing import balances
from coop.shifts.turn_models import Attendance, TurnAccount
from tests.factories.hall import Hall
from tests.factories.house import add_person
from tests.factories.leases import make_space
from tests.factories.people import make_dealer
from tests.factories.turns import lay_post, lay_published, lay_rules

SEPTEMBER, OCTOBER, NOVEMBER = Month(2026, 9), Month(2026, 10), Month(2026, 11)
PRICED = {
    "owed_base": Decimal(2),
    "no_show": "charge",
    "no_show_cents": 20_00,
    "buy_out_cents": 40_00,
    "credit_cents": 15_00,
    "carry_most": Decimal(1),
}


class Turns(Hall):
    """Ida has booth 12 and owes 2 turns a month. Amos and Ruth share booth 14 by halves: each owes 1. Turns are laid by hand."""

    def __init__(self, session, now, **rules):
        super().__init__(session, now)
        self.ruth = make_dealer(session, now, "D03")
        lay_rules(session, self.mall, **rules)
        self.post = lay_post(session, self.mall)
        self.lease(self.ida, self.booth)
        amos, ruth = self.lease(self.amos), self.lease(self.ruth)
        self.hold(amos, make_space(session, now, self.mall, "14"), date(2020, 1, 1), shares={amos: 50, ruth: 50})
        self.rotas: dict[Month, Rota] = {}

    def turn(self, month: Month, day: int, dealer: Dealer, *, hour: int = 16) -> Turn:
        """A turn of four hours from `hour` (UTC) on, of a published rota."""
        if month not in self.rotas:
            rota = Rota(mall_id=self.mall.id, first_day=month.first_day, state="draft")
            self.session.add(rota)
            self.session.flush()
            lay_published(self.session, rota, self.now)
            self.rotas[month] = rota
        begins = datetime(month.year, month.month, day, hour, tzinfo=UTC)
        turn = Turn(
            rota_id=self.rotas[month].id,
            mall_id=self.mall.id,
            post_id=self.post.id,
            seat=1,
            on_date=begins.date(),
            starts_at=begins,
            ends_at=begins + timedelta(hours=4),
            opens=False,
            closes=False,
            needs_keys=False,
            member_id=dealer.member_id,
        )
        self.session.add(turn)
        self.session.flush()
        return turn

    def worked(self, month: Month, day: int, dealer: Dealer, **more) -> Turn:
        turn = self.turn(month, day, dealer, **more)
        sign_in(self.session, turn.starts_at, turn, dealer.member_id)
        return turn

    def missed(self, month: Month, day: int, dealer: Dealer, **more) -> Turn:
        turn = self.turn(month, day, dealer, **more)
        watch_turns(self.session, turn.starts_at + timedelta(minutes=30), {})
        assert self.session.scalar(select(Attendance.missed_at).where(Attendance.turn_id == turn.id))
        return turn

    def end(self, month: Month):
        return post_turns(self.session, self.at(month.next.first_day), self.mall, month)

    def lines(self, dealer: Dealer, month: Month) -> list[tuple[str, str]]:
        rows = self.session.execute(
            select(TurnAccount.kind, TurnAccount.turns)
            .where(TurnAccount.member_id == dealer.member_id, TurnAccount.first_day == month.first_day)
            .order_by(TurnAccount.kind, TurnAccount.id)
        )
        return [(kind, f"{turns.normalize():f}") for kind, turns in rows]

    def balance(self, dealer: Dealer) -> Decimal:
        return balances(self.session).get((self.mall.id, dealer.member_id), Decimal(0))

    def money(self) -> dict[str, int]:
        """What the co-op owes each dealer, below zero what the dealer owes; the ledger balances."""
        for period in self.session.scalars(select(Period.id)):
            assert check_trial_balance(self.session, period) == []
        found = dealer_balances_before(self.session, self.mall.id, date(2030, 1, 1))
        codes = {dealer.id: dealer.code for dealer in (self.ida, self.amos, self.ruth)}
        return {codes[dealer_id]: cents for dealer_id, cents in found.items() if cents}


@pytest.fixture
def lay(sessions, now):
    """Makes the hall of turns; one a test."""
    with transaction(sessions) as session:
        yield lambda **rules: Turns(session, now, **rules)


def test_three_months_by_hand(lay):
    """
    Two turns a month for a booth, one for half of one. One is carried up or down; beyond it $40.00 a turn, $15.00 back.

    | month     | Ida                       | Amos                  | Ruth                    |
    | September | -2 +2 worked        =  0  | -1 +2 worked    = +1  | -1              = -1    |
    | October   | -2 +1 charged $20         | -1 +2 worked    = +2  | -1              = -2    |
    |           |    +1 snow          =  0  | -1 credited $15 = +1  | +1 charged $40  = -1    |
    | November  | -2 +1 bought out $40      | -1              =  0  | -1 +1 excused   = -1    |
    |           |    +1 worked        =  0  |                       | +1 left, $40    =  0    |
    """
    hall = lay(**PRICED)
    ida, amos, ruth = hall.ida, hall.amos, hall.ruth
    hall.worked(SEPTEMBER, 7, ida)
    hall.worked(SEPTEMBER, 8, ida)
    hall.worked(SEPTEMBER, 9, amos)
    hall.worked(SEPTEMBER, 10, amos)
    ended = hall.end(SEPTEMBER)
    assert ended.words == "4 turns owed, 4 turns worked."
    assert [hall.balance(one) for one in (ida, amos, ruth)] == [0, 1, -1]
    assert hall.lines(ida, SEPTEMBER) == [("owed", "-2"), ("worked", "1"), ("worked", "1")]
    assert hall.lines(ruth, SEPTEMBER) == [("owed", "-1")]
    working = select(TurnAccount.working).where(TurnAccount.kind == "owed").order_by(TurnAccount.member_id)
    assert hall.session.scalars(working).all() == ["2", "50% of 2 = 1", "50% of 2 = 1"]
    assert hall.money() == {}

    hall.worked(OCTOBER, 5, amos)
    hall.worked(OCTOBER, 6, amos)
    hall.missed(OCTOBER, 7, ida)
    snow = hall.turn(OCTOBER, 8, ida)
    snow.state = "closed"
    hall.session.flush()
    ended = hall.end(OCTOBER)
    assert ended.words == "4 turns owed, 3 turns worked. $60.00 charged for turns. $15.00 credited for turns."
    assert hall.lines(ida, OCTOBER) == [("charged", "1"), ("closed", "1"), ("owed", "-2")]
    assert hall.lines(amos, OCTOBER) == [("credited", "-1"), ("owed", "-1"), ("worked", "1"), ("worked", "1")]
    assert hall.lines(ruth, OCTOBER) == [("charged", "1"), ("owed", "-1")]
    assert [hall.balance(one) for one in (ida, amos, ruth)] == [0, 1, -1]
    assert hall.money() == {"D01": -20_00, "D02": 15_00, "D03": -40_00}

    assert left_to_buy(hall.session, hall.mall, ida.member_id, NOVEMBER) == 2
    buy_out(hall.session, hall.at(date(2026, 11, 3)), hall.mall, ida.member_id, NOVEMBER, Decimal(1))
    assert left_to_buy(hall.session, hall.mall, ida.member_id, NOVEMBER) == 1
    hall.worked(NOVEMBER, 9, ida)
    assert left_to_buy(hall.session, hall.mall, ida.member_id, NOVEMBER) == 0
    ill = hall.missed(NOVEMBER, 10, ruth)
    decide(hall.session, ill.ends_at, ill, "excused", user_id=None)
    lease_charged(hall.session, hall.mall.id, ruth.member_id, NOVEMBER.last_day).ends_on = NOVEMBER.last_day
    hall.session.flush()
    ended = hall.end(NOVEMBER)
    assert ended.words == "4 turns owed, 1 turn worked. $80.00 charged for turns."
    assert hall.lines(ida, NOVEMBER) == [("bought out", "1"), ("owed", "-2"), ("worked", "1")]
    assert hall.lines(amos, NOVEMBER) == [("owed", "-1")]
    assert hall.lines(ruth, NOVEMBER) == [("charged", "1"), ("excused", "1"), ("owed", "-1")]
    assert [hall.balance(one) for one in (ida, amos, ruth)] == [0, 0, 0]
    assert hall.money() == {"D01": -60_00, "D02": 15_00, "D03": -80_00}
    labels = select(Charge.label, Charge.amount_cents).order_by(Charge.id)
    assert [tuple(row) for row in hall.session.execute(labels)] == [
        ("Turn not worked", 20_00),
        ("Turns of October 2026", -15_00),
        ("Turns of October 2026", 40_00),
        ("Turns bought out, November 2026", 40_00),
        ("Turns of November 2026", 40_00),
    ]

    # Done again nothing is written twice, and the step says what it said.
    assert (hall.end(NOVEMBER).written, hall.end(NOVEMBER).words) == (0, ended.words)
    assert hall.money() == {"D01": -60_00, "D02": 15_00, "D03": -80_00}


def test_what_is_decided_otherwise_before_the_lock_is_set_right(lay):
    hall = lay(**PRICED)
    hall.worked(OCTOBER, 5, hall.amos)
    turn = hall.missed(OCTOBER, 7, hall.ida)
    hall.turn(OCTOBER, 8, hall.ida).state = "closed"
    hall.session.flush()
    hall.end(OCTOBER)
    assert hall.money() == {"D01": -20_00}
    noted = hall.session.scalars(select(Attendance).where(Attendance.turn_id == turn.id)).one()
    assert (noted.decision, noted.decided_by, noted.note) == ("charged", None, "By the rules of turns.")
    decide(hall.session, hall.at(date(2026, 11, 2)), turn, "owed", user_id=None)
    assert hall.end(OCTOBER).written == 1
    assert hall.lines(hall.ida, OCTOBER) == [("charged", "1"), ("closed", "1"), ("owed", "-2"), ("set right", "-1")]
    assert (hall.money(), hall.balance(hall.ida)) == ({}, -1)
    # Back again, and worked after all: the key goes on counting.
    decide(hall.session, hall.at(date(2026, 11, 2)), turn, "charged", user_id=None)
    assert hall.end(OCTOBER).written == 1
    assert (hall.money(), hall.balance(hall.ida)) == ({"D01": -20_00}, 0)
    write_down(hall.session, hall.at(date(2026, 11, 2)), turn, True, user_id=None)
    assert hall.end(OCTOBER).written == 2
    assert (hall.money(), hall.balance(hall.ida)) == ({}, 0)
    assert worked_by_dealer(hall.session, hall.mall, OCTOBER) == {hall.ida.id: 2, hall.amos.id: 1}


def test_turns_that_nobody_wrote_down_are_asked_about_where_others_were(lay):
    hall = lay(**PRICED)
    turn = hall.turn(OCTOBER, 5, hall.ida)
    hall.worked(OCTOBER, 6, hall.amos)
    said = (
        "1 turn was not signed in to, and nobody has written down who came. "
        "Ida Fenwick, Desk on Mon, Oct 5, 11 am to 3 pm: was it worked?"
    )
    with pytest.raises(Refusal) as refused:
        hall.end(OCTOBER)
    assert str(refused.value) == said
    write_down(hall.session, hall.at(date(2026, 10, 31)), turn, True, user_id=None)
    assert hall.end(OCTOBER).worked == 2


def test_without_any_attendance_every_turn_counts_as_worked(lay):
    hall = lay(**PRICED)
    hall.turn(OCTOBER, 5, hall.ida)
    hall.turn(OCTOBER, 6, hall.ida)
    assert hall.end(OCTOBER).worked == 2
    assert hall.balance(hall.ida) == 0
    lines = select(TurnAccount.working).where(TurnAccount.kind == "worked").order_by(TurnAccount.id)
    assert hall.session.scalars(lines).first() == "Desk on Mon, Oct 5, 11 am to 3 pm; no attendance is kept"


def test_a_no_show_is_owed_on_where_the_rules_say_so_and_snow_too(lay):
    hall = lay(**PRICED | {"no_show": "owe", "closed": "owed"})
    hall.worked(OCTOBER, 5, hall.amos)
    hall.missed(OCTOBER, 7, hall.ida)
    hall.turn(OCTOBER, 8, hall.ida).state = "closed"
    hall.session.flush()
    hall.end(OCTOBER)
    # Two owed, none worked: one is carried, the other costs $40.00.
    assert hall.lines(hall.ida, OCTOBER) == [("charged", "1"), ("owed", "-2")]
    assert (hall.balance(hall.ida), hall.money()) == (-1, {"D01": -40_00})


def test_a_stand_in_works_for_herself_and_the_no_show_stays_with_the_other(lay):
    hall = lay(**PRICED)
    hall.worked(OCTOBER, 5, hall.amos)
    turn = hall.missed(OCTOBER, 7, hall.ida)
    sign_in(hall.session, turn.starts_at + timedelta(minutes=50), turn, hall.ruth.member_id)
    hall.end(OCTOBER)
    assert hall.lines(hall.ruth, OCTOBER) == [("owed", "-1"), ("worked", "1")]
    # One of the two was charged as a no-show; the other is carried.
    assert hall.lines(hall.ida, OCTOBER) == [("charged", "1"), ("owed", "-2")]
    assert (hall.balance(hall.ida), hall.money()) == (-1, {"D01": -20_00})


def test_a_paid_substitute_works_off_the_payers_turn(lay):
    hall = lay(**PRICED)
    turn = hall.turn(OCTOBER, 5, hall.amos)
    turn.for_member_id = hall.ida.member_id
    hall.session.flush()
    sign_in(hall.session, turn.starts_at, turn, hall.amos.member_id)
    hall.worked(OCTOBER, 6, hall.amos)
    hall.end(OCTOBER)
    assert hall.lines(hall.ida, OCTOBER) == [("owed", "-2"), ("worked", "1")]
    assert hall.lines(hall.amos, OCTOBER) == [("owed", "-1"), ("worked", "1")]


@pytest.mark.parametrize(
    ("decision", "lines", "cents"),
    [
        ("excused", [("owed", "-2"), ("worked", "1")], {}),
        ("owed", [("owed", "-2")], {}),
        ("charged", [("charged", "1"), ("owed", "-2")], {"D01": -20_00}),
    ],
)
def test_who_came_late_has_worked_unless_it_is_decided_otherwise(lay, decision, lines, cents):
    hall = lay(**PRICED | {"carry_most": None})
    turn = hall.turn(OCTOBER, 7, hall.ida)
    assert sign_in(hall.session, turn.starts_at + timedelta(minutes=25), turn, hall.ida.member_id).late
    decide(hall.session, turn.ends_at, turn, decision, user_id=None)
    hall.end(OCTOBER)
    assert (hall.lines(hall.ida, OCTOBER), hall.money()) == (lines, cents)


def test_where_no_rules_or_no_rota_are_nobody_owes(lay, sessions, now):
    hall = lay(starts_on=date(2026, 12, 1))
    hall.turn(NOVEMBER, 5, hall.ida)
    assert hall.end(NOVEMBER).words == "No turns are kept here."
    assert worked_by_dealer(hall.session, hall.mall, NOVEMBER) is None
    assert hall.end(Month(2026, 12)).words == "No rota was published: nobody owes a turn of it."
    assert hall.session.scalar(select(func.count(TurnAccount.id))) == 0
    assert worked_by_dealer(hall.session, hall.mall, Month(2026, 12)) == {}


def test_balances_from_paper_come_in_once_and_unsigned_ones_never(lay):
    hall = lay(**PRICED | {"carry_most": None})
    readers = [add_person(hall.session, hall.now, f"{n}@example.org", ("manager",)) for n in (1, 2)]
    for state, turns in (("signed", Decimal("1.5")), ("read", Decimal(9))):
        signed = {"signed_by": readers[1], "signed_at": hall.now} if state == "signed" else {}
        opening = Opening(
            file_name=f"{state}.csv",
            file_sha256=state,
            content="",
            first_day=OCTOBER.first_day,
            totals={},
            state=state,
            read_by=readers[0],
            read_at=hall.now,
            **signed,
        )
        hall.session.add(opening)
        hall.session.flush()
        dealer = hall.ida if state == "signed" else hall.amos
        memo = OpeningMemo(opening_id=opening.id, mall_id=hall.mall.id, dealer_id=dealer.id, what="turns", year=2026, turns=turns)
        hall.session.add(memo)
    hall.session.flush()
    for _ in range(2):
        hall.end(OCTOBER)
        assert hall.lines(hall.ida, SEPTEMBER) == [("opening", "1.5")]
        assert hall.balance(hall.ida) == Decimal("1.5")
        assert hall.balance(hall.amos) == 0


def test_who_left_is_let_off_where_turns_have_no_price(lay):
    hall = lay(owed_base=Decimal(2))
    hall.worked(OCTOBER, 5, hall.amos)
    lease_charged(hall.session, hall.mall.id, hall.ida.member_id, OCTOBER.last_day).ends_on = date(2026, 10, 30)
    hall.session.flush()
    hall.end(OCTOBER)
    # 30 of 31 days of two turns.
    assert hall.lines(hall.ida, OCTOBER) == [("excused", "1.94"), ("owed", "-1.94")]
    assert (hall.balance(hall.ida), hall.money()) == (0, {})


def test_a_member_of_two_codes_has_the_turns_counted_once(lay):
    hall = lay(**PRICED)
    second = make_dealer(hall.session, hall.now, "D09")
    second.member_id = hall.ida.member_id
    hall.session.flush()
    lease = hall.lease(second, hall.case)
    hall.worked(OCTOBER, 5, hall.ida)
    hall.end(OCTOBER)
    assert worked_by_dealer(hall.session, hall.mall, OCTOBER) == {hall.ida.id: 1}
    terms = {"reason": "turns", "cents": "5.00"}
    hall.session.add(LeaseTerm(lease_id=lease.id, kind="discount", terms=terms, starts_on=date(2020, 1, 1), ends_on=None))
    hall.session.flush()
    assert worked_by_dealer(hall.session, hall.mall, OCTOBER) == {second.id: 1}


def test_what_cannot_be_bought_out_or_set_right_is_refused(lay):
    hall = lay(**PRICED)
    session, mall, ida, now = hall.session, hall.mall, hall.ida.member_id, hall.at(date(2026, 11, 3))
    own = add_person(session, hall.now, "ida@example.org", ("manager", "dealer"), ida)
    with pytest.raises(Refusal, match=r"Ida Fenwick owes 2 turns beside those on the rota in November 2026: 2.5 turns cannot"):
        buy_out(session, now, mall, ida, NOVEMBER, Decimal("2.5"))
    set_right(session, now, mall, ida, Decimal(2), "Worked at the spring fair")
    with pytest.raises(Refusal, match="owes none beside those on the rota"):
        buy_out(session, now, mall, ida, NOVEMBER.next, Decimal(1))
    assert hall.lines(hall.ida, NOVEMBER) == [("set right", "2")]
    for turns, why, said in ((0, "x", "how many turns"), (1, " ", "Say in at most 200 letters")):
        with pytest.raises(Refusal, match=said):
            set_right(session, now, mall, ida, Decimal(turns), why)
    with pytest.raises(Refusal, match="a second person has to"):
        set_right(session, now, mall, ida, Decimal(1), "Fair", by=By(own))
    set_right(session, now, mall, ida, Decimal(-1), "Counted twice", by=By(own))
    assert hall.balance(hall.ida) == 1


def test_without_a_price_nothing_is_bought_out(lay):
    hall = lay(owed_base=Decimal(2))
    with pytest.raises(Refusal, match="are worked, not bought out"):
        buy_out(hall.session, hall.now, hall.mall, hall.ida.member_id, NOVEMBER, Decimal(1))
