"""The resets of a mall in the office: what is to come and booked, a way measured leg by leg, staging floor, who may."""

from __future__ import annotations

import re

from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_INCH as INCH
from coop.resets.domain.way import Aisle, Corner, Door, Elevator, Leg, Steps
from coop.resets.reset_models import CarryWay, Reset, ResetBooking, StagingFloor
from coop.resets.ways import way_of
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_reset_pieces import mistakes

PAGE = "/office/floor/MAIN/resets"


def leg(n: int, kind: str, name: str, place: int | None = None, **measures: str) -> dict[str, str]:
    fields = {"kind": kind, "name": name, "place": str(place or n + 1), **measures}
    return {f"legs-{n}-{key}": value for key, value in fields.items()}


def way_kept(web: Web, name: str) -> tuple[Leg, ...] | None:
    with transaction(web.sessions) as session:
        row = session.scalar(select(CarryWay).where(CarryWay.name == name))
        return None if row is None else way_of(row).legs


def test_what_is_to_come_is_shown_with_what_it_has_booked(web: Web) -> None:
    reset = web.house.resets.reset
    with transaction(web.sessions) as session:
        row = session.get_one(Reset, reset)
        booked = {"reset_id": reset, "mall_id": web.house.mall.id, "on_date": row.on_date}
        session.add(ResetBooking(kind="dock", place="dock", from_minute=600, to_minute=690, **booked))
        session.add(ResetBooking(kind="aisle", place="12", from_minute=615, to_minute=840, **booked))
    page = web.browser("bookkeeper").get(PAGE).text
    assert '<th scope="row">Booth 12</th><td>D01' in page
    assert "The dock, 10 to 11:30 am<br>The aisle before Booth 12, 10:15 am to 2 pm" in page
    assert "1. Back door</th><td>a door, width 3&#39; 0&#34;, height 6&#39; 8&#34;" in page
    assert "Keep this floor" not in page
    with transaction(web.sessions) as session:
        session.get_one(Reset, reset).state = "dropped"
    assert "No dealer has planned a reset here from today on." in web.browser("manager").get(PAGE).text


def test_a_way_is_measured_leg_by_leg_with_room_for_more(web: Web) -> None:
    client = web.browser("manager")
    page = client.get(f"{PAGE}/ways/new").text
    assert "Leg 1: an aisle" in page
    assert "Leg 2: a door" in page
    fields = {"name": "  Front   doors ", **leg(0, "aisle", "Main aisle", width_in16="44"), **leg(1, "door", "")}
    more = send(client, f"{PAGE}/ways/new", **fields, add="elevator")
    assert more.status_code == 200
    assert "Leg 3: an elevator" in more.text
    assert 'value="44"' in more.text, "what was typed is kept"
    assert re.search(r'<input autofocus id="legs-2-name"', more.text), "one goes on in what was added"
    lift = {"door_width_in16": "36", "door_height_in16": "80", "width_in16": "54", "depth_in16": "68", "height_in16": "84"}
    fields |= leg(2, "elevator", "Freight elevator", limit_oz="2500", **lift)
    fields |= leg(3, "steps", "Dock steps", place=2, count="4", width_in16="44")
    fields |= leg(4, "corner", "By the office", hall_a_in16="48", hall_b_in16="44")
    assert send(client, f"{PAGE}/ways/new", **fields).status_code == 303
    assert way_kept(web, "Front doors") == (
        Aisle("Main aisle", 44 * INCH),
        Steps("Dock steps", 4, 44 * INCH),
        Elevator("Freight elevator", 36 * INCH, 80 * INCH, 54 * INCH, 68 * INCH, 84 * INCH, 2500 * 16),
        Corner("By the office", 48 * INCH, 44 * INCH),
    ), "the empty door is left out, and the steps go second"
    shown = client.get(PAGE).text
    assert "Front doors is measured, 4 legs." in shown
    assert "it may carry 2500 lb" in shown


