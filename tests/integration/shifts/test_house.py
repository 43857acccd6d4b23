"""A mall's rules, hours, posts and people of turns: set, looked up by day, refused in a sentence, written in the log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.shifts import hours, people, posts, rules
from coop.shifts.domain.hours import CLOSED, Hours
from coop.shifts.models import OpeningHours, PostNeed, TurnFact, TurnPair, TurnRule
from tests.factories.people import make_coop, make_dealer, make_mall

NOVEMBER, DECEMBER = Month(2026, 11), Month(2026, 12)
TODAY = date(2026, 11, 3)
USUAL = Hours(600, 1080)
WEEK = dict.fromkeys(range(6), USUAL) | {6: CLOSED}


@dataclass(frozen=True)
class Place:
    session: Session
    now: datetime
    mall: Mall
    ida: Member
    amos: Member

    def logged(self) -> list[str]:
        """What the log says was done of turns, with its detail."""
        kinds = ("rules of turns", "opening hours", "post", "member")
        rows = self.session.scalars(select(AuditLog).where(AuditLog.subject_kind.in_(kinds)).order_by(AuditLog.id))
        return [f"{row.action}: {row.detail}" for row in rows if row.action not in ("member joined", "dealer added")]


@pytest.fixture
def place(sessions: Sessions, now: datetime) -> Any:
    with transaction(sessions) as session:
        make_coop(session, now)
        mall = make_mall(session, now)
        members = [session.get_one(Member, make_dealer(session, now, code).member_id) for code in ("D01", "D02")]
        yield Place(session, now, mall, *members)


# --- rules ----------------------------------------------------------------------------------------------------------------


def test_rules_hold_from_their_day_and_change_what_is_named(place: Place) -> None:
    before = rules.rules_on(place.session, place.mall.id, TODAY)
    assert (before.are_set, before.owed_base, before.take_money) == (False, Decimal(2), False)
    rules.set_rules(place.session, place.now, place.mall, TODAY, owed_base=Decimal("1.5"), owed_by_area=((100_00, 50),))
    rules.set_rules(place.session, place.now, place.mall, date(2027, 1, 1), buy_out_cents=40_00, carry_most=Decimal(2))
    assert not rules.rules_on(place.session, place.mall.id, date(2026, 11, 2)).are_set
    now = rules.rules_on(place.session, place.mall.id, date(2026, 12, 31))
    assert (now.starts_on, now.owed_base, now.owed_by_area, now.take_money) == (TODAY, Decimal("1.5"), ((100_00, 50),), False)
    later = rules.rules_on(place.session, place.mall.id, date(2027, 1, 1))
    assert (later.owed_base, later.owed_by_area) == (Decimal("1.5"), ((100_00, 50),))
    assert (later.buy_out_cents, later.carry_most, later.take_money) == (40_00, Decimal(2), True)
    assert [made.starts_on for _, made in rules.dated_rules(place.session, place.mall.id)] == [date(2027, 1, 1), TODAY]
    assert place.logged() == [
        "rules of turns set: MAIN from 2026-11-03",
        "rules of turns set: MAIN from 2027-01-01",
    ]


def test_rules_that_have_begun_are_not_taken_back(place: Place) -> None:
    held = rules.set_rules(place.session, place.now, place.mall, TODAY)
    to_come = rules.set_rules(place.session, place.now, place.mall, date(2026, 11, 4))
    with pytest.raises(Refusal, match="These rules hold since Nov 3, 2026: set others from a later day on"):
        rules.take_back_rules(place.session, place.now, held)
    rules.take_back_rules(place.session, place.now, to_come)
    assert place.session.scalars(select(TurnRule.id)).all() == [held.id]
    with pytest.raises(Refusal, match="has rules of turns from Nov 3, 2026 already"):
        rules.set_rules(place.session, place.now, place.mall, TODAY)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"silence": "maybe"}, "What silence means is 'maybe': choose one of free, never."),
        ({"answers_day": 29}, "The day of the month until which members say when they can: 29 cannot be. Write 1 to 28."),
        ({"most_week": 0}, "The turns in a week: 0 cannot be."),
        ({"no_show_minutes": 5}, "A turn is a no-show after 5 minutes, before it is late after 10"),
        ({"owed_base": Decimal("1.005")}, "The turns owed: 1.005 cannot be."),
        ({"owed_base": Decimal(9)}, "A lease owes 9 turns, which is more than the most of 8 turns"),
        ({"owed_by_area": ((200_00, 100), (100_00, 50))}, "The steps by area must go upwards"),
        ({"no_show": "charge"}, "A no-show is charged, but at \\$0"),
        ({"carry_most": Decimal(2)}, "Turns beyond what is carried are charged at the buy-out, and there is none"),
        ({"buy_out_cents": -1}, "The buy-out of a turn is"),
        ({"holidays_of": "QQ"}, "No public holidays are known for 'QQ'"),
    ],
)
def test_rules_that_cannot_be_meant_are_refused(place: Place, changes: dict[str, Any], said: str) -> None:
    with pytest.raises(Refusal, match=said):
        rules.set_rules(place.session, place.now, place.mall, TODAY, **changes)


# --- hours ----------------------------------------------------------------------------------------------------------------


def test_a_calendar_knows_weekdays_holidays_and_dates(place: Place) -> None:
    hours.set_week(place.session, place.now, place.mall, date(2026, 1, 1), WEEK)
    hours.set_week(place.session, place.now, place.mall, date(2026, 12, 1), {4: Hours(600, 1200)})
    hours.choose_holiday(place.session, place.now, place.mall, "Thanksgiving Day", "closed", starts_on=date(2026, 1, 1))
    hours.choose_holiday(
        place.session, place.now, place.mall, "Christmas Day", "short", Hours(720, 900), starts_on=date(2026, 1, 1)
    )
    hours.set_exception(place.session, place.now, place.mall, date(2026, 12, 6), Hours(720, 1020), "  Winter   fair ")
    november = hours.calendar_of(place.session, place.mall, NOVEMBER)
    assert len(november) == 30
    assert {day.day for day, found in november.items() if not found.is_open} == {1, 8, 15, 22, 26, 29}
    assert (november[date(2026, 11, 11)].words, november[date(2026, 11, 11)].holiday) == ("10 am to 6 pm", "Veterans Day")
    december = hours.calendar_of(place.session, place.mall, DECEMBER)
    assert december[date(2026, 12, 4)].words == "10 am to 8 pm"
    assert december[date(2026, 12, 3)].words == "10 am to 6 pm"
    assert (december[date(2026, 12, 6)].words, december[date(2026, 12, 6)].why) == ("noon to 5 pm", "Winter fair")
    assert (december[date(2026, 12, 25)].words, december[date(2026, 12, 25)].why) == ("noon to 3 pm", "Christmas Day")


def test_a_month_has_the_holidays_of_its_own_rules(place: Place) -> None:
    rules.set_rules(place.session, place.now, place.mall, TODAY, holidays_of="")
    rules.set_rules(place.session, place.now, place.mall, date(2026, 12, 1), holidays_of="US-TX")
    days = hours.calendar_between(place.session, place.mall, date(2026, 11, 1), date(2027, 3, 31))
    named = [day for day, found in days.items() if found.holiday]
    # November goes by the rules of its first day, when none were set: those of the United States.
    assert {date(2026, 11, 11), date(2026, 11, 26), date(2026, 12, 25), date(2027, 3, 2)} <= set(named)


def test_hours_set_twice_from_a_day_are_those_set_last(place: Place) -> None:
    hours.set_week(place.session, place.now, place.mall, TODAY, WEEK)
    hours.set_week(place.session, place.now, place.mall, TODAY, {1: Hours(660, 1080)})
    november = hours.calendar_of(place.session, place.mall, NOVEMBER)
    assert (november[TODAY].words, november[date(2026, 11, 4)].words) == ("11 am to 6 pm", "10 am to 6 pm")
    hours.set_week(place.session, place.now, place.mall, date(2027, 1, 1), WEEK)
    with pytest.raises(Refusal, match="These hours hold since Nov 3, 2026"):
        hours.take_back_week(place.session, place.now, place.mall, TODAY)
    hours.take_back_week(place.session, place.now, place.mall, date(2027, 1, 1))
    assert set(place.session.scalars(select(OpeningHours.starts_on))) == {TODAY}


@pytest.mark.parametrize(
    ("week", "said"),
    [
        ({0: Hours(600, None)}, "Monday has an opening or a closing alone"),
        ({5: Hours(1080, 600)}, "Saturday closes before it opens"),
        ({5: Hours(600, 1500)}, "Saturday closes before it opens"),
    ],
)
def test_hours_that_cannot_be_are_refused(place: Place, week: dict[int, Hours], said: str) -> None:
    with pytest.raises(Refusal, match=said):
        hours.set_week(place.session, place.now, place.mall, TODAY, week)


def test_a_date_that_is_past_keeps_its_hours(place: Place) -> None:
    with pytest.raises(Refusal, match="Nov 2, 2026 is past"):
        hours.set_exception(place.session, place.now, place.mall, date(2026, 11, 2), CLOSED, "Snow")
    row = hours.set_exception(place.session, place.now, place.mall, TODAY, CLOSED, "Snow")
    again = hours.set_exception(place.session, place.now, place.mall, TODAY, USUAL, "Thaw")
    assert again is row
    hours.remove_exception(place.session, place.now, place.mall, row)
    assert place.logged()[-3:] == [
        "hours of a date set: MAIN 2026-11-03: closed Snow",
        "hours of a date set: MAIN 2026-11-03: 10 am to 6 pm Thaw",
        "hours of a date taken back: MAIN 2026-11-03",
    ]


@pytest.mark.parametrize(
    ("how", "times", "said"),
    [("half", CLOSED, "Labor Day is 'half'"), ("short", CLOSED, "Labor Day is open short, but has no hours")],
)
def test_a_holiday_is_chosen_with_its_hours(place: Place, how: str, times: Hours, said: str) -> None:
    with pytest.raises(Refusal, match=said):
        hours.choose_holiday(place.session, place.now, place.mall, "Labor Day", how, times, starts_on=TODAY)


# --- posts ----------------------------------------------------------------------------------------------------------------


def test_a_need_is_ended_and_not_changed(place: Place) -> None:
    desk = posts.add_post(place.session, place.now, place.mall, " Front   desk", "desk")
    held = posts.add_need(place.session, place.now, desk, starts_on=date(2026, 10, 1), weekdays=0b11111, people=2, key_holders=1)
    to_come = posts.add_need(place.session, place.now, desk, starts_on=date(2027, 1, 1), weekdays=1)
    assert [need.post for need in posts.needs_of(place.session, place.mall.id, *_days(NOVEMBER))] == ["Front desk"]
    with pytest.raises(Refusal, match="Nov 1, 2026 is past"):
        posts.end_need(place.session, place.now, held, date(2026, 11, 1))
    posts.end_need(place.session, place.now, held, date(2026, 11, 2))
    posts.end_need(place.session, place.now, to_come, TODAY)
    assert [row.ends_on for row in place.session.scalars(select(PostNeed))] == [date(2026, 11, 2)]
    assert posts.needs_of(place.session, place.mall.id, *_days(DECEMBER)) == []
    assert place.logged()[1] == (
        "need of a post set: Front desk: Monday to Friday, from opening to closing: 2 people, 1 with a key, from 2026-10-01"
    )


def _days(month: Month) -> tuple[date, date]:
    return month.first_day, month.last_day


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"weekdays": 0}, "No weekday is chosen"),
        ({"people": 0}, "The number of people is 0"),
        ({"people": 2, "key_holders": 3}, "3 of 2 are to hold a key: write 0 to 2"),
        ({"from_what": "clock", "from_min": 900, "to_what": "clock", "to_min": 900}, "The span ends before it begins"),
        ({"from_what": "clock", "from_min": -5}, "The span's from is -5 minutes"),
        ({"from_what": "close", "to_what": "open"}, "The span is counted from closing to opening"),
    ],
)
def test_a_need_that_cannot_be_is_refused(place: Place, changes: dict[str, Any], said: str) -> None:
    desk = posts.add_post(place.session, place.now, place.mall, "Desk", "desk")
    with pytest.raises(Refusal, match=said):
        posts.add_need(place.session, place.now, desk, **dict[str, Any](starts_on=TODAY, weekdays=127) | changes)


def test_a_post_has_a_name_of_its_own(place: Place) -> None:
    desk = posts.add_post(place.session, place.now, place.mall, "Desk", "desk")
    for name, said in (("", "The post has no name"), ("desk", "There is a post desk already"), ("x" * 41, "has 41 letters")):
        with pytest.raises(Refusal, match=said):
            posts.add_post(place.session, place.now, place.mall, name, "floor")
    posts.rename_post(place.session, place.now, desk, "DESK", "opening")
    assert (desk.name, desk.kind) == ("DESK", "opening")


# --- people ---------------------------------------------------------------------------------------------------------------


def test_facts_hold_on_their_days_and_malls(place: Place) -> None:
    east = make_mall(place.session, place.now, "EAST")
    set_fact: Callable[..., TurnFact] = lambda *what, **more: people.set_fact(place.session, place.now, *what, **more)  # noqa: E731
    set_fact(place.ida, "trained", starts_on=date(2026, 10, 1))
    set_fact(place.ida, "keys", starts_on=TODAY, mall_id=place.mall.id)
    set_fact(place.ida, "office", starts_on=TODAY, words="Treasurer", less=Decimal("1.5"))
    ill = set_fact(place.amos, "exempt", starts_on=TODAY, ends_on=date(2026, 11, 20), words="ill")

    def facts_on(day: date, mall: Mall = place.mall) -> dict[int, list[str]]:
        rows = people.fact_rows(place.session, mall.id, day, day)
        return {member_id: [f"{row.kind} {row.words}".strip() for row in of] for member_id, of in rows.items()}

    assert facts_on(TODAY) == {place.ida.id: ["trained", "keys", "office Treasurer"], place.amos.id: ["exempt ill"]}
    assert facts_on(TODAY, east) == {place.ida.id: ["trained", "office Treasurer"], place.amos.id: ["exempt ill"]}
    assert facts_on(date(2026, 11, 2)) == {place.ida.id: ["trained"]}
    people.end_fact(place.session, place.now, ill, date(2026, 11, 10))
    assert [place.amos.id in facts_on(date(2026, 11, day)) for day in (10, 11)] == [True, False]
    people.end_fact(place.session, place.now, ill, date(2026, 11, 2))
    assert place.amos.id not in facts_on(TODAY)
    assert place.logged()[-1] == "turn fact ended: exempt ill through 2026-11-02"


@pytest.mark.parametrize(
    ("kind", "more", "said"),
    [
        ("chair", {}, "The fact is 'chair'"),
        ("exempt", {"ends_on": date(2026, 11, 2)}, "It ends on Nov 2, 2026, before it begins on Nov 3, 2026"),
        ("office", {"less": Decimal(1)}, "The office has no name"),
        ("office", {"words": "Chair"}, "What an office is worth is a number of turns"),
        ("office", {"words": "Chair", "less": Decimal(0)}, "What an office is worth is a number of turns"),
        ("trained", {"less": Decimal(1)}, "Only an office lowers the turns"),
        ("exempt", {"words": "x" * 81}, "The words have 81 letters"),
    ],
)
def test_a_fact_that_cannot_be_is_refused(place: Place, kind: str, more: dict[str, Any], said: str) -> None:
    with pytest.raises(Refusal, match=said):
        people.set_fact(place.session, place.now, place.ida, kind, starts_on=TODAY, **more)


def test_a_fact_is_written_down_once_for_a_day_and_a_mall(place: Place) -> None:
    east = make_mall(place.session, place.now, "EAST")
    people.set_fact(place.session, place.now, place.ida, "keys", starts_on=TODAY, mall_id=place.mall.id)
    people.set_fact(place.session, place.now, place.ida, "keys", starts_on=TODAY, mall_id=east.id)
    with pytest.raises(Refusal, match="Ida Fenwick is written down so since Nov 3, 2026 \\(holds a key\\): end that first"):
        people.set_fact(place.session, place.now, place.ida, "keys", starts_on=date(2026, 12, 1))
    people.set_fact(place.session, place.now, place.ida, "office", starts_on=TODAY, words="Chair", less=Decimal(1))
    people.set_fact(place.session, place.now, place.ida, "office", starts_on=TODAY, words="Clerk", less=Decimal(1))
    with pytest.raises(Refusal, match="from Nov 3, 2026 \\(holds an office\\)"):
        people.set_fact(place.session, place.now, place.ida, "office", starts_on=date(2026, 1, 1), words="chair", less=Decimal(1))


def test_a_pair_runs_until_it_is_ended(place: Place) -> None:
    pair = people.set_pair(place.session, place.now, place.amos, place.ida, "apart", TODAY)
    assert pair.one_id < pair.other_id
    with pytest.raises(Refusal, match="Ida Fenwick and Amos Pell are written down already \\(must not work together\\)"):
        people.set_pair(place.session, place.now, place.ida, place.amos, "together", TODAY)
    with pytest.raises(Refusal, match="Both are Ida Fenwick"):
        people.set_pair(place.session, place.now, place.ida, place.ida, "apart", TODAY)
    people.end_pair(place.session, place.now, pair, date(2026, 11, 10))
    assert pair.ended_on == date(2026, 11, 10)
    people.set_pair(place.session, place.now, place.ida, place.amos, "together", date(2026, 11, 11))
    assert len(place.session.scalars(select(TurnPair)).all()) == 2


def test_a_helper_is_named_trained_and_ended_and_the_log_does_not_say_who(place: Place) -> None:
    helper = people.name_helper(place.session, place.now, place.ida, "  Rufus  Fenwick ", phone="555-0142")
    assert (helper.name, helper.trained_on) == ("Rufus Fenwick", None)
    people.train_helper(place.session, place.now, helper, TODAY)
    people.end_helper(place.session, place.now, helper, date(2026, 11, 10))
    assert people.helpers_of(place.session, date(2026, 11, 10)) == {place.ida.id: [helper]}
    assert people.helpers_of(place.session, date(2026, 11, 11)) == {}
    assert place.logged()[-3:] == [
        f"helper named: helper {helper.id}",
        f"helper trained: helper {helper.id} trained since 2026-11-03",
        f"helper ended: helper {helper.id} through 2026-11-10",
    ]
    with pytest.raises(Refusal, match="The helper has no name"):
        people.name_helper(place.session, place.now, place.ida, " ")
