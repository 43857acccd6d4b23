"""A dealer's pages of lent floor: what stands on them, what is asked and said there, what is refused, and what is not hers."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_INCH
from coop.dealers import service as people
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease
from coop.leases.editing import By
from coop.overflow.models import OverflowDraft, OverflowPiece, OverflowRequest, Stay, Walk, WalkMark
from coop.overflow.recalling import recall
from coop.overflow.staying import cancel_stay, end_stay
from coop.resets.models import PieceRow
from tests.factories.overflow_floor import lay_bay, lay_rules
from tests.integration.web.conftest import Web, send

PAGE = "/portal/overflow/"
ASK = "/portal/overflow/ask"
CHEST = {"pieces-0-name": "Blanket box", "pieces-0-width": "3'", "pieces-0-depth": "18", "pieces-0-height": "20"}
TIMES = {"not_before": "2026-11-09", "weeks": "4", "flexible_weeks": "1", "bay": ""}


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


def pieces(web: Web, request_id: int) -> list[OverflowPiece]:
    with transaction(web.sessions) as session:
        rows = select(OverflowPiece).where(OverflowPiece.request_id == request_id).order_by(OverflowPiece.id)
        return list(session.scalars(rows))


def asked(web: Web) -> list[OverflowRequest]:
    with transaction(web.sessions) as session:
        return list(session.scalars(select(OverflowRequest).order_by(OverflowRequest.id)))


def mistakes(html: str) -> dict[str, str]:
    """What is said to be wrong, by the id of its field."""
    return {
        name: plain(said).strip() for name, said in re.findall(r'class="mistake" id="([^"]+)-wrong">(.*?)</p>', html, re.DOTALL)
    }


def unseen(html: str) -> dict[str, str]:
    """What a form carries that nobody types, by its name."""
    fields = [tag for tag in re.findall(r"<input[^>]*>", html) if 'type="hidden"' in tag and "csrf_token" not in tag]
    return {re.findall(r' name="([^"]*)"', tag)[0]: re.findall(r' value="([^"]*)"', tag)[0] for tag in fields}


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


def test_a_request_of_another_is_not_found(web: Web) -> None:
    base = f"/portal/overflow/requests/{web.house.overflow.waiting}"
    other = web.browser("other dealer")
    assert other.get(base).status_code == 404
    assert other.get(f"{base}/change").status_code == 404
    for deed in ("change", "withdraw", "again"):
        assert send(other, f"{base}/{deed}", **CHEST, **TIMES, do="keep").status_code == 404


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


# --- asking -----------------------------------------------------------------------------------------------------------------


def test_floor_is_asked_for_with_lengths_as_people_write_them(web: Web) -> None:
    client = web.browser("dealer")
    more = {
        "pieces-0-weight": "45 lb",
        "pieces-0-main-has": "y",
        "pieces-0-main-colour": "#8a5a2b",
        "pieces-0-grouping": "bedroom",
        "pieces-0-price": "$240",
        "pieces-0-tag": "D01-12",
        "pieces-0-may_turn": "y",
        "pieces-1-name": "Mirror",
        "pieces-1-width": "61 cm",
        "pieces-1-depth": "2 1/2",
        "pieces-1-height": "4' 1\"",
        "pieces-1-glass": "y",
        "pieces-1-main-colour": "#808080",
        "pieces-2-main-colour": "#808080",
    }
    answer = send(client, ASK, **CHEST, **TIMES | {"bay": "MAIN A1-2", "note": "Near my booth"}, **more, do="keep")
    # 24 in. on a base of 2 1/2 in.: it tips, and both bays are at a wall.
    assert answer.status_code == 303, mistakes(answer.text)
    row = asked(web)[-1]
    assert (row.not_before, row.weeks, row.flexible_weeks, row.bay_code) == (date(2026, 11, 9), 4, 1, "A1-2")
    assert (row.state, row.asked_on, row.note) == ("waiting", date(2026, 11, 3), "Near my booth")
    box, mirror = pieces(web, row.id)
    assert (box.width_in16, box.depth_in16, box.height_in16) == (36 * IN16_PER_INCH, 18 * IN16_PER_INCH, 20 * IN16_PER_INCH)
    assert (box.weight_oz, box.colour, box.grouping, box.price_cents, box.tag) == (720, "#8a5a2b", "bedroom", 240_00, "D01-12")
    assert (box.glass, box.may_turn) == (False, True)
    assert (mirror.colour, mirror.glass, mirror.may_turn, mirror.price_cents) == ("", True, False, None)
    assert answer.headers["Location"].endswith(f"/requests/{row.id}")


def test_all_that_is_wrong_is_told_at_its_field_at_once_and_nothing_is_kept(web: Web) -> None:
    before = len(asked(web))
    wrong = {
        "pieces-0-name": "",
        "pieces-0-width": "wide",
        "pieces-0-depth": "18",
        "pieces-0-height": "",
        "pieces-1-name": "Clock",
        "pieces-1-width": "12",
        "pieces-1-depth": "0",
        "pieces-1-height": "30",
        "pieces-1-weight": "heavy",
    }
    answer = send(web.browser("dealer"), ASK, **wrong, not_before="2026-11-01", weeks="13", flexible_weeks="0", do="keep")
    assert answer.status_code == 422
    said = mistakes(answer.text)
    assert set(said) == {
        "pieces-0-name",
        "pieces-0-width",
        "pieces-0-height",
        "pieces-1-depth",
        "pieces-1-weight",
        "not_before",
        "weeks",
    }
    assert "is not a length" in said["pieces-0-width"]
    assert "Piece 1: write its height, above zero" in said["pieces-0-height"]
    assert "Piece 2, Clock: write its depth, above zero" in said["pieces-1-depth"]
    assert "which is past" in said["not_before"]
    assert "write 1 to 12" in said["weeks"]
    assert 'value="wide"' in answer.text, "what was typed is kept"
    assert len(asked(web)) == before


def test_a_piece_for_which_no_bay_is_large_enough_is_told_at_its_row(web: Web) -> None:
    answer = send(web.browser("dealer"), ASK, **CHEST | {"pieces-0-depth": "30"}, **TIMES, do="keep")
    assert answer.status_code == 422
    assert (
        "Piece 1, Blanket box is 2&#39; 6&#34; deep; the deepest bay is 2&#39; 0&#34; deep; ask the manager"
        in mistakes(answer.text)["pieces-0-name"]
    )


def test_looking_first_tells_the_cost_and_the_cautions_and_asks_for_nothing(web: Web) -> None:
    with transaction(web.sessions) as session:
        lay_rules(session, session.get_one(Mall, web.house.mall.id), fee_kind="foot-week", fee_cents=150)
    before = len(asked(web))
    answer = send(web.browser("dealer"), ASK, **CHEST | {"pieces-0-weight": "80 lb"}, **TIMES, do="look")
    assert answer.status_code == 200
    said = plain(answer.text)
    # 3 feet for 4 weeks at $1.50.
    assert "For 4 weeks this piece comes to $18.00 , by the rules of that day." in said
    assert "Nothing is in its way, as things are now. It is not asked yet. It would cost $18.00." in said
    assert "It weighs 80 lb: lift it with more than one person." in said
    assert len(asked(web)) == before


def test_rows_are_added_filled_with_own_pieces_and_taken_out(web: Web) -> None:
    client = web.browser("dealer")
    with transaction(web.sessions) as session:
        own = session.get_one(PieceRow, web.house.resets.piece)
        theirs = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        other = PieceRow(
            dealer_id=theirs.id,
            name="Secret",
            name_key="secret",
            width_in16=64,
            depth_in16=64,
            height_in16=64,
            created_at=web.clock.at,
        )
        session.add(other)
        session.flush()
    filled = client.get(f"{ASK}?piece={own.id}&piece={other.id}&piece=x")
    assert f'value="{own.name}"' in filled.text
    assert "Secret" not in filled.text
    more = send(client, ASK, **CHEST, **TIMES, do="more")
    assert 'name="pieces-1-name"' in more.text
    assert 'value="Blanket box"' in more.text
    taken = send(client, ASK, **CHEST, **TIMES, do="fill", take=str(own.id))
    assert f'id="pieces-1-name" name="pieces-1-name" type="text" value="{own.name}"' in taken.text
    out = send(client, ASK, **CHEST, **TIMES, do="out-0")
    assert "Blanket box" not in out.text
    assert "mistake" not in out.text


def test_a_request_without_a_piece_says_so(web: Web) -> None:
    answer = send(web.browser("dealer"), ASK, **TIMES, do="keep")
    assert answer.status_code == 422
    assert "No piece is written down" in mistakes(answer.text)["pieces-0-name"]


def test_pieces_that_cannot_stand_side_by_side_are_told_where_that_is_asked(web: Web) -> None:
    second = {key.replace("-0-", "-1-"): value for key, value in CHEST.items()}
    wide = {"pieces-0-width": "5'", "pieces-1-width": "5'"}
    answer = send(web.browser("dealer"), ASK, **CHEST | second | wide, **TIMES, together="y", do="keep")
    assert answer.status_code == 422
    assert "Side by side these pieces take 10&#39; 2&#34;" in mistakes(answer.text)["together"]


def test_who_rents_at_two_malls_says_at_which_and_wishes_a_bay_of_that(web: Web) -> None:
    with transaction(web.sessions) as session:
        annex = add_mall(session, web.clock.at, "ANNEX", name="The Annex", timezone="America/Chicago")
        ida = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        make_lease(session, web.clock.at, annex, ida, starts_on=date(2026, 10, 1), commission_percent=Decimal(10))
        lay_bay(session, annex, "B1-1")
    client = web.browser("dealer")
    shown = plain(client.get(ASK).text)
    assert "MAIN A1-2, 5&#39; 0&#34; long, 2&#39; 0&#34; deep, at a wall" in shown
    other = send(client, ASK, **CHEST, **TIMES | {"bay": "MAIN A1-2"}, mall="ANNEX", do="keep")
    assert "This bay is in another mall" in mistakes(other.text)["bay"]
    none = send(client, ASK, **CHEST, **TIMES, mall="", do="keep")
    assert mistakes(none.text) == {"mall": "✻ Choose one of those listed."}
    answer = send(client, ASK, **CHEST, **TIMES | {"bay": "ANNEX B1-1"}, mall="ANNEX", do="keep")
    assert answer.status_code == 303
    assert asked(web)[-1].mall_id != web.house.mall.id
    assert "The Annex" in plain(client.get(PAGE).text)


# --- one request ------------------------------------------------------------------------------------------------------------


def test_a_request_is_changed_against_the_version_it_was_opened_with(web: Web) -> None:
    client, base = web.browser("dealer"), f"/portal/overflow/requests/{web.house.overflow.waiting}"
    shown = client.get(f"{base}/change").text
    version = re.search(r'name="version" value="(\d+)"', shown)
    assert version is not None
    assert 'value="Blanket chest"' in shown
    answer = send(client, f"{base}/change", **CHEST, **TIMES, version=version[1], do="keep")
    assert answer.status_code == 303
    assert [piece.name for piece in pieces(web, web.house.overflow.waiting)] == ["Blanket box"]
    late = send(client, f"{base}/change", **CHEST, **TIMES | {"weeks": "2"}, version=version[1], do="keep")
    assert late.status_code == 422
    assert "was changed since you opened it" in late.text
    added = send(client, f"{base}/change", **CHEST, **TIMES, version=version[1], do="more")
    assert f'name="version" value="{version[1]}"' in added.text, "a row more is no look at the newer one"


def test_the_rows_of_a_change_carry_the_pieces_they_are_of(web: Web) -> None:
    """Of two pieces the first is taken out: the second stays the one it was. A row of another request's piece is refused."""
    client, base = web.browser("dealer"), f"/portal/overflow/requests/{web.house.overflow.waiting}"
    stool = {"pieces-1-name": "Stool", "pieces-1-width": "15", "pieces-1-depth": "15", "pieces-1-height": "18"}
    (chest,) = pieces(web, web.house.overflow.waiting)
    assert (
        send(
            client, f"{base}/change", **CHEST, **stool, **TIMES, **unseen(client.get(f"{base}/change").text), do="keep"
        ).status_code
        == 303
    )
    _, kept = pieces(web, web.house.overflow.waiting)
    said = unseen(client.get(f"{base}/change").text)
    assert said | {"version": ""} == {"version": "", "pieces-0-piece_id": str(chest.id), "pieces-1-piece_id": str(kept.id)}
    out = send(client, f"{base}/change", **CHEST, **stool, **TIMES, **said, do="out-0")
    assert list(unseen(out.text).values()) == [said["version"], str(kept.id)]
    del said["pieces-0-piece_id"]
    assert send(client, f"{base}/change", **stool, **TIMES, **said, do="keep").status_code == 303
    assert [(one.id, one.name) for one in pieces(web, web.house.overflow.waiting)] == [(kept.id, "Stool")]
    forged = unseen(client.get(f"{base}/change").text)
    for other in (str(pieces(web, web.house.overflow.granted)[0].id), "9" * 30, "x"):
        refused = send(client, f"{base}/change", **CHEST, **TIMES, **forged | {"pieces-0-piece_id": other}, do="keep")
        assert "this row is of no piece of this request" in mistakes(refused.text)["pieces-0-name"]
    fresh = send(client, ASK, **CHEST, **TIMES, **{"pieces-0-piece_id": str(kept.id)}, do="keep")
    assert "this row is of no piece of this request" in mistakes(fresh.text)["pieces-0-name"]
    assert "piece_id" not in client.get(f"{ASK}?like={web.house.overflow.waiting}").text


