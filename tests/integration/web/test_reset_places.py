"""Places booked for a reset by its page: filled in from the plan, refused with who has it and when it is free; the way."""

from __future__ import annotations

import re

from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_INCH
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.resets.reset_models import Reset, ResetBooking
from coop.resets.ways import set_floor
from tests.factories.leases import make_space
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_reset_pieces import mistakes

INCH = IN16_PER_INCH


def page_of(web: Web) -> str:
    return f"/portal/resets/days/{web.house.resets.reset}"


def rows(*places: tuple[str, str, str]) -> dict[str, str]:
    fields: dict[str, str] = {}
    for n, (place, begins, ends) in enumerate(places):
        fields |= {f"rows-{n}-place": place, f"rows-{n}-begins": begins, f"rows-{n}-ends": ends}
    return fields


def booked(web: Web) -> list[tuple[str, str, int, int]]:
    with transaction(web.sessions) as session:
        found = session.scalars(
            select(ResetBooking)
            .where(ResetBooking.reset_id == web.house.resets.reset)
            .order_by(ResetBooking.from_minute, ResetBooking.kind)
        )
        return [(one.kind, one.place, one.from_minute, one.to_minute) for one in found]


def neighbour_books(web: Web, kind: str, place: str, begin: int, end: int) -> None:
    """Another dealer's reset of another booth on the same day, which has a place."""
    with transaction(web.sessions) as session:
        reset = session.get_one(Reset, web.house.resets.reset)
        space = make_space(session, web.clock.at, session.get_one(Mall, web.house.mall.id), "14")
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        other = Reset(
            dealer_id=dealer.id,
            space_id=space.id,
            on_date=reset.on_date,
            begins_minute=600,
            ends_minute=1080,
            created_at=web.clock.at,
        )
        session.add(other)
        session.flush()
        session.add(
            ResetBooking(
                reset_id=other.id,
                mall_id=space.mall_id,
                kind=kind,
                place=place,
                on_date=reset.on_date,
                from_minute=begin,
                to_minute=end,
            )
        )


def test_it_is_filled_in_from_the_plan_and_booked_as_it_stands(web: Web) -> None:
    client = web.browser("dealer")
    page = client.get(f"{page_of(web)}/places").text
    assert "Filled in from the plan" in page
    chosen = re.findall(r'<option selected value="([^"]+)"', page)
    assert sorted(chosen) == ["aisle:12", "staging:By the dock"], "nothing goes home, so no dock"
    times = dict(re.findall(r'name="rows-(\d-(?:begins|ends))" type="text" value="([^"]+)"', page))
    fields = rows(*((place, times[f"{n}-begins"], times[f"{n}-ends"]) for n, place in enumerate(chosen)))
    answer = send(client, f"{page_of(web)}/places", **fields)
    assert answer.status_code == 303
    kept = booked(web)
    assert {(kind, place) for kind, place, _, _ in kept} == {("staging", "By the dock"), ("aisle", "12")}
    shown = client.get(page_of(web)).text
    assert "2 places are booked for this reset." in shown
    assert "<li>The aisle before Booth 12, " in shown
    again = client.get(f"{page_of(web)}/places").text
    assert "This is what you have." in again


def test_what_a_neighbour_has_is_one_sentence_with_the_next_free_time(web: Web) -> None:
    client = web.browser("dealer")
    neighbour_books(web, "dock", "dock", 600, 720)
    page = client.get(f"{page_of(web)}/places").text
    assert '<th scope="row">The dock</th>' in page
    answer = send(client, f"{page_of(web)}/places", **rows(("dock:dock", "11 am", "1 pm"), ("aisle:12", "10 am", "4 pm")))
    assert answer.status_code == 422
    said = re.findall(r'class="mistake"><span[^>]*>✻</span> ([^<]+)<', answer.text)
    assert len(said) == 1
    assert re.fullmatch(
        r"The dock is taken, Tue, Dec 1, 2026, 10 am to noon, for the reset of Booth 14 by D02: "
        r"the next time all of it is free is Tue, Dec 1, 2026, noon to 2 pm\.",
        said[0],
    ), said[0]
    assert 'value="11 am"' in answer.text, "what was typed is kept"
    assert booked(web) == [], "nothing of it is booked"
    assert send(client, f"{page_of(web)}/places", **rows(("dock:dock", "noon", "2 pm"))).status_code == 303
    assert booked(web) == [("dock", "dock", 720, 840)]


