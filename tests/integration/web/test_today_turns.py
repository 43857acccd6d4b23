"""Turns on Today: those nobody has, rotas to publish, and who is on turn now."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from html import unescape

from sqlalchemy import update

from coop.core.db import transaction
from coop.shifts.models import Rota, Turn
from coop.shifts.turn_models import Attendance
from tests.integration.web.conftest import Web
from tests.integration.web.test_today import HALL, change, led, put_on, told


def test_uncovered_turns_and_rotas_to_publish_appear_and_vanish(web: Web) -> None:
    """The house's November is published: nobody has the floor on Saturdays, nor the desk on the 10th."""
    open_turns = f"3 turns of {HALL} uncovered within two weeks"
    assert told(web)[open_turns] == "Nov 7, 2026"
    assert led(web, open_turns) == "/office/rota/MAIN/2026-11"
    change(web, update(Turn).where(Turn.on_date == date(2026, 11, 10)).values(state="closed"))
    assert told(web)[f"2 turns of {HALL} uncovered within two weeks"] == "Nov 7, 2026"
    to_publish = f"1 rota of {HALL} to publish, December 2026"
    assert to_publish not in told(web)
    put_on(web, datetime(2026, 11, 24, 18, tzinfo=UTC))
    assert told(web)[to_publish] == "Dec 1, 2026"
    assert led(web, to_publish) == "/office/rota/MAIN/2026-12"
    put_on(web, datetime(2026, 12, 2, 18, tzinfo=UTC))
    assert told(web)[to_publish] == "✻Dec 1, 2026, which is past"
    with transaction(web.sessions) as session:
        mall_id, at = web.house.mall.id, web.clock.at
        session.add(Rota(mall_id=mall_id, first_day=date(2026, 12, 1), state="published", published_at=at))
    assert to_publish not in told(web)


def test_a_no_show_waits_until_it_is_decided(web: Web) -> None:
    """D02 did not come on November 2."""
    waits = f"1 no-show of {HALL} of November 2026 to decide"
    assert waits in told(web)
    assert led(web, waits) == "/office/rota/MAIN/2026-11/attendance#to-do"
    change(web, update(Attendance).where(Attendance.turn_id == web.house.turns.missed).values(decision="owed"))
    assert waits not in told(web)


def test_who_is_on_turn_is_told_with_who_has_signed_in(web: Web) -> None:
    """D01 has the desk on November 3 from 10 am to 2 pm, which is 16 to 20 UTC."""
    assert "On turn now" not in web.browser("manager").get("/office/").text
    put_on(web, datetime(2026, 11, 3, 17, tzinfo=UTC))
    page = on_turn(web)
    assert page == "Who Where Until State Ida Fenwick Desk 2 pm ○ not signed in"
    with transaction(web.sessions) as session:
        session.add(Attendance(turn_id=web.house.turns.today, signed_in_at=datetime(2026, 11, 3, 15, 58, tzinfo=UTC)))
    assert on_turn(web) == "Who Where Until State Ida Fenwick Desk 2 pm ● signed in 9:58 am"
    change(
        web,
        update(Attendance)
        .where(Attendance.turn_id == web.house.turns.today)
        .values(signed_out_at=datetime(2026, 11, 3, 16, 45, tzinfo=UTC)),
    )
    assert on_turn(web) == "Who Where Until State Ida Fenwick Desk 2 pm ○ left 10:45 am"
    put_on(web, datetime(2026, 11, 10, 17, tzinfo=UTC))
    assert on_turn(web) == "Who Where Until State nobody Desk 2 pm ✻ uncovered"


def on_turn(web: Web) -> str:
    section = web.browser("manager").get("/office/").text.partition('id="there"')[2].partition("</section>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", section.partition("<thead>")[2])).split())
