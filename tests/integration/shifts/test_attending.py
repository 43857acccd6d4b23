"""Who came to a turn: in and out, late, a helper, a stand-in, nobody; and what the manager makes of it."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import func, select

from coop.books.checking import check_trial_balance
from coop.books.models import Period
from coop.books.queries import dealer_balances_before
from coop.books.service import ensure_period
from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.dealers.models import Member
from coop.leases.models import Charge, Lease
from coop.sales.drawers import count_drawer
from coop.shifts.attending import decide, hand_over, sign_in, sign_out, turns_on, watch_turns, write_down
from coop.shifts.models import Turn, TurnHelper
from coop.shifts.turn_models import Attendance, TurnChange, TurnOffer
from tests.factories.hall import Hall
from tests.factories.house import add_person
from tests.factories.leases import make_lease
from tests.factories.people import make_mall
from tests.factories.turns import lay_mall, lay_published, lay_rota, turns_of

NOVEMBER = Month(2026, 11)
TUESDAY = date(2026, 11, 3)


def at(hour: int, minute: int = 0, day: int = 3) -> datetime:
    """By the clock of the hall, which is six hours behind UTC in November."""
    return datetime(2026, 11, day, hour, minute, tzinfo=UTC) + timedelta(hours=6)


class Shop(Hall):
    """The hall with turns: Ida has every morning of November from 10 to 2, Amos every afternoon from 2 to 6."""

    def __init__(self, session, now, **rules):
        super().__init__(session, now)
        self.lease(self.ida, self.booth)
        self.lease(self.amos, self.case)
        lay_mall(session, self.mall, **rules)
        rota = lay_rota(session, self.mall, NOVEMBER)
        for turn in turns_of(session, rota):
            if turn.opens and not turn.closes:
                turn.member_id = self.ida.member_id
            elif turn.closes and not turn.opens:
                turn.member_id = self.amos.member_id
        session.flush()
        lay_published(session, rota, now)

    def turn(self, day: int = 3, *, morning: bool = True) -> Turn:
        on = (Turn.mall_id == self.mall.id, Turn.on_date == date(2026, 11, day))
        return self.session.scalars(select(Turn).where(*on, Turn.opens == morning, Turn.closes != morning)).one()


@pytest.fixture
def shop(sessions, now):
    with transaction(sessions) as session:
        yield Shop(session, now, no_show_cents=25_00)


def refused(words, deed, *args, **more):
    with pytest.raises(Refusal, match=words):
        deed(*args, **more)


def test_in_from_an_hour_before_and_out_each_once(shop):
    session, turn = shop.session, shop.turn()
    ida = shop.ida.member_id
    refused("Desk on Tue, Nov 3, 10 am to 2 pm is still to come: sign in from 9 am on", sign_in, session, at(8, 59), turn, ida)
    refused("Nobody has signed in to Desk on Tue, Nov 3", sign_out, session, at(9), turn)
    came = sign_in(session, at(9), turn, ida)
    assert (came.signed_in_at, came.late) == (at(9), False)
    assert sign_in(session, at(9, 40), turn, ida).signed_in_at == at(9)
    refused("Ida Fenwick has signed in to Desk", sign_in, session, at(9, 40), turn, shop.amos.member_id)
    assert sign_out(session, at(14, 5), turn).signed_out_at == at(14, 5)
    did = select(AuditLog.action, AuditLog.detail).where(AuditLog.subject_id == str(turn.id)).order_by(AuditLog.id)
    assert [tuple(row) for row in session.execute(did)][:2] == [
        ("turn signed in to", f"member {ida}"),
        ("turn signed out of", ""),
    ]
    assert sign_out(session, at(15), turn).signed_out_at == at(14, 5)
    assert session.scalar(select(func.count(Attendance.id))) == 1


@pytest.mark.parametrize(("minute", "late"), [(10, False), (11, True)])
def test_late_is_beyond_the_grace(shop, minute, late):
    assert sign_in(shop.session, at(10, minute), shop.turn(), shop.ida.member_id).late is late


def test_nobody_signs_in_afterwards_to_a_closed_day_or_an_unpublished_rota(shop):
    session = shop.session
    refused("is over: ask the manager", sign_in, session, at(14), shop.turn(), shop.ida.member_id)
    closed = shop.turn(4)
    closed.state = "closed"
    session.flush()
    refused("The mall does not open", sign_in, session, at(10, day=4), closed, shop.ida.member_id)
    lay_rota(session, shop.mall, Month(2026, 12))
    draft = session.scalars(select(Turn).where(Turn.on_date == date(2026, 12, 1)).order_by(Turn.starts_at)).first()
    refused("not published", sign_in, session, draft.starts_at, draft, shop.ida.member_id)


def test_a_named_helper_stands_for_the_member(shop):
    session, turn = shop.session, shop.turn()
    helper, strange = (
        TurnHelper(member_id=member_id, name=name, phone="", trained_on=None, named_at=shop.now, ended_on=None)
        for member_id, name in ((shop.ida.member_id, "Rufus Vane"), (shop.amos.member_id, "Tess Pell"))
    )
    session.add_all([helper, strange])
    session.flush()
    refused("Ida Fenwick has not named this helper", sign_in, session, at(10), turn, shop.ida.member_id, helper_id=strange.id)
    refused("Rufus Vane may not stand alone yet", sign_in, session, at(10), turn, shop.ida.member_id, helper_id=helper.id)
    helper.trained_on = TUESDAY
    sign_in(session, at(10), turn, shop.ida.member_id, helper_id=helper.id)
    seen = turns_on(session, shop.mall, TUESDAY)[0]
    assert (seen.who, seen.is_on, seen.came) == ("Rufus Vane, for Ida Fenwick", True, True)
    changes = session.execute(select(TurnChange.how, TurnChange.to_member_id).where(TurnChange.turn_id == turn.id)).all()
    assert [tuple(row) for row in changes] == [("published", shop.ida.member_id), ("helper", shop.ida.member_id)]


def attended_before(shop):
    """Somebody signed in the day before: attendance is kept."""
    sign_in(shop.session, at(10, day=2), shop.turn(2), shop.ida.member_id)


def test_nobody_came_is_found_once_after_half_an_hour_where_attendance_is_kept(shop):
    session, turn = shop.session, shop.turn()
    watch_turns(session, at(10, 35), {})
    assert session.scalars(select(Attendance)).all() == [], "nobody ever signed in here"
    attended_before(shop)
    watch_turns(session, at(10, 29), {})
    assert session.scalar(select(func.count(Attendance.id))) == 1
    watch_turns(session, at(10, 30), {})
    watch_turns(session, at(10, 35), {})
    missed = session.scalars(select(Attendance).where(Attendance.turn_id == turn.id)).one()
    assert (missed.missed_at, missed.signed_in_at) == (at(10, 30), None)
    told = session.scalars(select(Job.args).where(Job.kind == "shifts.tell")).all()
    assert [(args["what"], args["turn"]) for args in told] == [("missed", turn.id)]
    seen = turns_on(session, shop.mall, TUESDAY)[0]
    assert seen.was_missed
    assert seen.awaits_decision
    # Whoever comes after that is late; the turn is worked.
    came = sign_in(session, at(10, 50), turn, shop.ida.member_id)
    assert (came.late, came.missed_at, came.signed_in_at) == (True, at(10, 30), at(10, 50))
    assert session.scalars(select(Attendance.turn_id).where(Attendance.missed_at.is_not(None))).all() == [turn.id]


def test_the_watch_holds_malls_in_the_order_in_which_swaps_hold_them(shop, monkeypatch):
    """Turns of two malls, begun in the other order: whoever swaps them at this moment waits, and nobody waits for the other."""
    session, annex = shop.session, make_mall(shop.session, shop.now, "ANNEX")
    lay_mall(session, annex)
    make_lease(session, shop.now, annex, shop.amos)
    rota = lay_rota(session, annex, NOVEMBER)
    lay_published(session, rota, shop.now)
    first, second = (turn for turn in turns_of(session, rota) if turn.opens and turn.on_date in (date(2026, 11, 2), TUESDAY))
    second.member_id, second.starts_at = shop.amos.member_id, at(9)
    session.flush()
    attended_before(shop)
    sign_in(session, at(10, day=2), first, shop.amos.member_id)
    held = []
    monkeypatch.setattr("coop.shifts.attending.hold_mall", lambda _session, mall_id: held.append(mall_id))
    watch_turns(session, at(10, 30), {})
    assert held == [shop.mall.id, annex.id]
    assert session.scalar(select(func.count(Attendance.id)).where(Attendance.missed_at.is_not(None))) == 2


def test_an_uncovered_turn_and_one_that_is_long_over_are_missed_by_nobody(shop):
    session = shop.session
    attended_before(shop)
    shop.turn().member_id = None
    session.flush()
    watch_turns(session, at(11), {})
    watch_turns(session, at(19, 1), {})
    assert session.scalars(select(Attendance.turn_id).where(Attendance.missed_at.is_not(None))).all() == []


def test_a_stand_in_takes_the_place_and_the_no_show_stays_with_who_did_not_come(shop):
    session, turn = shop.session, shop.turn()
    attended_before(shop)
    watch_turns(session, at(10, 30), {})
    offer = TurnOffer(turn_id=turn.id, kind="give", by_member_id=shop.ida.member_id, made_at=shop.now)
    session.add(offer)
    session.flush()
    came = sign_in(session, at(10, 45), turn, shop.amos.member_id)
    assert offer.state == "lapsed"
    assert (turn.member_id, came.late) == (shop.amos.member_id, False)
    seen = turns_on(session, shop.mall, TUESDAY)[0]
    assert (seen.member.name, seen.missed.name) == ("Amos Pell", "Ida Fenwick")
    moved = session.scalars(select(TurnChange).where(TurnChange.turn_id == turn.id, TurnChange.how == "moved")).one()
    assert (moved.from_member_id, moved.to_member_id) == (shop.ida.member_id, shop.amos.member_id)
    decide(session, at(15), turn, "charged", user_id=None)
    assert balances(session, shop) == {shop.ida.id: -25_00}


def test_a_stand_in_cannot_be_at_two_posts_or_without_a_lease(shop):
    session = shop.session
    strange = add_member(session)
    refused("Wren Abbot has no lease at", sign_in, session, at(14, 5), shop.turn(morning=False), strange)
    lease = session.scalars(select(Lease).where(Lease.dealer_id == shop.ida.id)).one()
    lease.ends_on = date(2026, 11, 9)
    session.flush()
    words = "Ida Fenwick has no lease at .* on Nov 10, 2026"
    refused(words, sign_in, session, at(14, 5, day=10), shop.turn(10, morning=False), shop.ida.member_id)
    floor = session.scalars(select(Turn).where(Turn.opens, Turn.closes, Turn.on_date == date(2026, 11, 7))).one()
    refused(
        "Amos Pell has Desk on Sat, Nov 7, 2 to 6 pm at that time", sign_in, session, at(10, day=7), floor, shop.amos.member_id
    )


def add_member(session):
    member = Member(name="Wren Abbot", email="", phone="", address="", joined_on=date(2026, 1, 1))
    session.add(member)
    session.flush()
    return member.id


def balances(session, shop):
    assert not [fault for period in session.scalars(select(Period.id)) for fault in check_trial_balance(session, period)]
    found = dealer_balances_before(session, shop.mall.id, date(2030, 1, 1))
    return {dealer_id: cents for dealer_id, cents in found.items() if cents}


def test_a_no_show_is_excused_owed_or_charged_and_charged_once(shop):
    session, turn = shop.session, shop.turn()
    refused("Nobody was missed or late", decide, session, at(15), turn, "excused", user_id=None)
    attended_before(shop)
    watch_turns(session, at(10, 30), {})
    refused("choose one of excused, owed, charged", decide, session, at(15), turn, "forgiven", user_id=None)
    for _ in range(2):
        decide(session, at(15), turn, "charged", user_id=None)
        assert balances(session, shop) == {shop.ida.id: -25_00}
    # Decided anew, what was charged goes back.
    decide(session, at(16), turn, "excused", user_id=None, note="The road was closed")
    assert balances(session, shop) == {}
    decide(session, at(16), turn, "charged", user_id=None)
    assert balances(session, shop) == {shop.ida.id: -25_00}
    what = session.execute(select(Charge.what, Charge.amount_cents).order_by(Charge.id)).all()
    assert [tuple(row) for row in what] == [
        (f"turn:noshow:{turn.id}", 25_00),
        (f"turn:noshow:{turn.id}#1", -25_00),
        (f"turn:noshow:{turn.id}#2", 25_00),
    ]


def test_nobody_excuses_a_turn_of_their_own(shop):
    session, turn = shop.session, shop.turn()
    own = add_person(session, shop.now, "ida@example.org", ("manager", "dealer"), shop.ida.member_id)
    attended_before(shop)
    watch_turns(session, at(10, 30), {})
    refused("You cannot excuse a turn of your own", decide, session, at(15), turn, "excused", user_id=own)
    refused("that you came yourself", write_down, session, at(15), turn, True, user_id=own)
    decide(session, at(15), turn, "owed", user_id=own)
    assert session.scalars(select(Attendance.decided_by).where(Attendance.turn_id == turn.id)).one() == own


def test_a_charge_needs_a_price(sessions, now):
    with transaction(sessions) as session:
        shop = Shop(session, now)
        attended_before(shop)
        watch_turns(session, at(10, 30), {})
        refused("no price of a no-show", decide, session, at(15), shop.turn(), "charged", user_id=None)


def test_what_nobody_wrote_down_the_manager_writes_down(shop):
    session = shop.session
    user = add_person(session, shop.now, "m@example.org", ("manager",))
    refused("is not over", write_down, session, at(13), shop.turn(), True, user_id=user)
    came = write_down(session, at(15), shop.turn(), True, user_id=user)
    assert (came.signed_in_at, came.signed_out_at, came.late) == (at(10), at(14), False)
    refused("Ida Fenwick has signed in", write_down, session, at(15), shop.turn(), False, user_id=user)
    # Missed by the watch, though somebody was there and forgot to sign in; and decided too early.
    watch_turns(session, at(14, 30), {})
    afternoon = shop.turn(morning=False)
    decide(session, at(14, 40), afternoon, "charged", user_id=user)
    came = write_down(session, at(19), afternoon, True, user_id=user)
    assert (came.signed_in_at, came.signed_out_at, came.decision) == (at(14, 30), at(18), "")
    assert balances(session, shop) == {}
    missed = write_down(session, at(15, day=4), shop.turn(4), False, user_id=user)
    assert (missed.missed_at, missed.signed_in_at) == (at(15, day=4), None)
    closed = shop.turn(5)
    closed.state = "closed"
    session.flush()
    refused("Nobody was to come", write_down, session, at(19, day=5), closed, True, user_id=user)


def test_a_closed_month_takes_no_decision(shop):
    session = shop.session
    attended_before(shop)
    watch_turns(session, at(10, 30), {})
    ensure_period(session, shop.mall.id, NOVEMBER).state = "closed"
    session.flush()
    refused("November 2026 is closed at", decide, session, at(15), shop.turn(), "owed", user_id=None)
    refused("November 2026 is closed at", write_down, session, at(15, day=4), shop.turn(4), True, user_id=None)


def test_the_handover_keeps_the_count_of_the_drawer(shop):
    session, turn = shop.session, shop.turn()
    count = count_drawer(session, at(14), shop.mall, key="k", drawer="", on=TUESDAY, counted_cents=0)
    refused("does not belong to Desk", hand_over, session, turn, count)
    sign_in(session, at(10), turn, shop.ida.member_id)
    sign_out(session, at(14), turn)
    hand_over(session, turn, count)
    again = count_drawer(session, at(14), shop.mall, key="k2", drawer="", on=TUESDAY, counted_cents=0)
    hand_over(session, turn, again)
    assert session.scalars(select(Attendance.drawer_count_id)).one() == count.id


def test_of_two_who_sign_in_at_once_one_stands_and_nobody_is_missed_who_came(sessions, now):
    """Both desks press at the same moment, and the watch looks: one row, one who stands."""
    with transaction(sessions) as session:
        shop = Shop(session, now)
        attended_before(shop)
        turn_id, ida, amos = shop.turn().id, shop.ida.member_id, shop.amos.member_id

    def press(member_id: int | None) -> str:
        try:
            with transaction(sessions) as session:
                if member_id is None:
                    watch_turns(session, at(10, 30), {})
                else:
                    sign_in(session, at(10, 30), session.get_one(Turn, turn_id), member_id)
        except Refusal as refusal:
            return str(refusal)
        return "done"

    with ThreadPoolExecutor(3) as pool:
        said = list(pool.map(press, [ida, amos, None]))
    with transaction(sessions) as session:
        there = session.scalars(select(Attendance).where(Attendance.turn_id == turn_id)).one()
        who = session.get_one(Turn, turn_id).member_id
    assert there.signed_in_at == at(10, 30)
    assert said[2] == "done"
    # Whoever was second is told of the first.
    first, second = ("Ida Fenwick", said[1]) if who == ida else ("Amos Pell", said[0])
    assert second == f"{first} has signed in to Desk on Tue, Nov 3, 10 am to 2 pm already."


def test_who_signs_in_at_two_malls_at_once_stands_at_one_and_is_told_at_the_other(sessions, now):
    """Amos stands in at both desks at the same moment; the second looks before the first has committed."""
    with transaction(sessions) as session:
        shop = Shop(session, now)
        here, amos = shop.turn().id, shop.amos.member_id
        annex = make_mall(session, now, "ANNEX")
        lay_mall(session, annex)
        make_lease(session, now, annex, shop.amos)
        rota = lay_rota(session, annex, NOVEMBER)
        lay_published(session, rota, now)
        there = next(turn.id for turn in turns_of(session, rota) if turn.on_date == TUESDAY and turn.opens)
    told = []

    def press_there() -> None:
        try:
            with transaction(sessions) as session:
                sign_in(session, at(10), session.get_one(Turn, there), amos)
        except Exception as error:
            told.append(error)

    with transaction(sessions) as session:
        sign_in(session, at(10), session.get_one(Turn, here), amos)
        other = threading.Thread(target=press_there)
        other.start()
        # Long enough that it stands before what is held until the commit; sooner or later, the answer is the same.
        other.join(timeout=0.5)
    other.join(timeout=30)
    assert [(type(error), str(error)) for error in told] == [
        (Refusal, "Amos Pell has Desk on Tue, Nov 3, 10 am to 2 pm at that time: nobody stands at two posts.")
    ]
    with transaction(sessions) as session:
        assert session.scalars(select(Attendance.turn_id)).all() == [here]