def test_a_way_measured_again_shows_what_it_has_and_is_told_when_another_was_quicker(web: Web) -> None:
    client = web.browser("manager")
    address = f"{PAGE}/ways/{web.house.resets.way}"
    page = client.get(address).text
    assert 'value="Dock steps"' in page
    version = re.search(r'name="version" type="hidden" value="(\d+)"', page)
    assert version
    fields = {"name": "Back dock", "version": version[1], **leg(0, "door", "Back door", width_in16="35 1/2", height_in16="80")}
    assert send(client, address, **fields).status_code == 303
    assert way_kept(web, "Back dock") == (Door("Back door", 568, 80 * INCH),)
    late = send(client, address, **fields)
    assert late.status_code == 422
    assert "Back dock was measured again after you opened it" in late.text


def test_what_cannot_be_measured_is_told_at_its_field(web: Web) -> None:
    client = web.browser("manager")
    wrong = {
        "name": "",
        **leg(0, "door", "", width_in16="36", height_in16="high"),
        **leg(1, "steps", "Dock steps", count="0", width_in16=""),
        **leg(2, "ladder", "A ladder"),
        **leg(3, "aisle", "Main aisle", width_in16="0", height_in16=""),
    }
    answer = send(client, f"{PAGE}/ways/new", **wrong)
    assert answer.status_code == 422
    assert set(mistakes(answer.text)) == {
        "name",
        "legs-0-name",
        "legs-0-height_in16",
        "legs-1-count",
        "legs-1-width_in16",
        "legs-2-name",
        "legs-3-width_in16",
    }
    none = send(client, f"{PAGE}/ways/new", name="Side door", **leg(0, "door", ""))
    assert "Side door has no legs" in none.text
    twice = send(client, f"{PAGE}/ways/new", name="back dock", **leg(0, "aisle", "Main aisle", width_in16="44"))
    assert "There is a way called Back dock already" in twice.text
    assert way_kept(web, "Side door") is None


def test_a_way_is_taken_away_and_stands_filled_in_unless_a_reset_goes_by_it(web: Web) -> None:
    client = web.browser("manager")
    address = f"{PAGE}/ways/{web.house.resets.way}"
    with transaction(web.sessions) as session:
        session.get_one(Reset, web.house.resets.reset).way_id = web.house.resets.way
    kept = send(client, f"{address}/drop")
    assert kept.status_code == 422
    assert "A reset goes by Back dock, so it is kept" in kept.text
    with transaction(web.sessions) as session:
        session.get_one(Reset, web.house.resets.reset).way_id = None
    gone = send(client, f"{address}/drop")
    assert gone.status_code == 200
    assert way_kept(web, "Back dock") is None
    assert 'value="Dock steps"' in gone.text
    assert 'action="/office/floor/MAIN/resets/ways/new"' in gone.text
    assert client.get(address).status_code == 404


def test_floor_is_lent_measured_again_and_taken_away(web: Web) -> None:
    client = web.browser("manager")
    fields = {"name": "BY THE DOCK", "width": "12'", "depth": "5'", "note": "Not before 10."}
    assert send(client, f"{PAGE}/floors", **fields).status_code == 303
    with transaction(web.sessions) as session:
        rows = session.scalars(select(StagingFloor)).all()
        assert [(row.name, row.width_in16, row.note) for row in rows] == [("By the dock", 144 * INCH, "Not before 10.")]
    filled = client.get(f"{PAGE}?floor={web.house.resets.floor}").text
    assert 'value="By the dock"' in filled
    wrong = send(client, f"{PAGE}/floors", name="", width="wide", depth="")
    assert wrong.status_code == 422
    assert set(mistakes(wrong.text)) == {"name", "width", "depth"}
    nothing = send(client, f"{PAGE}/floors", name="Hall", width="0", depth="5'")
    assert nothing.status_code == 422
    assert "Hall has no size" in nothing.text
    gone = send(client, f"{PAGE}/floors/{web.house.resets.floor}/drop")
    assert gone.status_code == 200
    assert 'value="By the dock"' in gone.text
    assert send(client, f"{PAGE}/floors/{web.house.resets.floor}/drop").status_code == 404
