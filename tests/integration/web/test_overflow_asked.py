"""A dealer asks for floor in the portal: how it is written, refused at its field, and the request changed and withdrawn."""

from __future__ import annotations

import re
from datetime import date, timedelta
from decimal import Decimal

from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease
from coop.overflow.models import OverflowPiece, OverflowRequest
from coop.resets.models import PieceRow
from tests.factories.overflow_floor import lay_bay, lay_rules
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_overflow_portal import PAGE, at, plain

ASK = "/portal/overflow/ask"
CHEST = {"pieces-0-name": "Blanket box", "pieces-0-width": "3'", "pieces-0-depth": "18", "pieces-0-height": "20"}
TIMES = {"not_before": "2026-11-09", "weeks": "4", "flexible_weeks": "1", "bay": ""}


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
        in mistakes(answer.text)["pieces-0-depth"]
    )
    other = CHEST | {"pieces-0-depth": "30", "pieces-1-name": "Case", "pieces-1-width": "20", "pieces-1-depth": "20"}
    glass = {"pieces-1-height": "30", "pieces-1-glass": "y"}
    with transaction(web.sessions) as session:
        lay_rules(session, session.get_one(Mall, web.house.mall.id), glass="nowhere")
    every = send(web.browser("dealer"), ASK, **other, **glass, **TIMES | {"not_before": "2026-11-01"}, do="keep")
    assert mistakes(every.text).keys() == {"pieces-0-depth", "pieces-1-glass", "not_before"}, "each at its own field, all at once"


