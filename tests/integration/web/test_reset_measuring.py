"""A booth measured by its pages: by its sides, corner by corner, drawn before it is kept, refused at the field."""

from __future__ import annotations

import re

from sqlalchemy import select

from coop.core.db import transaction
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.models import Mall, Space
from coop.floor.planning import save_plan
from coop.resets.models import BoothMeasure
from coop.resets.reading import booth_of
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_reset_pieces import mistakes

PAGE = "/portal/resets/booths/MAIN/12"
FT = 192
SIDES = {
    "by": "sides",
    "width": "10'",
    "depth": "12'",
    "back-kind": "wall",
    "back-hooks": "y",
    "back-height": "9'",
    "right-kind": "window",
    "front-kind": "open",
    "left-kind": "neighbour",
    "way": "30",
    "aisle": "5'",
    "measured_on": "2026-11-02",
    "measured_by": "Ida Fenwick",
}


def newest(web: Web) -> BoothMeasure:
    with transaction(web.sessions) as session:
        return session.scalars(select(BoothMeasure).order_by(BoothMeasure.number.desc())).first()  # type: ignore[return-value]


def test_a_booth_is_measured_by_its_sides_with_a_post_and_an_outlet(web: Web) -> None:
    client = web.browser("dealer")
    answer = send(
        client,
        f"{PAGE}/measure",
        **SIDES,
        **{"posts-0-x": "2'", "posts-0-y": "3'", "posts-0-width": "6", "posts-0-depth": "6"},
        **{"posts-1-x": "", "posts-1-y": "", "posts-1-width": "", "posts-1-depth": ""},
        **{"outlets-0-x": "0", "outlets-0-y": "12"},
    )
    assert answer.status_code == 303
    row = newest(web)
    kept = booth_of(row)
    assert (row.number, row.way_in16, row.aisle_in16) == (2, 480, 960)
    assert [(side.kind, side.hooks, side.height_in16) for side in kept.sides] == [
        ("wall", True, 9 * FT),
        ("window", False, None),
        ("open", False, None),
        ("neighbour", False, None),
    ]
    assert kept.posts == (((384, 576), (480, 576), (480, 672), (384, 672)),)
    assert kept.outlets == ((0, 192),)
    page = client.get(PAGE).text
    assert "Booth 12 is measured: that is measuring 2 of it." in page
    assert "It measures 120.00 sq ft; your lease says 120.00: the same." in page
    assert "Its left is neighbor’s, no wall between now; it was wall with hooks." in page
    assert 'class="booth-side booth-side-window"' in page
    assert "A help to planning only" in page


def test_a_booth_of_another_shape_is_measured_corner_by_corner(web: Web) -> None:
    client = web.browser("dealer")
    corners = [
        ("0", "0", "wall"),
        ("10'", "0", "wall"),
        ("10'", "6'", "open"),
        ("4'", "6'", "open"),
        ("4'", "12'", "open"),
        ("0", "12'", "wall"),
    ]
    fields = {key: value for key, value in SIDES.items() if "-" not in key and key not in ("width", "depth")} | {"by": "corners"}
    for n, (x, y, kind) in enumerate(corners):
        fields |= {f"corners-{n}-x": x, f"corners-{n}-y": y, f"corners-{n}-kind": kind}
    fields |= {"corners-6-x": "", "corners-6-y": "", "corners-6-kind": "wall"}
    drawn = send(client, f"{PAGE}/measure", **fields, draw="1")
    assert drawn.status_code == 200
    assert "10&#39; 0&#34; wide, 12&#39; 0&#34; deep, 84.00 sq ft" in drawn.text
    assert newest(web).number == 1
    assert send(client, f"{PAGE}/measure", **fields).status_code == 303
    assert [side.kind for side in booth_of(newest(web)).sides] == [kind for _, _, kind in corners]
    again = client.get(f"{PAGE}/measure").text
    assert "Corner 8, and the side" in again, "six of them, and room for two more"
    assert "beyond the 2%" in client.get(PAGE).text


def test_what_is_refused_stands_at_its_field(web: Web) -> None:
    client = web.browser("dealer")
    wrong = {**SIDES, "width": "", "left-height": "high", "measured_on": "2026-11-04"}
    answer = send(client, f"{PAGE}/measure", **wrong, **{"outlets-0-x": "5", "outlets-0-y": ""})
    assert answer.status_code == 422
    assert set(mistakes(answer.text)) == {"width", "left-height", "outlets-0-y"}
    assert 'value="high"' in answer.text
    answer = send(client, f"{PAGE}/measure", **{**SIDES, "measured_on": "2026-11-04", "front-kind": "wall", "measured_by": ""})
    assert mistakes(answer.text) == {
        "back-kind": "No side is open: say by which one people come in.",
        "measured_by": "Write who measured it.",
        "measured_on": "Nov 4, 2026 is to come: give the day it was measured.",
    }
    answer = send(client, f"{PAGE}/measure", **{**SIDES, "width": "10", "by": "sides"}, draw="1")
    assert answer.status_code == 422
    assert "a plain number is inches, so write 10 feet as 10" in mistakes(answer.text)["width"]
    assert newest(web).number == 1


def test_a_form_has_room_for_more_when_asked(web: Web) -> None:
    client = web.browser("dealer")
    page = send(client, f"{PAGE}/measure", **SIDES, more="1", **{"posts-0-x": "2'"})
    assert page.status_code == 200
    assert len(re.findall(r"<legend>Post \d", page.text)) == 2
    assert "2&#39;" in page.text
    assert not mistakes(page.text)


def test_a_booth_is_filled_in_from_the_plan_where_nobody_measured_it(web: Web) -> None:
    def rect(x: float, y: float, w: float, d: float) -> tuple[tuple[int, int], ...]:
        left, top, right, bottom = (round(one * FT) for one in (x, y, x + w, y + d))
        return ((left, top), (right, top), (right, bottom), (left, bottom))

    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        parts = (PartDraft("A1", "aisle", rect(20, 10, 6, 12), None),)
        others = session.scalars(select(Space).where(Space.mall_id == mall.id, Space.code != "12")).all()
        spaces = [SpaceDraft("12", "booth", "front", rect(10, 10, 10, 12))]
        spaces += [SpaceDraft(one.code, one.kind, one.zone, rect(4 * n, 34, 3, 3)) for n, one in enumerate(others)]
        draft = PlanDraft(rect(0, 0, 40, 40), parts=parts, spaces=tuple(spaces))
        save_plan(session, web.clock.at, mall, draft, version=0)
    page = web.browser("dealer").get(f"{PAGE}/measure?from=plan").text
    assert "Filled in from the floor plan: check every figure with a tape." in page
    # Its right side is on the aisle: twelve feet of it lie in front, and it is ten feet deep.
    assert 'name="width" type="text" value="12&#39; 0&#34;"' in page
    assert 'name="depth" type="text" value="10&#39; 0&#34;"' in page


def test_anothers_booth_is_not_there(web: Web) -> None:
    client = web.browser("other dealer")
    for address in (PAGE, f"{PAGE}/measure", "/portal/resets/booths/MAIN/99"):
        assert client.get(address).status_code == 404
    assert send(client, f"{PAGE}/measure", **SIDES).status_code == 404
    assert newest(web).number == 1
