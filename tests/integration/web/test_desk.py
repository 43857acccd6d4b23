"""The desk: in and out by name, a helper, a stand-in, whom to call, the lists, and the drawer at the handover."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from sqlalchemy import func, select

from coop.core.db import transaction
from coop.core.money import plain_cents
from coop.dealers.models import Dealer, Member
from coop.desk.queries import wants_count
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease
from coop.sales.drawers import drawers_of
from coop.shifts.models import Availability, Turn
from coop.shifts.turn_models import Attendance, ChecklistItem, ChecklistTick
from tests.integration.web.conftest import Web, send

TODAY = date(2026, 11, 3)
HOUR = timedelta(hours=1)
"""The house is shown at 9 am; Ida's turn is from 10 to 2, Amos's from 2 to 6."""


def turn_of(web: Web, *, morning: bool) -> int:
    with transaction(web.sessions) as session:
        return session.scalars(select(Turn.id).where(Turn.on_date == TODAY, Turn.opens == morning, Turn.closes != morning)).one()


def came(web: Web, turn_id: int) -> Attendance:
    with transaction(web.sessions) as session:
        return session.scalars(select(Attendance).where(Attendance.turn_id == turn_id)).one()


def text(page: str) -> str:
    return " ".join(page.split())


def test_a_desk_of_one_mall_leads_there_and_one_of_several_asks(web: Web) -> None:
    desk = web.browser("desk")
    assert desk.get("/").headers["Location"] == "/desk/"
    assert desk.get("/desk/").headers["Location"] == "/desk/MAIN"
    page = desk.get("/desk/MAIN").text
    assert '<a href="/desk/" aria-current="true">Desk</a>' in text(page)
    with transaction(web.sessions) as session:
        add_mall(session, web.clock.at, "BARN", name="The Barn", timezone="America/Chicago")
    page = desk.get("/desk/").text
    assert "Lantern Yard Antiques Hall" in page
    assert '<a href="/desk/BARN">The Barn</a>' in page
    page = text(desk.get("/desk/BARN").text)
    assert '<a href="/desk/BARN" aria-current="page">The Barn</a>' in page
    assert "There are no turns today" in page
    assert desk.get("/desk/ATTIC").status_code == 404


def test_in_by_name_and_out_and_the_day_says_so(web: Web) -> None:
    desk, turn = web.browser("desk"), turn_of(web, morning=True)
    page = desk.get("/desk/MAIN").text
    assert "Nobody has signed in." in page
    assert "Sign Ida Fenwick in" in page
    # Amos's is at 2 pm: one may sign in to it from 1 on.
    assert "Sign in from 1 pm on" in text(page)
    with transaction(web.sessions) as session:
        ida = session.scalars(select(Member.id).where(Member.name == "Ida Fenwick")).one()
    answer = send(desk, f"/desk/MAIN/turns/{turn}/in", who=f"member:{ida}")
    assert answer.headers["Location"] == "/desk/MAIN"
    page = text(desk.get("/desk/MAIN").text)
    assert "Ida Fenwick is signed in to Desk, 10 am to 2 pm." in page
    assert "since 9 am" in page
    assert came(web, turn).signed_in_at == web.clock.at
    web.clock.at += 5 * HOUR
    answer = send(desk, f"/desk/MAIN/turns/{turn}/out")
    page = text(desk.get(answer.headers["Location"]).text)
    assert "Ida Fenwick is signed out of Desk, 10 am to 2 pm." in page
    assert "9 am to 2 pm" in page


def test_whoever_goes_is_asked_to_count_the_drawer_and_it_is_kept_with_the_turn(web: Web) -> None:
    desk, turn = web.browser("desk"), turn_of(web, morning=True)
    with transaction(web.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        barn = add_mall(session, web.clock.at, "BARN", name="The Barn", timezone="America/Chicago")
        assert (wants_count(session, mall, TODAY), wants_count(session, barn, TODAY)) == (True, False)
        drawer = drawers_of(session, mall, TODAY)[0]
        ida = session.scalars(select(Member.id).where(Member.name == "Ida Fenwick")).one()
    send(desk, f"/desk/MAIN/turns/{turn}/in", who=f"member:{ida}")
    web.clock.at += 5 * HOUR
    answer = send(desk, f"/desk/MAIN/turns/{turn}/out")
    assert answer.headers["Location"] == f"/desk/MAIN?over={turn}"
    page = desk.get(answer.headers["Location"]).text
    count = f"/office/sales/drawers/MAIN/count?turn={turn}"
    assert f'href="{count}"' in page
    # The form's address names the turn too.
    assert f'action="{count}"' in desk.get(count).text
    fields = {
        "key": "a" * 32,
        "drawer": drawer.name or "-",
        "on": "2026-11-03",
        "total": plain_cents(drawer.balance_cents),
        "second": "",
        "note": "",
    }
    answer = send(desk, count, **fields)
    assert (answer.status_code, answer.headers.get("Location")) == (303, "/desk/MAIN"), answer.text
    assert came(web, turn).drawer_count_id is not None
    assert "Count it now" not in desk.get(f"/desk/MAIN?over={turn}").text


def test_a_helper_or_a_stand_in_is_chosen_on_the_turns_page(web: Web) -> None:
    desk, turn = web.browser("desk"), turn_of(web, morning=True)
    page = desk.get(f"/desk/MAIN/turns/{turn}").text
    assert "Rufus Fenwick, for Ida Fenwick" in page
    assert "Amos Pell" in page
    helper = web.house.turns.helper
    for sent, said in (({}, "choose who stands"), ({"who": "other:"}, "choose who stands"), ({"who": "helper:99"}, "choose who")):
        answer = send(desk, f"/desk/MAIN/turns/{turn}/in", **sent)
        assert said in desk.get(answer.headers["Location"]).text
    send(desk, f"/desk/MAIN/turns/{turn}/in", who=f"helper:{helper}")
    assert "Rufus Fenwick, for Ida Fenwick" in desk.get("/desk/MAIN").text
    second = turn_of(web, morning=False)
    with transaction(web.sessions) as session:
        ida, amos = (session.scalars(select(Member.id).where(Member.name == name)).one() for name in ("Ida Fenwick", "Amos Pell"))
        session.get_one(Turn, second).member_id = ida
    web.clock.at += 4 * HOUR
    send(desk, f"/desk/MAIN/turns/{second}/in", who="other:", other=str(amos))
    assert came(web, second).late is False
    with transaction(web.sessions) as session:
        assert session.get_one(Turn, second).member_id == amos


def test_what_cannot_be_is_said_where_it_was_pressed(web: Web) -> None:
    desk, turn = web.browser("desk"), turn_of(web, morning=False)
    with transaction(web.sessions) as session:
        amos = session.scalars(select(Member.id).where(Member.name == "Amos Pell")).one()
    answer = send(desk, f"/desk/MAIN/turns/{turn}/in", who=f"member:{amos}")
    assert answer.headers["Location"] == f"/desk/MAIN/turns/{turn}"
    assert "is still to come: sign in from 1 pm on" in desk.get(answer.headers["Location"]).text
    answer = send(desk, f"/desk/MAIN/turns/{turn}/out")
    assert "Nobody has signed in to Desk" in desk.get(answer.headers["Location"]).text
    assert desk.get("/desk/MAIN/turns/99999").status_code == 404


def test_a_page_from_before_the_turn_went_to_another_signs_nobody_in(web: Web) -> None:
    """Ida had it when the page was shown; Amos has it now. Nor does a member sign in who is none."""
    desk, turn = web.browser("desk"), turn_of(web, morning=True)
    with transaction(web.sessions) as session:
        ida, amos = (session.scalars(select(Member.id).where(Member.name == name)).one() for name in ("Ida Fenwick", "Amos Pell"))
        session.get_one(Turn, turn).member_id = amos
    for sent in ({"who": f"member:{ida}"}, {"who": "member:999999"}, {"who": "other:", "other": "999999"}):
        answer = send(desk, f"/desk/MAIN/turns/{turn}/in", **sent)
        assert answer.headers["Location"] == f"/desk/MAIN/turns/{turn}"
        assert "Nobody is signed in yet: choose who stands." in desk.get(answer.headers["Location"]).text
    with transaction(web.sessions) as session:
        assert session.scalar(select(Attendance.id).where(Attendance.turn_id == turn)) is None
        assert session.get_one(Turn, turn).member_id == amos
    send(desk, f"/desk/MAIN/turns/{turn}/in", who=f"member:{amos}")
    answer = send(desk, f"/desk/MAIN/turns/{turn}/in", who=f"member:{ida}")
    assert "Amos Pell has signed in to Desk" in desk.get(answer.headers["Location"]).text


def test_whom_to_call_when_nobody_came(web: Web) -> None:
    desk = web.browser("desk")
    with transaction(web.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        dealer.member.phone = "555-0177"
        ida = session.scalars(select(Member).where(Member.name == "Ida Fenwick")).one()
        ida.phone = "555 0101"
        # Amos said that he could stand in on Tuesdays until 2 pm.
        session.add(
            Availability(
                member_id=dealer.member_id,
                kind="stand in",
                starts_on=date(2026, 1, 1),
                ends_on=None,
                weekdays=0b10,
                every_weeks=1,
                from_min=0,
                to_min=840,
                said_at=web.clock.at,
                ended_at=None,
            )
        )
        assert mall is not None
    web.clock.at += HOUR + timedelta(minutes=9)
    assert "Nobody is there" not in desk.get("/desk/MAIN").text
    web.clock.at += timedelta(minutes=2)
    page = text(desk.get("/desk/MAIN").text)
    assert "Nobody is there: call" in page
    assert "Ida Fenwick has not come" in page
    called = page[page.index("Nobody is there: call") : page.index("On now")]
    assert called.index('<a href="tel:5550101">555 0101</a>') < called.index('<a href="tel:555-0177">555-0177</a>')
    assert "could stand in" in called


def test_lists_are_ticked_by_whoever_is_on(web: Web) -> None:
    desk, turn = web.browser("desk"), turn_of(web, morning=True)
    with transaction(web.sessions) as session:
        ida = session.scalars(select(Member.id).where(Member.name == "Ida Fenwick")).one()
        lights, floats = session.scalars(
            select(ChecklistItem.id).where(ChecklistItem.kind == "opening").order_by(ChecklistItem.place)
        ).all()
    assert "Done by" not in desk.get("/desk/MAIN").text
    send(desk, f"/desk/MAIN/turns/{turn}/in", who=f"member:{ida}")
    assert "Done by" in desk.get("/desk/MAIN").text
    answer = send(desk, "/desk/MAIN/lists/opening", line=[str(lights)], by=str(ida))
    assert answer.headers["Location"] == "/desk/MAIN#opening"
    page = text(desk.get("/desk/MAIN").text)
    assert "1 line is ticked." in page
    assert "Ida Fenwick, Nov 3, 2026, 9:00 am" in page
    # Somebody who is not on did not do it; it is kept with the sign-in.
    send(desk, "/desk/MAIN/lists/opening", line=[str(floats), "x"], by="4711")
    with transaction(web.sessions) as session:
        ticks = session.execute(select(ChecklistTick.item_id, ChecklistTick.member_id).order_by(ChecklistTick.id)).all()
        assert [tuple(row) for row in ticks] == [(lights, ida), (floats, None)]
    assert "All is done." in desk.get("/desk/MAIN").text
    answer = send(desk, "/desk/MAIN/lists/opening")
    assert "Nothing is ticked" in desk.get(answer.headers["Location"]).text
    assert send(desk, "/desk/MAIN/lists/noon").status_code == 404
    with transaction(web.sessions) as session:
        other = add_mall(session, web.clock.at, "BARN", name="The Barn", timezone="America/Chicago")
        session.add(ChecklistItem(mall_id=other.id, kind="opening", place=1, words="Gate", starts_on=TODAY, ended_on=None))
        session.flush()
        gate = session.scalar(select(func.max(ChecklistItem.id)))
    answer = send(desk, "/desk/MAIN/lists/opening", line=[str(gate)])
    assert "not on it any more" in desk.get(answer.headers["Location"]).text


def test_a_turn_of_another_mall_is_not_there(web: Web) -> None:
    with transaction(web.sessions) as session:
        barn = add_mall(session, web.clock.at, "BARN", name="The Barn", timezone="America/Chicago")
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        make_lease(session, web.clock.at, barn, dealer, starts_on=date(2026, 1, 1), commission_percent=Decimal(10))
    turn = turn_of(web, morning=True)
    assert web.browser("desk").get(f"/desk/BARN/turns/{turn}").status_code == 404
