"""A dealer's pages of turns: what stands on them, what is done there, what is refused and where that is said."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

import icalendar
import pytest
import vobject
from flask.testing import FlaskClient
from sqlalchemy import select, update

from coop.core.db import transaction
from coop.dealers import service as people
from coop.dealers.models import CalendarFeed, RoleGrant
from coop.floor.models import Mall
from coop.shifts import offering
from coop.shifts.models import Availability, MonthAnswer, Turn, TurnHelper
from coop.shifts.turn_models import TurnChange, TurnOffer
from tests.factories.turns import lay_rules
from tests.integration.web.conftest import Web, send

PAGE = "/portal/turns/"


def text(web: Web, path: str, who: str = "dealer") -> str:
    answer = web.browser(who).get(path)
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


def at(web: Web, moment: datetime, who: str = "dealer") -> FlaskClient:
    """A browser signed in at a later moment, to which the clock is put: a session does not last until then."""
    web.clock.at = moment
    with transaction(web.sessions) as session:
        token = people.begin_session(session, moment, web.house.users[who], address="192.0.2.7", agent="a test")
    client = web.app.test_client()
    client.set_cookie("coop", token)
    return client


def turn_of(web: Web, day: int, *, opens: bool = True) -> int:
    with transaction(web.sessions) as session:
        rows = select(Turn.id).where(Turn.on_date == date(2026, 11, day), Turn.opens == opens, Turn.closes != opens)
        return session.scalars(rows).one()


# --- what stands there ----------------------------------------------------------------------------------------------------


def test_the_page_has_what_is_to_come_what_is_offered_and_what_is_owed(web: Web) -> None:
    said = text(web, PAGE)
    assert "Tue, Nov 3 , 10 am to 2 pm" in said
    assert "offered to everybody, as a gift" in said
    assert "Say until Nov 20, 2026 when you can and cannot in December 2026. One thing you said stands." in said
    assert "you owe 1 turn from before" in said
    assert "Fri, Nov 20 , 10 am to 2 pm : Desk Ida Fenwick, as a gift" in text(web, PAGE, "other dealer")
    assert "Tue, Nov 10 , 10 am to 2 pm : Desk" in said.partition("Nobody has these yet")[2]


def test_my_booth_shows_the_next_turn_and_what_waits(web: Web) -> None:
    assert "Your next turn : Tue, Nov 3 , 10 am to 2 pm, Desk at Lantern Yard Antiques Hall." in text(web, "/portal/")
    assert "offered to everybody" not in text(web, "/portal/")
    assert "One turn is offered to everybody ." in text(web, "/portal/", "other dealer")
    mine, theirs = turn_of(web, 25), turn_of(web, 25, opens=False)
    with transaction(web.sessions) as session:
        turn, back = session.get_one(Turn, mine), session.get_one(Turn, theirs)
        terms = offering.Terms("swap", return_turn_id=back.id)
        offering.offer_turn(session, web.clock.at, turn, terms, member_id=turn.member_id or 0)
    assert "Ida Fenwick offers you a turn: Desk on Wed, Nov 25, 10 am to 2 pm" in text(web, "/portal/", "other dealer")


def test_the_rota_names_everybody(web: Web) -> None:
    answer = web.browser("dealer").get("/portal/turns/rota")
    assert answer.headers["Location"] == "/portal/turns/rota/MAIN/2026-11"
    said = text(web, "/portal/turns/rota/MAIN/2026-11")
    assert "Wed, Nov 11 Veterans Day 10 am to 2 pm Desk Ida Fenwick 2 to 6 pm Desk Amos Pell" in said
    assert "nobody yet : Desk on Tue, Nov 10, 10 am to 2 pm" in said
    for path in ("rota/MAIN/2026-12", "rota/NONE/2026-11"):
        assert web.browser("dealer").get(PAGE + path).status_code == 404


def test_the_balance_adds_up_line_by_line(web: Web) -> None:
    said = text(web, "/portal/turns/balance")
    assert "You owe 1 turn from before." in said
    assert "November 2026: you owe 3 (4 less 1 (Treasurer) = 3), and 23 on the rota count as yours once worked." in said
    assert "Carried from paper, October 2026 carried from paper −1 −1" in said


def test_fairness_is_shown_to_every_dealer(web: Web) -> None:
    assert "Amos Pell" in text(web, "/portal/turns/fairness")


def test_who_is_no_dealer_yet_reads_that(web: Web) -> None:
    with transaction(web.sessions) as session:
        session.add(RoleGrant(user_id=web.house.users["nobody"], role="dealer"))
    assert "belongs to no dealer yet" in text(web, PAGE, "nobody")
    assert web.browser("nobody").get("/portal/turns/balance").status_code == 422


# --- offers ---------------------------------------------------------------------------------------------------------------


def test_a_turn_is_offered_withdrawn_and_offered_for_money(web: Web) -> None:
    path = f"/portal/turns/{turn_of(web, 25)}"
    client = web.browser("dealer")
    answer = send(client, f"{path}/offer", how="paid", to="", pays="", back="", words="")
    assert answer.status_code == 422
    assert "Write how much whoever takes it gets, like 35." in answer.text
    answer = send(client, f"{path}/offer", how="give", to="", pays="35", back="", words="")
    assert "Nothing is paid for this kind of offer" in answer.text
    assert 'value="35"' in answer.text
    answer = send(client, f"{path}/offer", how="paid", to="", pays="35", back="", words="At the fair")
    assert answer.headers["Location"] == PAGE
    with transaction(web.sessions) as session:
        made = session.scalars(select(TurnOffer).order_by(TurnOffer.id.desc()).limit(1)).one()
        assert (made.kind, made.pays_cents, made.words, made.state) == ("give", 35_00, "At the fair", "open")
        offer_id = made.id
    seen = text(web, f"/portal/turns/offers/{offer_id}", "other dealer")
    assert "$35.00, charged to Ida Fenwick’s account and credited to whoever takes it" in seen
    assert "Amos Pell has more than 1 turn on Wed, Nov 25" in seen
    assert "can be employment under local law" in text(web, f"/portal/turns/{turn_of(web, 24)}")
    assert "charged to your account" in text(web, f"/portal/turns/offers/{offer_id}")
    answer = send(client, f"/portal/turns/offers/{offer_id}/withdraw")
    assert answer.headers["Location"] == PAGE
    assert "It is withdrawn." in text(web, f"/portal/turns/offers/{offer_id}")
    answer = send(client, f"/portal/turns/offers/{offer_id}/withdraw")
    assert answer.status_code == 422
    assert "was withdrawn" in answer.text


def test_two_turns_are_swapped_by_both(web: Web) -> None:
    ida, amos = web.browser("dealer"), web.browser("other dealer")
    mine, theirs = turn_of(web, 25), turn_of(web, 25, opens=False)
    assert send(ida, f"/portal/turns/{mine}/offer", how="swap", to="", pays="", back="", words="").status_code == 303
    with transaction(web.sessions) as session:
        offer_id = session.scalars(select(TurnOffer.id).order_by(TurnOffer.id.desc()).limit(1)).one()
    path = f"/portal/turns/offers/{offer_id}"
    answer = send(amos, f"{path}/answer", given=str(turn_of(web, 24, opens=False)))
    assert answer.status_code == 422
    assert "more than 1 turn on" in answer.text
    assert send(amos, f"{path}/answer", given=str(theirs)).status_code == 303
    assert "Amos Pell would take it, and gives you Desk on Wed, Nov 25, 2 to 6 pm in return." in text(web, path)
    assert send(amos, f"{path}/sign").status_code == 422
    assert send(ida, f"{path}/decline").status_code == 303
    assert send(amos, f"{path}/answer", given=str(theirs)).status_code == 303
    answer = send(ida, f"{path}/sign", back=str(mine))
    assert answer.status_code == 422
    assert "Another turn is given in return by now" in answer.text
    assert f'name="back" value="{theirs}"' in ida.get(path).text
    assert send(ida, f"{path}/sign", back=str(theirs)).status_code == 303
    seen = text(web, path)
    assert "Amos Pell has taken it, and both have signed: Ida Fenwick on Nov 3, 2026, 9:00 am" in seen
    assert "Wed, Nov 25 2 to 6 pm" in text(web, f"/portal/turns/{theirs}")
    assert web.browser("dealer").get(f"/portal/turns/{mine}").status_code == 404


def test_what_nobody_has_is_taken_once(web: Web) -> None:
    path = f"/portal/turns/free/{web.house.turns.open_turn}"
    assert "nobody yet" in text(web, path)
    answer = send(web.browser("other dealer"), path)
    assert answer.status_code == 422
    assert "Amos Pell has more than 1 turn on Tue, Nov 10" in answer.text
    assert send(web.browser("dealer"), path).status_code == 303
    answer = send(web.browser("other dealer"), path)
    assert "is taken already, by Ida Fenwick." in answer.text
    with transaction(web.sessions) as session:
        change = session.scalars(select(TurnChange).order_by(TurnChange.id.desc()).limit(1)).one()
        assert (change.turn_id, change.how, change.from_member_id) == (web.house.turns.open_turn, "given", None)
    client = at(web, datetime(2026, 11, 7, 17, tzinfo=UTC))
    with transaction(web.sessions) as session:
        begun = session.scalars(select(Turn.id).where(Turn.on_date == date(2026, 11, 7), Turn.member_id.is_(None))).first()
    assert "It has begun: whoever stands in signs in at the desk." in client.get(f"/portal/turns/free/{begun}").text


def test_nobody_sees_or_ends_what_is_anothers(web: Web) -> None:
    turn, offer = web.house.turns.turn, web.house.turns.offer
    amos = web.browser("other dealer")
    assert amos.get(f"/portal/turns/{turn}").status_code == 404
    for path in (f"{turn}/offer", f"{turn}/helper", f"availability/{web.house.turns.said}/end"):
        assert send(amos, PAGE + path).status_code == 404
    for path in (f"helpers/{web.house.turns.helper}/end", f"calendar/{web.house.turns.feed}/end"):
        assert send(amos, PAGE + path).status_code == 404
    other = turn_of(web, 24)
    with transaction(web.sessions) as session:
        made = session.get_one(TurnOffer, offer)
        alone = TurnOffer(
            turn_id=other,
            kind="give",
            by_member_id=made.by_member_id,
            to_member_id=made.by_member_id,
            made_at=web.clock.at,
        )
        session.add(alone)
        session.flush()
        alone_id = alone.id
    assert amos.get(f"/portal/turns/offers/{alone_id}").status_code == 404
    assert send(amos, f"/portal/turns/offers/{offer}/withdraw").status_code == 422


# --- when a dealer can ----------------------------------------------------------------------------------------------------


FORM = {"kind": "never", "starts_on": "2026-12-01", "ends_on": "", "weekdays": ["1"], "every": "2", "part": "morning"}


def test_availability_is_given_shown_in_words_and_taken_back(web: Web) -> None:
    path, client = "/portal/turns/availability", web.browser("dealer")
    assert send(client, path, **FORM).status_code == 303
    said = text(web, path)
    assert "I never can : every 2 weeks on Tuesday, from Dec 1, 2026 on, midnight to noon" in said
    with transaction(web.sessions) as session:
        row = session.scalars(select(Availability).order_by(Availability.id.desc()).limit(1)).one()
        assert (row.weekdays, row.every_weeks, row.from_min, row.to_min) == (2, 2, 0, 720)
        row_id = row.id
    answer = client.post(f"{path}/{row_id}/end", data={"csrf_token": _token(client)}, follow_redirects=True)
    assert "That is taken back." in answer.text
    assert "every 2 weeks on Tuesday" not in text(web, path)


def _token(client: object) -> str:
    found = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/portal/turns/availability").text)  # type: ignore[attr-defined]
    assert found
    return found[1]


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"starts_on": "2026-12-22"}, "Answers for December 2026 are closed"),
        ({"starts_on": ""}, "Write the first day, like 2026-12-01."),
        ({"ends_on": "2026-11-01"}, "before it begins on"),
        ({"weekdays": []}, "Tick at least one day."),
        ({"every": "0"}, "Write a whole number from 1 to 52."),
        ({"part": "between"}, "Write a time, like 10 am."),
        ({"part": "between", "from_time": "3 pm", "to_time": "1 pm"}, "The part of the day ends before it begins"),
        ({"part": "between", "from_time": "half past", "to_time": "1 pm"}, "This is not a time of day."),
        ({"from_time": "3 pm"}, "A time is asked only between two times"),
        ({"ends_on": "2026-12-02", "weekdays": ["4"]}, "None of these weekdays lies between"),
    ],
)
def test_what_cannot_be_meant_is_said_at_its_field(web: Web, changed: dict[str, str], sentence: str) -> None:
    closed = sentence.startswith("Answers")
    client = at(web, datetime(2026, 11, 21, 15, tzinfo=UTC)) if closed else web.browser("dealer")
    answer = send(client, "/portal/turns/availability", **{**FORM, **changed})
    assert answer.status_code == 422
    assert sentence in answer.text.replace("&#39;", "'")
    if closed:
        assert "begin on Jan 1, 2027 or later, for January 2027 is the next month it counts for." in answer.text


def test_a_month_is_answered_until_its_last_day(web: Web) -> None:
    path, client = "/portal/turns/availability", web.browser("dealer")
    assert "Answers are taken until Nov 20, 2026" in text(web, path)
    for _ in range(2):
        assert send(client, f"{path}/2026-12/all-said").status_code == 303
    assert "You have said all for December 2026." in text(web, path)
    with transaction(web.sessions) as session:
        assert len(session.scalars(select(MonthAnswer)).all()) == 1
    # Midnight of the mall's clock is 6:00 UTC: a minute before it is the last day still.
    client = at(web, datetime(2026, 11, 21, 5, 59, tzinfo=UTC))
    assert send(client, f"{path}/2026-12/all-said").status_code == 303
    web.clock.at += timedelta(minutes=1)
    answer = send(client, f"{path}/2026-12/all-said")
    assert answer.status_code == 422
    assert "Answers for December 2026 are closed: January 2027 is the next month they count for." in answer.text


def test_what_silence_means_is_said(web: Web) -> None:
    assert "is taken to be free at any time" in text(web, "/portal/turns/availability")
    with transaction(web.sessions) as session:
        lay_rules(session, web.house.mall, starts_on=date(2026, 12, 1), silence="never")
    assert "is given no turn, and owes it on" in text(web, "/portal/turns/availability")


# --- helpers --------------------------------------------------------------------------------------------------------------


def test_a_helper_is_named_sent_and_dropped(web: Web) -> None:
    client, path = web.browser("dealer"), f"/portal/turns/{web.house.turns.turn}"
    assert send(client, "/portal/turns/helpers", name="", phone="").status_code == 422
    assert send(client, "/portal/turns/helpers", name="Olive Fenwick", phone="555-0143").status_code == 303
    with transaction(web.sessions) as session:
        olive = session.scalars(select(TurnHelper.id).where(TurnHelper.name == "Olive Fenwick")).one()
    answer = send(client, f"{path}/helper", helper=str(olive))
    assert answer.status_code == 422
    assert "Olive Fenwick may not stand alone yet: ask the manager to have the helper trained" in answer.text
    assert send(client, f"{path}/helper", helper=str(web.house.turns.helper)).status_code == 303
    assert "Rufus Fenwick, for you" in text(web, path)
    assert "Rufus Fenwick comes" in text(web, "/portal/turns/rota/MAIN/2026-11", "other dealer")
    assert send(client, f"{path}/helper", helper="").status_code == 303
    assert send(client, f"{path}/helper", helper=str(web.house.turns.helper)).status_code == 303
    assert send(client, f"/portal/turns/helpers/{web.house.turns.helper}/end").status_code == 303
    assert "Rufus Fenwick" not in text(web, path)
    with transaction(web.sessions) as session:
        rows = select(TurnChange.how).where(TurnChange.turn_id == web.house.turns.turn).order_by(TurnChange.id)
        assert session.scalars(rows).all() == ["published", "helper", "helper", "helper", "helper"]


# --- the calendar ---------------------------------------------------------------------------------------------------------


def _made(web: Web, who: str = "dealer") -> str:
    answer = send(web.browser(who), "/portal/turns/calendar", label="My phone")
    found = re.findall(r"http://localhost(/feeds/[\w-]{43}\.ics)", answer.text)
    assert len(found) == 1
    return str(found[0])


def test_a_calendar_program_reads_the_dealers_turns(web: Web) -> None:
    """Read back by `vobject`, and by `icalendar` strictly: implementations of RFC 5545 apart from what wrote it."""
    with transaction(web.sessions) as session:
        session.execute(update(Mall).values(address="12 Mill Lane; the yard\nElder, Ohio"))
    answer = web.browser().get(_made(web))
    assert answer.status_code == 200
    assert answer.content_type == "text/calendar; charset=utf-8"
    calendar = vobject.readOne(answer.text)
    events = {event.uid.value: event for event in calendar.vevent_list if event.uid.value.startswith("turn-")}
    assert len(events) == 23
    event = events[f"turn-{web.house.turns.turn}@example.org"]
    # 10 am in Chicago in November is 16:00 UTC.
    assert event.dtstart.value == datetime(2026, 11, 20, 16, tzinfo=UTC)
    assert event.dtend.value == datetime(2026, 11, 20, 20, tzinfo=UTC)
    assert event.summary.value == "Desk, Lantern Yard Antiques Hall"
    assert event.location.value == "Lantern Yard Antiques Hall\n12 Mill Lane; the yard\nElder, Ohio"
    assert event.sequence.value == "0"
    assert event.valarm.trigger.value == timedelta(hours=-2)
    assert "Desk on Fri, Nov 20, 10 am to 2 pm." in event.description.value
    again = icalendar.Calendar.from_ical(answer.data)
    assert len(again.walk("VEVENT")) == len(calendar.vevent_list) == 27, "the floor of two pieces begins and ends"
    assert not again.errors
    assert max(len(line) for line in answer.data.split(b"\r\n")) <= 75


def test_a_turn_that_goes_leaves_one_calendar_and_comes_to_the_other(web: Web) -> None:
    addresses = {who: _made(web, who) for who in ("dealer", "other dealer")}

    def events(who: str) -> dict[str, str]:
        read = vobject.readOne(web.browser().get(addresses[who]).text)
        return {event.uid.value: event.sequence.value for event in read.vevent_list}

    closed = turn_of(web, 25)
    mine, theirs = (f"turn-{one}@example.org" for one in (web.house.turns.turn, web.house.turns.other_turn))
    with transaction(web.sessions) as session:
        back = session.get_one(Turn, web.house.turns.other_turn)
        made = session.get_one(TurnOffer, web.house.turns.offer)
        offering.withdraw_offer(session, web.clock.at, made, member_id=made.by_member_id)
        terms = offering.Terms("swap", return_turn_id=back.id)
        turn = session.get_one(Turn, web.house.turns.turn)
        made = offering.offer_turn(session, web.clock.at, turn, terms, member_id=made.by_member_id)
        offering.take_offer(session, web.clock.at, made, member_id=back.member_id or 0)
        session.execute(update(Turn).where(Turn.id == closed).values(state="closed"))
    assert mine not in events("dealer")
    assert events("dealer")[theirs] == "1"
    assert events("other dealer")[mine] == "1"
    assert f"turn-{closed}@example.org" not in events("dealer")


def test_an_address_ends_with_the_dealers_wish_and_with_the_role(web: Web) -> None:
    address = _made(web)
    first = web.browser().get(address)
    assert web.browser().get(address, headers={"If-None-Match": first.headers["ETag"]}).status_code == 304
    of_user = RoleGrant.user_id == web.house.users["dealer"]
    with transaction(web.sessions) as session:
        session.execute(update(RoleGrant).where(of_user).values(role="auditor"))
    assert web.browser().get(address).status_code == 404
    with transaction(web.sessions) as session:
        session.execute(update(RoleGrant).where(of_user).values(role="dealer"))
    assert web.browser().get(address).status_code == 200
    with transaction(web.sessions) as session:
        feed = session.scalars(select(CalendarFeed.id).order_by(CalendarFeed.id.desc()).limit(1)).one()
    assert send(web.browser("dealer"), f"/portal/turns/calendar/{feed}/end").status_code == 303
    assert web.browser().get(address).status_code == 404