def test_floor_asked_for_twice_by_one_form_is_one_request(web: Web) -> None:
    """Pressed twice before the answer came; a further form asks anew, and looking at it uses its key up for nothing."""
    client = web.browser("dealer")
    key = unseen(client.get(ASK).text)["key"]
    looked = send(client, ASK, **CHEST, **TIMES, key=key, do="look")
    assert unseen(looked.text) == {"key": key}
    answers = [send(client, ASK, **CHEST, **TIMES, key=key, do="keep") for _ in range(2)]
    assert [answer.status_code for answer in answers] == [303, 303]
    assert answers[0].headers["Location"] == answers[1].headers["Location"]
    before = len(asked(web))
    assert unseen(client.get(ASK).text)["key"] != key
    send(client, ASK, **CHEST, **TIMES, key=unseen(client.get(ASK).text)["key"], do="keep")
    assert len(asked(web)) == before + 1
    assert [row.key for row in asked(web)].count(key) == 1


def test_a_request_is_withdrawn_and_taken_up_again(web: Web) -> None:
    client, base = web.browser("dealer"), f"/portal/overflow/requests/{web.house.overflow.waiting}"
    send(client, f"{base}/withdraw")
    said = plain(client.get(base).text)
    assert "The request is withdrawn: nothing of it waits any more." in said
    assert "Ask for it again" in said
    send(client, f"{base}/again")
    assert "It waits again, and has since the day it was asked." in plain(client.get(base).text)
    assert asked(web)[1].state == "waiting"


