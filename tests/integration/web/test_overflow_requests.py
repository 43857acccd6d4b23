"""Floor asked for, and sold pieces that wait, in the office: what is shown, given by hand, written down, fetched, and refused."""

from __future__ import annotations

import re
from datetime import date
from html import unescape

from flask.testing import FlaskClient
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_INCH
from coop.leases.editing import By
from coop.overflow.asking import Asked, PieceAsked, change_request
from coop.overflow.models import OverflowAnswer, OverflowPiece, OverflowRequest, Stay
from tests.integration.web.conftest import Web, send

AT = "/office/overflow/MAIN"
DAYS = {"on": "2026-11-09", "until": "2026-12-06"}
CHEST = {"pieces-0-name": "Tea chest", "pieces-0-width": "20", "pieces-0-depth": "1' 6\"", "pieces-0-height": "20"}
TIMES = {"dealer": "D02", "not_before": "2026-11-09", "weeks": "4", "flexible_weeks": "2"}
BENCH = {"dealer": "D02", "name": "Sold bench", "width": "30", "depth": "18", "height": "30", "tag": "D02-7", "bay": "A1-2"}


def words(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def mistakes(page: str) -> dict[str, str]:
    """What is said to be wrong, by the id of its field."""
    found = re.findall(r'class="mistake" id="([^"]+)-wrong">(.*?)</p>', page, re.DOTALL)
    return {name: words(said).removeprefix("✻ ") for name, said in found}


def request_at(web: Web) -> str:
    return f"{AT}/requests/{web.house.overflow.waiting}"


def chest(web: Web) -> int:
    """The piece that waits."""
    with transaction(web.sessions) as session:
        rows = select(OverflowPiece.id).where(OverflowPiece.request_id == web.house.overflow.waiting)
        return session.scalars(rows).one()


def place(web: Web, bay: str = "A1-2", begins: str = "", **more: str) -> dict[str, str]:
    """The fields of the chest's place, and the version of its request as the page has it."""
    typed = {"bay": bay, "begins": begins, **DAYS, **more}
    version = re.search(r'name="version" type="hidden" value="(\d+)"', web.browser("manager").get(request_at(web)).text)
    assert version is not None
    return {f"piece-{chest(web)}-{name}": value for name, value in typed.items()} | {"version": version[1]}


def state(web: Web, request_id: int | None = None) -> str:
    with transaction(web.sessions) as session:
        return session.get_one(OverflowRequest, request_id or web.house.overflow.waiting).state


def stays(web: Web, name: str) -> list[Stay]:
    with transaction(web.sessions) as session:
        rows = select(Stay).join(OverflowPiece, OverflowPiece.id == Stay.piece_id).where(OverflowPiece.name == name)
        return list(session.scalars(rows.order_by(Stay.id)))


# --- the list ---------------------------------------------------------------------------------------------------------------


def test_the_list_has_what_waits_with_its_days_and_is_narrowed_and_taken(web: Web) -> None:
    auditor = web.browser("auditor")
    page = words(auditor.get(f"{AT}/requests").text)
    assert "Blanket chest 3' 4\" × 1' 6\" × 1' 8\" Oct 20, 2026 14 4 from Nov 9 any none yet" in page
    assert "Hall bench" not in page, "it has floor"
    assert "Fern stand" not in page, "it is withdrawn"
    assert "Write a request down" not in page, "that is the manager's"
    assert "There is none like it" in words(auditor.get(f"{AT}/requests?which=partly").text)
    csv = auditor.get(f"{AT}/requests?as=csv").text.splitlines()
    assert csv[0] == "Dealer,Pieces,Asked,Days,Not before,Weeks,Bay wished,Last answer"
    assert "2026-10-20,14,2026-11-09,4,," in csv[1]


# --- given by hand ------------------------------------------------------------------------------------------------------------


def test_floor_is_given_by_hand_beyond_a_limit_only_with_a_tick_and_its_dealer_told(web: Web) -> None:
    """With the bench of 49 in. and the rocker of 25 in., gaps counted, the chest makes 115 in.: 96 in. are the most."""
    manager = web.browser("manager")
    refused = send(manager, f"{request_at(web)}/give", **place(web))
    assert refused.status_code == 422
    assert "D01 would have 9' 7\" of floor at a time" in next(iter(mistakes(refused.text).values()))
    assert "Let it pass this once" in refused.text
    assert stays(web, "Blanket chest") == []
    answer = send(manager, f"{request_at(web)}/give", **place(web), why="She asked first", anyway="y")
    assert answer.status_code == 303
    assert [(one.from_in16, one.starts_on, one.ends_on) for one in stays(web, "Blanket chest")] == [
        (0, date(2026, 11, 9), date(2026, 12, 6))
    ], "the leftmost that is free"
    assert state(web) == "granted"
    page = words(manager.get(request_at(web)).text)
    assert "Given by the manager: Blanket chest in bay A1-2, Nov 9 to Dec 6, 2026 (She asked first)." in page
    assert "Give it floor by hand" not in page


def test_a_place_is_refused_at_its_field_and_what_was_typed_stays(web: Web) -> None:
    manager, key = web.browser("manager"), f"piece-{chest(web)}"

    def told(**typed: str) -> dict[str, str]:
        answer = send(manager, f"{request_at(web)}/give", **place(web, **typed), anyway="y")
        assert answer.status_code == 422
        return mistakes(answer.text)

    assert told(bay="") == {f"{key}-bay": "No piece has a place: choose the bay of one at least."}
    assert told(begins="wide")[f"{key}-begins"].startswith("This ")
    assert told(until="")[f"{key}-until"] == "Write the day, like 2026-12-07."
    assert told(begins="30")[f"{key}-begins"].startswith("Blanket chest would reach beyond the end of bay A1-2")
    assert told(on="2026-11-02")[f"{key}-on"].startswith("The first day, Nov 2, 2026, is past")
    assert told(until="2026-11-08")[f"{key}-until"].startswith("The last day, Nov 8, 2026, is before the first")
    assert "Choose one of those listed." in told(bay="A9-9")[f"{key}-bay"]
    assert told(bay="A1-1")[f"{key}-bay"].startswith("Bay A1-1 has no room for Blanket chest until Dec 6, 2026")
    assert stays(web, "Blanket chest") == []
    page = send(manager, f"{request_at(web)}/give", **place(web, begins="30", until="2026-11-29"), why="Kept").text
    assert 'value="30"' in page
    assert 'value="2026-11-29"' in page
    assert 'value="Kept"' in page


def test_what_its_dealer_changed_since_the_page_was_opened_is_given_no_floor_unseen(web: Web) -> None:
    manager = web.browser("manager")
    opened, chest_id = place(web), chest(web)
    with transaction(web.sessions) as session:
        row = session.get_one(OverflowRequest, web.house.overflow.waiting)
        asked = PieceAsked("Blanket chest", 48 * 16, 18 * 16, 20 * 16, id=chest_id)
        change = Asked(row.not_before, row.weeks, pieces=(asked,))
        change_request(session, web.clock.at, row, change, version=row.version, by=By(web.house.users["dealer"]))
    place_alone = {name: value for name, value in opened.items() if name != "version"}
    for sent in (opened, opened | {"version": ""}, place_alone):
        late = send(manager, f"{request_at(web)}/give", **sent, anyway="y")
        assert late.status_code == 422
        assert "This request was changed since you opened it, and no floor was given: look at it as it is now" in late.text
        assert "4' 0\" × 1' 6\" × 1' 8\"" in words(late.text)
    assert stays(web, "Blanket chest") == []
    assert send(manager, f"{request_at(web)}/give", **place(web), anyway="y").status_code == 303
    assert [one.to_in16 for one in stays(web, "Blanket chest")] == [48 * 16]


def test_a_request_written_down_twice_by_one_form_is_one(web: Web) -> None:
    manager = web.browser("manager")
    key = re.search(r'name="key" type="hidden" value="([0-9a-f]{32})"', manager.get(f"{AT}/requests/new").text)
    assert key is not None
    typed = {"dealer": "D01", "not_before": "2026-11-09", "weeks": "4", "pieces-0-name": "Tin safe"}
    sizes = {"pieces-0-width": "30", "pieces-0-depth": "16", "pieces-0-height": "40"}
    wrong = send(manager, f"{AT}/requests/new", **typed, key=key[1])
    assert f'value="{key[1]}"' in wrong.text, "what was refused is mended by the same form"
    places = {send(manager, f"{AT}/requests/new", **typed, **sizes, key=key[1]).headers["Location"] for _ in range(2)}
    assert len(places) == 1
    assert named(web, "Tin safe") == 1
    other = send(manager, f"{AT}/requests/new", **typed | {"pieces-0-name": "Oak chair"}, **sizes, key=key[1])
    assert other.status_code == 422
    assert mistakes(other.text)["pieces-0-name"].startswith("This form was sent already, and its request is written down")
    assert send(manager, f"{AT}/requests/new", **typed, **sizes, key="f" * 32).headers["Location"] not in places
    assert named(web, "Tin safe") == 2


def test_a_sold_piece_put_down_twice_by_one_form_is_one(web: Web) -> None:
    desk = web.browser("desk")
    key = re.search(r'name="key" type="hidden" value="([0-9a-f]{32})"', desk.get(f"{AT}/sold").text)
    assert key is not None
    typed = {"dealer": "D02", "name": "Tin safe", "width": "12", "depth": "16", "height": "40", "bay": "A1-2"}
    for _ in range(2):
        answer = send(desk, f"{AT}/sold", **typed, until="2026-11-05", key=key[1])
        assert answer.status_code == 303
    assert named(web, "Tin safe") == len(stays(web, "Tin safe")) == 1
    assert "Tin safe waits in bay A1-2 until Nov 5, 2026." in desk.get(f"{AT}/sold").text
    other = send(desk, f"{AT}/sold", **typed | {"name": "Oak chair"}, until="2026-11-05", key=key[1])
    assert other.status_code == 422
    assert mistakes(other.text) == {
        "name": "This form was sent already: Tin safe is written down; open a new one for another piece."
    }
    assert named(web, "Oak chair") == 0
    later = send(desk, f"{AT}/sold", **typed, until="2026-11-06", key=key[1])
    assert later.status_code == 303
    assert "Tin safe waits in bay A1-2 until Nov 5, 2026." in desk.get(f"{AT}/sold").text, "as it is written down"


def named(web: Web, name: str) -> int:
    with transaction(web.sessions) as session:
        return len(session.scalars(select(OverflowPiece.id).where(OverflowPiece.name == name)).all())


def test_a_request_is_withdrawn_for_its_dealer_and_waits_again(web: Web) -> None:
    manager = web.browser("manager")
    assert send(manager, f"{request_at(web)}/withdraw").status_code == 303
    assert state(web) == "withdrawn"
    assert "Let it wait again" in manager.get(request_at(web)).text
    send(manager, f"{request_at(web)}/withdraw", again="yes")
    assert state(web) == "waiting"
    granted = send(manager, f"{AT}/requests/{web.house.overflow.granted}/withdraw")
    assert granted.status_code == 422
    assert "All of this request was granted" in granted.text
    assert manager.get(f"{AT}/requests/999999").status_code == 404


# --- written down ---------------------------------------------------------------------------------------------------------------


def test_a_request_is_written_down_for_a_dealer(web: Web) -> None:
    manager = web.browser("manager")
    more = send(manager, f"{AT}/requests/new", do="more", **TIMES, **CHEST)
    assert more.status_code == 200
    assert 'name="pieces-1-name"' in more.text
    assert 'value="Tea chest"' in more.text
    second = {"pieces-1-name": "", "pieces-1-width": "", "pieces-1-depth": "", "pieces-1-height": ""}
    kept = send(manager, f"{AT}/requests/new", do="keep", **TIMES, **CHEST, **second, **{"pieces-0-weight": "45"})
    assert kept.status_code == 303
    with transaction(web.sessions) as session:
        row = session.scalars(select(OverflowRequest).order_by(OverflowRequest.id.desc())).first()
        assert row is not None
        piece = session.scalars(select(OverflowPiece).where(OverflowPiece.request_id == row.id)).one()
        assert (row.weeks, row.flexible_weeks, row.asked_on) == (4, 2, date(2026, 11, 3))
        assert (piece.name, piece.width_in16, piece.weight_oz, piece.colour) == ("Tea chest", 20 * IN16_PER_INCH, 720, "")
    assert "Tea chest" in manager.get(f"{AT}/requests").text


def test_what_is_wrong_with_a_request_stands_at_its_field(web: Web) -> None:
    manager = web.browser("manager")

    def told(**typed: str) -> dict[str, str]:
        answer = send(manager, f"{AT}/requests/new", do="keep", **{**TIMES, **CHEST, **typed})
        assert answer.status_code == 422
        return mistakes(answer.text)

    assert told(dealer="") == {"dealer": "Choose who asks."}
    assert told(not_before="soon") == {"not_before": "This is not a day. Write it like 2026-10-19."}
    assert told(not_before="2026-11-01")["not_before"].startswith("It begins on Nov 1, 2026, which is past")
    assert told(**{"pieces-0-width": "x"})["pieces-0-width"].startswith("This ")
    assert told(**{"pieces-0-depth": ""})["pieces-0-depth"].startswith("Piece 1, Tea chest: write its depth, above zero")
    assert told(**dict.fromkeys(CHEST, ""))["pieces-0-name"].startswith("No piece is written down")
    assert told(weeks="40")["weeks"] == "Floor is asked for 40 weeks: write 1 to 12."


# --- sold pieces ----------------------------------------------------------------------------------------------------------------


def put(who: FlaskClient, **more: str) -> tuple[int, dict[str, str]]:
    answer = send(who, f"{AT}/sold", **{**BENCH, "until": "2026-11-05", **more})
    return answer.status_code, mistakes(answer.text)


def test_the_desk_puts_a_sold_piece_in_a_bay_and_says_that_it_is_fetched(web: Web) -> None:
    desk = web.browser("desk")
    assert put(desk) == (303, {})
    (stay,) = stays(web, "Sold bench")
    assert (stay.kind, stay.starts_on, stay.ends_on) == ("sold", date(2026, 11, 3), date(2026, 11, 5))
    page = words(desk.get(f"{AT}/sold").text)
    assert "Sold bench tag D02-7 D02" in page
    assert 'A1-2 from 0" Nov 5, 2026 Fetched' in page
    assert f"/stays/{stay.id}" not in desk.get(f"{AT}/sold").text, "the desk has no pages of stays"
    assert send(desk, f"{AT}/sold/{stay.id}/fetched").status_code == 303
    assert [one.ends_on for one in stays(web, "Sold bench")] == [date(2026, 11, 3)]
    page = words(desk.get(f"{AT}/sold").text)
    assert "No sold piece waits in the aisles." in page
    assert "Fetched in the last week" in page
    send(desk, f"{AT}/sold/{stay.id}/fetched", undo="yes")
    assert [one.ends_on for one in stays(web, "Sold bench")] == [date(2026, 11, 5)]
    other = send(desk, f"{AT}/sold/{web.house.overflow.stay}/fetched")
    assert "Hall bench is not a sold piece that waits" in other.text
    assert stays(web, "Hall bench")[0].ends_on == date(2026, 12, 6)


def test_a_sold_piece_that_nobody_fetched_is_listed_first_until_it_is(web: Web) -> None:
    manager = web.browser("manager")
    put(manager)
    (stay,) = stays(web, "Sold bench")
    with transaction(web.sessions) as session:
        row = session.get_one(Stay, stay.id)
        row.starts_on, row.ends_on, row.granted_until = date(2026, 10, 25), date(2026, 11, 1), date(2026, 11, 1)
    assert "Not fetched in time" in manager.get(f"{AT}/sold").text
    send(manager, f"{AT}/sold/{stay.id}/fetched")
    page = manager.get(f"{AT}/sold").text
    assert "Not fetched in time" not in page
    assert "Still there" in page
    assert "piece taken away" in words(manager.get("/office/log").text)


def test_what_is_wrong_with_a_sold_piece_stands_at_its_field(web: Web) -> None:
    desk = web.browser("desk")
    assert put(desk, dealer="")[1] == {"dealer": "Choose whose it was."}
    assert put(desk, width="")[1]["width"].startswith("Sold bench: write its width, above zero")
    assert put(desk, until="2027-06-01")[1]["until"].startswith("Sold bench would wait until Jun 1, 2027")
    assert put(desk, until="2026-11-01")[1]["until"].startswith("The last day, Nov 1, 2026, is before the first")
    assert put(desk, bay="A1-1", width="50")[1]["bay"].startswith("Bay A1-1 has no free place of 4' 2\"")
    assert put(desk, begins="50")[1]["begins"].startswith("Sold bench would reach beyond the end of bay A1-2")
    assert stays(web, "Sold bench") == []


def test_answers_are_kept_as_they_were_told(web: Web) -> None:
    with transaction(web.sessions) as session:
        session.add(
            OverflowAnswer(
                request_id=web.house.overflow.waiting, answer="refused", sentence="Every bay is taken.", at=web.clock.at
            )
        )
    page = words(web.browser("auditor").get(request_at(web)).text)
    assert "What its dealer was told Nov 3, 2026, 9:00 am : Every bay is taken." in page
    assert "Every bay is taken." in words(web.browser("auditor").get(f"{AT}/requests?which=told").text)


def test_floor_given_for_fewer_weeks_than_were_asked_for_is_said_as_that(web: Web) -> None:
    """It was given 48 days at most, and seven weeks were asked for."""
    granted = web.house.overflow.granted
    assert "granted for fewer weeks</small></h1>" in web.browser("manager").get(f"{AT}/requests/{granted}").text
    with transaction(web.sessions) as session:
        session.get_one(OverflowRequest, granted).weeks = 1
    assert "granted</small></h1>" in web.browser("manager").get(f"{AT}/requests/{granted}").text
