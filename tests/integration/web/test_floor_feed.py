"""Days of lent floor in a dealer's calendar feed, read back by `vobject`, which is apart from what wrote them (RFC 5545)."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from typing import Any

import icalendar
import vobject
from sqlalchemy import event, select, update

from coop.core.db import transaction
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.overflow.calendar import floor_events
from coop.overflow.models import BayRow, OverflowPiece, Stay
from coop.overflow.recalling import recall
from coop.overflow.staying import cancel_stay, end_stay, move_stay, stand_again
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_stay
from tests.integration.web.conftest import Web, send


def manager(web: Web) -> By:
    return By(web.house.users["manager"])


def address(web: Web, who: str = "dealer") -> str:
    answer = send(web.browser(who), "/portal/turns/calendar", label="My phone")
    (found,) = re.findall(r"http://localhost(/feeds/[\w-]{43}\.ics)", answer.text)
    return str(found)


def floor_days(web: Web, path: str) -> dict[str, Any]:
    """Events that are no turns, by their UIDs."""
    read = vobject.readOne(web.browser().get(path).text)
    return {event.uid.value: event for event in read.vevent_list if not event.uid.value.startswith("turn-")}


def test_move_in_and_last_day_are_whole_days_with_place_and_caution(web: Web) -> None:
    with transaction(web.sessions) as session:
        session.execute(update(Mall).values(address="12 Mill Lane\nElder, Ohio"))
    laid, path = web.house.overflow, address(web)
    days = floor_days(web, path)
    keys = [f"floor-{which}-{stay}@example.org" for stay in (laid.stay, laid.to_come) for which in ("in", "out")]
    assert set(days) == set(keys), "of others' pieces nothing"
    comes = days[f"floor-in-{laid.to_come}@example.org"]
    assert (comes.dtstart.value, comes.dtend.value) == (date(2026, 11, 9), date(2026, 11, 10))
    assert comes.dtstart.params["VALUE"] == ["DATE"]
    assert comes.summary.value == "Cane rocker moves into bay A1-1"
    assert comes.location.value == "Bay A1-1, Lantern Yard Antiques Hall\n12 Mill Lane\nElder, Ohio"
    assert "Bay A1-1 in aisle A1, 6' 0\" to 8' 0\" along it." in comes.description.value
    assert "It has floor until Dec 6, 2026." in comes.description.value
    assert "Nobody weighed it: take it to be heavy" in comes.description.value
    assert "Local codes, the fire marshal and licensed people decide" in comes.description.value
    assert (comes.transp.value, comes.sequence.value) == ("TRANSPARENT", "0")
    assert comes.valarm.trigger.value == timedelta(hours=-6)
    goes = days[f"floor-out-{laid.stay}@example.org"]
    assert (goes.dtstart.value, goes.summary.value) == (date(2026, 12, 6), "Hall bench leaves bay A1-1")
    answer = web.browser().get(path)
    assert not icalendar.Calendar.from_ical(answer.data).errors
    assert max(len(line) for line in answer.data.split(b"\r\n")) <= 75
    assert answer.data == web.browser().get(path).data


def test_what_is_taken_back_leaves_the_calendar_and_comes_again_as_itself(web: Web) -> None:
    path, stay_id = address(web), web.house.overflow.to_come
    before = floor_days(web, path)
    mine = {f"floor-{which}-{stay_id}@example.org" for which in ("in", "out")}
    for change, there in ((cancel_stay, False), (stand_again, True)):
        with transaction(web.sessions) as session:
            change(session, web.clock.at, session.get_one(Stay, stay_id), by=manager(web))
        assert set(floor_days(web, path)) == (set(before) if there else set(before) - mine)
    again = floor_days(web, path)[f"floor-in-{stay_id}@example.org"]
    assert int(again.sequence.value) > int(before[f"floor-in-{stay_id}@example.org"].sequence.value)


def test_a_day_that_is_changed_keeps_its_uid(web: Web) -> None:
    """Asked back with notice, and then taken away before: its last day goes to an earlier one twice, its SEQUENCE up."""
    path, stay_id = address(web), web.house.overflow.stay
    with transaction(web.sessions) as session:
        one = session.get_one(Stay, stay_id)
        recall(session, web.clock.at, one, why="The wall is painted.", by=manager(web))
        last = one.ends_on
    asked = floor_days(web, path)[f"floor-out-{stay_id}@example.org"]
    assert asked.dtstart.value == last < date(2026, 12, 6)
    assert "It was asked back: The wall is painted." in asked.description.value
    with transaction(web.sessions) as session:
        end_stay(session, web.clock.at, session.get_one(Stay, stay_id), on=date(2026, 11, 3), by=manager(web))
    gone = floor_days(web, path)[f"floor-out-{stay_id}@example.org"]
    assert gone.dtstart.value == date(2026, 11, 3)
    assert 0 < int(asked.sequence.value) < int(gone.sequence.value)


def test_a_piece_that_moves_on_to_another_bay_has_one_last_day(web: Web) -> None:
    path, stay_id = address(web), web.house.overflow.stay
    with transaction(web.sessions) as session:
        one = session.get_one(Stay, stay_id)
        mall = session.get_one(Mall, web.house.mall.id)
        other = lay_bay(session, mall, "A1-7", 120, 30, y=700)
        moved = move_stay(session, web.clock.at, one, other, 0, on=date(2026, 11, 10), by=manager(web), anyway=True).id
    days = floor_days(web, path)
    assert f"floor-out-{stay_id}@example.org" not in days
    assert days[f"floor-in-{moved}@example.org"].summary.value == "Hall bench moves from bay A1-1 to bay A1-7"
    assert days[f"floor-in-{moved}@example.org"].dtstart.value == date(2026, 11, 10)
    assert days[f"floor-out-{moved}@example.org"].summary.value == "Hall bench leaves bay A1-7"


def test_a_sold_piece_has_the_day_by_which_it_is_fetched_and_what_is_long_past_is_left_out(web: Web) -> None:
    path = address(web)
    with transaction(web.sessions) as session:
        bay = session.get_one(BayRow, web.house.overflow.other_bay)
        ida = session.get_one(
            Dealer, session.get_one(OverflowPiece, session.get_one(Stay, web.house.overflow.stay).piece_id).dealer_id
        )
        sold = lay_stay(session, lay_piece(session, ida, "Sold hutch"), bay, date(2026, 11, 2), date(2026, 11, 9), kind="sold").id
        old = lay_stay(session, lay_piece(session, ida, "Old chair"), bay, date(2026, 7, 1), date(2026, 8, 2)).id
        far = lay_bay(session, session.get_one(Mall, web.house.mall.id), "A1-8", y=900)
        late = lay_stay(session, lay_piece(session, ida, "Late chair"), far, date(2026, 7, 1), date(2026, 8, 3)).id
    days = floor_days(web, path)
    assert f"floor-in-{sold}@example.org" not in days
    assert days[f"floor-out-{sold}@example.org"].summary.value == "Sold hutch is fetched from bay A1-2"
    # The clock stands at November 3, 92 days after August 3.
    assert f"floor-out-{old}@example.org" not in days
    assert f"floor-in-{late}@example.org" not in days
    assert days[f"floor-out-{late}@example.org"].dtstart.value == date(2026, 8, 3)


def test_the_calendars_questions_do_not_grow_with_days(web: Web, now: datetime) -> None:
    """Cautions are said by the rules of each first day; all rules of a mall are asked for at once."""

    def asked() -> tuple[int, int]:
        said: list[str] = []

        def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
            said.append(statement)

        with transaction(web.sessions) as session:
            member_id = session.scalars(select(Dealer.member_id).where(Dealer.code == "D01")).one()
            assert member_id is not None
            event.listen(session.get_bind(), "before_cursor_execute", note)
            found = floor_events(session, now, member_id, kept=timedelta(days=30), mail_domain="example.org")
            event.remove(session.get_bind(), "before_cursor_execute", note)
        return len(found), len(said)

    few = asked()
    with transaction(web.sessions) as session:
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        bay = lay_bay(session, session.scalars(select(Mall).order_by(Mall.id).limit(1)).one(), "B1-1", 240, 24, y=900)
        for n in range(9):
            day = date(2026, 12, 1) + timedelta(days=n)
            lay_stay(session, lay_piece(session, dealer, f"Stool {n}", (12, 12, 18)), bay, day, day, at=20 * n)
    more = asked()
    assert (more[0] - few[0], more[1]) == (18, few[1])