def test_the_same_is_asked_anew_from_today_on_but_never_as_another_asked(web: Web) -> None:
    path = f"{ASK}?like={web.house.overflow.granted}"
    own = web.browser("dealer").get(path).text
    assert 'value="Hall bench"' in own
    assert 'value="Cane rocker"' in own
    assert 'value="2026-11-03"' in own
    assert "Hall bench" not in web.browser("other dealer").get(path).text


def test_a_granted_request_is_neither_changed_nor_withdrawn(web: Web) -> None:
    client, base = web.browser("dealer"), f"/portal/overflow/requests/{web.house.overflow.granted}"
    assert client.get(f"{base}/change").status_code == 303
    assert send(client, f"{base}/change", **CHEST, **TIMES, do="keep").status_code == 422
    answer = send(client, f"{base}/withdraw")
    assert answer.status_code == 422
    assert "give back its floor instead" in answer.text


# --- fairness ---------------------------------------------------------------------------------------------------------------


def test_every_member_sees_who_has_had_how_much_by_code(web: Web) -> None:
    said = text(web, "/portal/overflow/fairness", "other dealer")
    # Of the two weeks since October 20, 48 in. are 8 foot-weeks, and 20 in. are 3 1/3.
    for words in ("D01 a request waits 8 of ", "D02 you 3.3 of ", "You have had 3.3 of ", "Jain’s index is"):
        assert words in said
    assert "Ida Fenwick" not in said