def test_a_front_that_a_neighbour_works_at_is_not_blocked(web: Web) -> None:
    client = web.browser("dealer")
    neighbour_books(web, "dock", "dock", 600, 720)
    answer = send(client, f"{page_of(web)}/places", **rows(("aisle:14", "11 am", "1 pm")))
    assert answer.status_code == 422
    assert "The aisle before Booth 14, which this would block, is needed" in answer.text


def test_what_cannot_be_read_is_told_at_its_row(web: Web) -> None:
    client = web.browser("dealer")
    answer = send(
        client,
        f"{page_of(web)}/places",
        **rows(("dock:dock", "", "noon"), ("aisle:12", "2 pm", "1 pm"), ("aisle:none", "1 pm", "2 pm"), ("", "later", "")),
    )
    assert answer.status_code == 422
    assert set(mistakes(answer.text)) == {"rows-0-begins", "rows-1-ends", "rows-2-place", "rows-3-begins"}
    twice = send(client, f"{page_of(web)}/places", **rows(("dock:dock", "10 am", "noon"), ("dock:dock", "11 am", "1 pm")))
    assert "The dock is written twice for times that run into each other: join them to one." in twice.text
    closed = send(client, f"{page_of(web)}/places", **rows(("dock:dock", "8 am", "9 am")))
    assert "The mall is open only 10 am to 6 pm on Tue, Dec 1, 2026" in closed.text
    assert booked(web) == []


def test_all_is_let_go_and_a_dropped_reset_books_nothing(web: Web) -> None:
    client = web.browser("dealer")
    send(client, f"{page_of(web)}/places", **rows(("dock:dock", "10 am", "noon")))
    assert len(booked(web)) == 1
    send(client, f"{page_of(web)}/places", **rows(("", "", "")))
    assert booked(web) == []
    assert "Nothing is booked for this reset." in client.get(page_of(web)).text
    send(client, f"{page_of(web)}/drop")
    assert "Nothing is booked: this reset is dropped." in client.get(f"{page_of(web)}/places").text
    assert "is over, or was dropped" in send(client, f"{page_of(web)}/places", **rows(("dock:dock", "10 am", "noon"))).text


def test_the_way_is_read_beside_the_reset_and_anothers_is_not_there(web: Web) -> None:
    client = web.browser("dealer")
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        manager = web.house.users["manager"]
        set_floor(session, web.clock.at, mall, "By the dock", 120 * INCH, 60 * INCH, note="Not before 10.", user_id=manager)
    page = client.get(f"{page_of(web)}/way").text
    assert "No way is chosen for this reset." in page
    assert "1. Back door</th><td>a door, width 3&#39; 0&#34;, height 6&#39; 8&#34;</td>" in page
    assert "4 steps, width" in page
    assert "By the dock, 10&#39;\N{NO-BREAK SPACE}0&#34; by 5&#39;\N{NO-BREAK SPACE}0&#34; <small>Not before 10.</small>" in page
    other = web.browser("other dealer")
    for address in ("places", "way"):
        assert other.get(f"{page_of(web)}/{address}").status_code == 404
    assert send(other, f"{page_of(web)}/places", **rows(("dock:dock", "10 am", "noon"))).status_code == 404


def test_what_the_hours_take_beside_what_is_booked_is_told(web: Web) -> None:
    """Booked all day, as the plan needs it, nothing is missed; booked after the moves, the time they take is."""
    client, missed = web.browser("dealer"), "and it is not booked then"
    assert missed not in client.get(page_of(web)).text, "that nothing is booked at all is said already"
    floor = ("staging:By the dock", "10 am", "6 pm")
    assert send(client, f"{page_of(web)}/places", **rows(floor, ("aisle:12", "5 pm", "6 pm"))).status_code == 303
    page = client.get(page_of(web)).text
    told = page[page.index(missed) :].split("</ul>", 1)[0]
    assert re.findall("<li>([^<]+), [^<,]+</li>", told) == ["The aisle before Booth 12"]
    assert send(client, f"{page_of(web)}/places", **rows(floor, ("aisle:12", "10 am", "6 pm"))).status_code == 303
    assert missed not in client.get(page_of(web)).text
