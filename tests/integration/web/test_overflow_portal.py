"""A dealer's pages of lent floor: what stands on them, what is asked and said there, what is refused, and what is not hers."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta

import pytest
from flask.testing import FlaskClient

from coop.core.db import transaction
from coop.dealers import service as people
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.overflow.models import OverflowDraft, Stay, Walk, WalkMark
from coop.overflow.recalling import recall
from coop.overflow.staying import cancel_stay, end_stay
from tests.factories.overflow_floor import lay_rules
from tests.integration.web.conftest import Web, send

PAGE = "/portal/overflow/"


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def text(web: Web, path: str = PAGE, who: str = "dealer") -> str:
    answer = web.browser(who).get(path)
    assert answer.status_code == 200, answer.text
    return plain(answer.text)


def at(web: Web, moment: datetime, who: str = "dealer") -> FlaskClient:
    """A browser signed in at a later moment, to which the clock is put."""
    web.clock.at = moment
    with transaction(web.sessions) as session:
        token = people.begin_session(session, moment, web.house.users[who], address="192.0.2.7", agent="a test")
    client = web.app.test_client()
    client.set_cookie("coop", token)
    return client


def stay(web: Web, stay_id: int) -> Stay:
    with transaction(web.sessions) as session:
        return session.get_one(Stay, stay_id)


# --- the page ---------------------------------------------------------------------------------------------------------------


def test_the_page_says_where_each_piece_stands_how_long_and_what_it_costs(web: Web) -> None:
    with transaction(web.sessions) as session:
        lay_rules(session, session.get_one(Mall, web.house.mall.id), fee_kind="foot-week", fee_cents=150)
    said = text(web)
    assert "Hall bench : bay A1-1 in aisle A1, 0&#34; to 4&#39; 0&#34; along it" in said
    assert "Has floor since Oct 20, 2026, and nobody has said yet that it stands there; until Dec 6, 2026, 33 days left." in said
    # 4 feet for 48 days: 4 × 48/7 × $1.50 = $41.14; and 2 feet for 28 days: $12.00.
    assert "Nothing is charged yet; it comes to $41.14 until Dec 6, 2026." in said
    assert "Moves in on Nov 9, 2026 , in 6 days, and stands until Dec 6, 2026." in said
    assert "it comes to $12.00 until Dec 6, 2026." in said
    assert "Nobody weighed it: take it to be heavy, and do not lift it alone." in said, "of the rocker, before it is moved"
    assert "You have 4&#39; 1&#34; with one piece today, and may have 8&#39; 0&#34; along the bays and 4 pieces." in said
    assert "Floor costs $1.50 a week for each foot along the bay." in said


def test_what_waits_is_told_with_its_days_and_when_floor_was_given_out(web: Web) -> None:
    said = text(web)
    assert "Blanket chest : 4 weeks, not before Nov 9, 2026. Waits 14 days. No answer yet. Floor was not given out yet." in said
    assert "Hall bench, Cane rocker , asked Oct 1, 2026: granted for fewer weeks. Sep 15, 2026: Given by the manager" in said
    with transaction(web.sessions) as session:
        draft = OverflowDraft(
            mall_id=web.house.mall.id,
            first_day=date(2026, 11, 9),
            weeks=4,
            seconds=5,
            state="published",
            created_at=web.clock.at,
            published_at=web.clock.at - timedelta(days=1),
        )
        session.add(draft)
    assert "Floor was given out last on Nov 2, 2026, for Nov 9 to Dec 6, 2026." in text(web)


def test_nothing_of_another_dealer_stands_there_but_that_floor_is_taken(web: Web) -> None:
    for path in (PAGE, f"/portal/overflow/requests/{web.house.overflow.granted}"):
        said = text(web, path)
        assert "Pie safe" not in said
        assert "999" not in said
        assert "D02" not in said
    said = text(web, f"/portal/overflow/requests/{web.house.overflow.granted}")
    assert "Taken: 4&#39; 2&#34; to 5&#39; 10&#34;, until Dec 6, 2026" in said
    assert "As it will be on your move-in day" not in said, "the hall bench stands there today"


def test_who_has_and_asked_nothing_reads_what_to_do_first(web: Web) -> None:
    with transaction(web.sessions) as session:
        row = session.get_one(Stay, web.house.overflow.others)
        row.ends_on = date(2026, 11, 1)
    said = text(web, who="other dealer")
    assert "What to do first" in said
    assert "No bay is lent" not in said
    assert "Hall bench" not in said


@pytest.mark.parametrize("deed", ["there", "not-there", "gone", "not-gone", "give-back", "stand-again"])
def test_nobody_says_anything_of_anothers_piece(web: Web, deed: str) -> None:
    answer = send(web.browser("dealer"), f"/portal/overflow/stays/{web.house.overflow.others}/{deed}")
    assert answer.status_code == 404


# --- what is said of a piece ------------------------------------------------------------------------------------------------


def test_a_piece_stands_there_and_does_not(web: Web) -> None:
    client, base = web.browser("dealer"), f"/portal/overflow/stays/{web.house.overflow.stay}"
    assert send(client, f"{base}/there").status_code == 303
    assert stay(web, web.house.overflow.stay).moved_in_on == date(2026, 11, 3)
    assert "Stands there since Nov 3, 2026; until" in text(web)
    send(client, f"{base}/not-there")
    assert stay(web, web.house.overflow.stay).moved_in_on is None


def test_a_piece_to_come_does_not_stand_there_yet(web: Web) -> None:
    answer = send(web.browser("dealer"), f"/portal/overflow/stays/{web.house.overflow.to_come}/there")
    assert answer.status_code == 422
    assert "Cane rocker cannot have moved in on Nov 3, 2026: it has floor from Nov 9, 2026 on, so say it then." in answer.text


def test_a_piece_sold_and_gone_frees_its_floor_and_that_is_undone(web: Web) -> None:
    client, base = web.browser("dealer"), f"/portal/overflow/stays/{web.house.overflow.stay}"
    send(client, f"{base}/gone", sold="1")
    assert stay(web, web.house.overflow.stay).ends_on == date(2026, 11, 3)
    said = plain(client.get(PAGE).text)
    assert "Hall bench is sold and gone, with Nov 3, 2026 as its last day: others may have its floor." in said
    assert "Gone: today was its last day." in said
    send(client, f"{base}/not-gone")
    assert stay(web, web.house.overflow.stay).ends_on == date(2026, 12, 6)


def test_what_the_manager_ended_is_not_the_dealers_to_undo(web: Web) -> None:
    manager = By(web.house.users["manager"])
    with transaction(web.sessions) as session:
        end_stay(session, web.clock.at, session.get_one(Stay, web.house.overflow.stay), on=date(2026, 11, 3), by=manager)
        cancel_stay(session, web.clock.at, session.get_one(Stay, web.house.overflow.to_come), by=manager)
    said = text(web)
    assert "No, it is still there" not in said
    assert "I need it after all" not in said
    for stay_id, deed in ((web.house.overflow.stay, "not-gone"), (web.house.overflow.to_come, "stand-again")):
        answer = send(web.browser("dealer"), f"/portal/overflow/stays/{stay_id}/{deed}")
        assert answer.status_code == 422
        assert "ask the manager to take it back" in answer.text


def test_floor_to_come_is_given_back_and_wanted_again(web: Web) -> None:
    client, base = web.browser("dealer"), f"/portal/overflow/stays/{web.house.overflow.to_come}"
    send(client, f"{base}/give-back")
    assert stay(web, web.house.overflow.to_come).state == "cancelled"
    said = plain(client.get(PAGE).text)
    assert "the piece waits again: withdraw its request if you want no other floor" in said
    assert "Cane rocker: you gave back bay A1-1, Nov 9, 2026 to Dec 6, 2026." in said
    assert "the others have floor" in said
    send(client, f"{base}/stand-again")
    assert stay(web, web.house.overflow.to_come).state == "stands"


def test_floor_asked_back_and_a_piece_out_of_place_are_told_here_and_on_my_booth(web: Web) -> None:
    with transaction(web.sessions) as session:
        row = session.get_one(Stay, web.house.overflow.stay)
        recall(session, web.clock.at, row, why="The fire marshal wants it clear", by=By(web.house.users["manager"]))
        row.moved_in_on = date(2026, 11, 2)
        walk = Walk(mall_id=web.house.mall.id, on_date=date(2026, 11, 2), note="", created_at=web.clock.at)
        session.add(walk)
        session.flush()
        session.add(WalkMark(walk_id=walk.id, stay_id=row.id, mark="out of place", note="a foot into the aisle"))
    said = text(web)
    assert "Asked back on Nov 3, 2026: take it away by the end of Nov 10, 2026; it had floor until Dec 6, 2026." in said
    assert "Why: The fire marshal wants it clear." in said
    assert "It was out of place when the aisles were walked on Nov 2, 2026 (a foot into the aisle)." in said
    home = text(web, "/portal/")
    assert "Lent floor is asked back: Hall bench must go by Nov 10, 2026" in home
    assert "Found out of place in the aisles: Hall bench" in home


def test_an_answer_is_news_for_a_month(web: Web) -> None:
    news = "Floor you asked for : Given by the manager: Hall bench"
    assert news not in text(web, "/portal/"), "it is seven weeks old"
    client = at(web, web.clock.at - timedelta(days=30))
    assert news in plain(client.get("/portal/").text)


def test_a_sold_piece_that_nobody_fetched_is_asked_after_until_it_is_gone(web: Web) -> None:
    with transaction(web.sessions) as session:
        row = session.get_one(Stay, web.house.overflow.to_come)
        row.kind, row.starts_on, row.ends_on = "sold", date(2026, 10, 20), date(2026, 10, 26)
        row.granted_until = row.ends_on
    client = web.browser("dealer")
    assert "Cane rocker is sold, and to be fetched from bay A1-1 since Oct 26, 2026." in plain(client.get(PAGE).text)
    send(client, f"/portal/overflow/stays/{web.house.overflow.to_come}/gone", sold="1")
    assert stay(web, web.house.overflow.to_come).ends_on == date(2026, 11, 3)
    client.get(PAGE)
    assert "to be fetched" not in plain(client.get(PAGE).text)


# --- fairness ---------------------------------------------------------------------------------------------------------------


def test_every_member_sees_who_has_had_how_much_by_code(web: Web) -> None:
    said = text(web, "/portal/overflow/fairness", "other dealer")
    # Of the two weeks since October 20, 48 in. are 8 foot-weeks, and 20 in. are 3 1/3.
    for words in ("D01 a request waits 8 of ", "D02 you 3.3 of ", "You have had 3.3 of ", "Jain’s index is"):
        assert words in said
    assert "Ida Fenwick" not in said