def test_looking_first_tells_the_cost_and_the_cautions_and_asks_for_nothing(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        lay_rules(session, mall, fee_kind="foot-week", fee_cents=150, most_in16=10 * IN16_PER_FOOT)
    before = len(asked(web))
    answer = send(web.browser("dealer"), ASK, **CHEST | {"pieces-0-weight": "80 lb"}, **TIMES, do="look")
    assert answer.status_code == 200
    said = plain(answer.text)
    # 3 feet for 4 weeks at $1.50.
    assert "For 4 weeks this piece comes to $18.00 , by the rules of that day." in said
    assert "Nothing is in its way, as things are now. It is not asked yet. It would cost $18.00." in said
    assert "It weighs 80 lb: lift it with more than one person." in said
    assert len(asked(web)) == before
    # The bench has 4' 1" from the first day, the rocker 2' 1", the box would have 3' 1": with the gaps beside them.
    assert (
        "On Nov 9 to Dec 6, 2026 you have 6&#39; 2&#34; with 2 pieces in the aisles already, until Dec 6, 2026; with all of this "
        "it would be 9&#39; 3&#34; with 3 pieces, of 10&#39; 0&#34; along the bays and 4 pieces at a time."
    ) in said


def test_looking_first_tells_what_a_dealer_has_of_the_limits_on_the_days_asked_for(web: Web) -> None:
    """It may be asked for all the same, since it may begin later; after the last day of what is had nothing is said of it."""
    client = web.browser("dealer")
    over = (
        "On Nov 9 to Dec 6, 2026 you have 6&#39; 2&#34; with 2 pieces in the aisles already, until Dec 6, 2026: with all of this "
        "it would be 9&#39; 3&#34; with 3 pieces, and a dealer has at most 8&#39; 0&#34; along the bays and 4 pieces at a time. "
        "So not all of it can stand there with what you have: it waits, or begins when that has gone."
    )
    said = plain(send(client, ASK, **CHEST, **TIMES, do="look").text)
    assert "It may be asked for, but your own floor is in its way. It is not asked yet." in said
    assert over in said
    assert "Nothing is in its way" not in said
    kept = send(client, ASK, **CHEST, **TIMES, do="keep")
    assert over in plain(client.get(kept.headers["Location"]).text)
    later = plain(send(client, ASK, **CHEST, **TIMES | {"not_before": "2026-12-07"}, do="look").text)
    assert "Nothing is in its way, as things are now." in later
    assert "in the aisles already" not in later
    other = plain(send(web.browser("other dealer"), ASK, **CHEST, **TIMES, do="look").text)
    assert "you have 1&#39; 9&#34; with one piece in the aisles already" in other


def test_a_piece_is_reckoned_as_it_can_stand_in_some_bay(web: Web) -> None:
    """Bays are 2 ft deep: what is deeper stands turned, and takes its depth of them; where bays differ the cost does."""
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        lay_rules(session, mall, fee_kind="foot-week", fee_cents=150, most_in16=20 * IN16_PER_FOOT)
    client = web.browser("dealer")
    cabinet = CHEST | {"pieces-0-width": "20", "pieces-0-depth": "3'", "pieces-0-may_turn": "y"}
    turned = plain(send(client, ASK, **cabinet, **TIMES, do="look").text)
    # 3 feet for 4 weeks at $1.50; by its width it would be $10.00.
    assert "For 4 weeks this piece comes to $18.00 , by the rules of that day." in turned
    assert "It would cost $18.00." in turned
    with transaction(web.sessions) as session:
        lay_bay(session, session.get_one(Mall, web.house.mall.id), "A9-1", depth=36, y=300)
    either = send(client, ASK, **cabinet, **TIMES, do="look")
    assert "For 4 weeks this piece costs from $10.00 to $18.00 , depending on the bay, by the rules of that day." in plain(
        either.text
    )
    assert "It would cost from $10.00 to $18.00." in plain(either.text)
    wished = plain(send(client, ASK, **cabinet, **TIMES | {"bay": "MAIN A1-2"}, do="look").text)
    assert "It would cost $18.00." in wished
    kept = send(client, ASK, **cabinet, **TIMES | {"bay": "MAIN A1-2"}, do="keep")
    assert "this piece comes to $18.00" in plain(client.get(kept.headers["Location"]).text)


def test_a_request_that_may_begin_later_says_that_it_goes_on_from_each_new_draft(web: Web) -> None:
    client = web.browser("dealer")
    said = (
        "It goes on waiting: from each new draft’s first day, or from Nov 9, 2026 if that is later, it may begin up to {} later."
    )
    for weeks, words in (("1", "a week"), ("4", "4 weeks")):
        kept = send(client, ASK, **CHEST, **TIMES | {"flexible_weeks": weeks}, do="keep")
        page = kept.headers["Location"]
        assert said.format(words) in plain(client.get(page).text)
        number = page.rpartition("/")[2]
        manager = web.browser("manager")
        assert said.format(words) in plain(manager.get(f"/office/overflow/MAIN/requests/{number}").text)
    assert "from each new draft’s first day it may begin so many weeks later" in plain(
        manager.get("/office/overflow/MAIN/requests").text
    )
    assert "While it waits, that counts from each new draft’s first day." in plain(client.get(ASK).text)
    send(client, f"{page}/withdraw")
    assert "goes on waiting" not in plain(client.get(page).text)


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


def test_one_more_piece_below_an_empty_row_says_that_the_row_is_the_one_more(web: Web) -> None:
    client = web.browser("dealer")
    empty = send(client, ASK, **dict.fromkeys(CHEST, ""), **TIMES, do="more")
    assert mistakes(empty.text) == {"pieces-0-name": "✻ This row is empty: write a piece in it first, and then one more row."}
    below = send(client, ASK, **CHEST, **{key.replace("-0-", "-1-"): "" for key in CHEST}, **TIMES, do="more")
    assert list(mistakes(below.text)) == ["pieces-1-name"]
    assert mistakes(send(client, ASK, **CHEST, **TIMES, do="more").text) == {}


def test_the_weeks_that_may_be_asked_for_are_the_house_s(web: Web) -> None:
    client = web.browser("dealer")
    for typed, said in (
        ("60", "Floor is asked for 60 weeks: write 1 to 12."),
        ("0", "Floor is asked for 0 weeks: write 1 to 12."),
        ("two", "Write a whole number of weeks, like 4."),
        ("9" * 7, "Write a whole number of weeks, like 4."),
    ):
        answer = send(client, ASK, **CHEST, **TIMES | {"weeks": typed}, do="keep")
        assert answer.status_code == 422
        assert mistakes(answer.text) == {"weeks": f"✻ {said}"}
    assert send(client, ASK, **CHEST, **TIMES | {"weeks": "999999"}, do="more").status_code == 200


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


def test_a_request_of_another_is_not_found(web: Web) -> None:
    base = f"/portal/overflow/requests/{web.house.overflow.waiting}"
    other = web.browser("other dealer")
    assert other.get(base).status_code == 404
    assert other.get(f"{base}/change").status_code == 404
    for deed in ("change", "withdraw", "again"):
        assert send(other, f"{base}/{deed}", **CHEST, **TIMES, do="keep").status_code == 404


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


def test_the_day_of_a_waiting_request_may_be_past_and_what_is_wrong_is_no_change(web: Web) -> None:
    base = f"/portal/overflow/requests/{web.house.overflow.waiting}"
    client = at(web, web.clock.at + timedelta(days=20))
    shown = client.get(f"{base}/change").text
    assert 'value="2026-11-09"' in shown
    wrong = send(client, f"{base}/change", **CHEST, **TIMES | {"not_before": "2026-11-10"}, **unseen(shown), do="keep")
    assert "which is past" in mistakes(wrong.text)["not_before"]
    assert "Nothing is changed yet: what is to be mended stands at its field." in plain(wrong.text)
    looked = send(client, f"{base}/change", **CHEST, **TIMES, **unseen(shown), do="look")
    assert "It is not changed yet." in plain(looked.text)
    assert send(client, f"{base}/change", **CHEST, **TIMES, **unseen(shown), do="keep").status_code == 303
    assert [one.name for one in pieces(web, web.house.overflow.waiting)] == ["Blanket box"]


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
    other = send(client, ASK, **CHEST | {"pieces-0-name": "Oak chair"}, **TIMES, key=key, do="keep")
    assert other.status_code == 422
    assert "This form was sent already, and its request is written down" in mistakes(other.text)["pieces-0-name"]
    assert len(asked(web)) == before
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
