"""From a page of resets to the one that comes after it: from measuring to sets, from a set to the next and to its reset."""

from __future__ import annotations

import html

from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_INCH
from coop.floor.models import Mall
from coop.resets.domain.caution import CAUTION
from coop.resets.models import BoothSet, SetPiece
from tests.factories.leases import make_space
from tests.integration.web.conftest import Web, send

BOOTH = "/portal/resets/booths/MAIN/12"


def test_a_measured_booth_leads_to_its_sets(web: Web) -> None:
    assert f'href="{BOOTH}/sets">Sets of Booth 12</a>' in web.browser("dealer").get(BOOTH).text


def test_a_set_leads_to_the_next_one_and_a_draft_to_its_reset(web: Web) -> None:
    ida, ids = web.browser("dealer"), web.house.resets
    stands, draft = (html.unescape(ida.get(f"/portal/resets/sets/{one}").text) for one in (ids.stands, ids.draft))
    assert f'href="{BOOTH}/sets?begin={ids.stands}#another"' in stands
    assert "Plan the reset to it" not in stands
    assert f'href="{BOOTH}/reset?set={ids.draft}"' in draft
    page = ida.get(f"{BOOTH}/sets?begin={ids.stands}").text
    assert 'id="another"' in page
    assert f'<option selected value="{ids.stands}">' in page
    unknown = ida.get(f"{BOOTH}/sets?begin=nonsense").text
    assert "<option selected" not in unknown.split('id="source"')[1].split("</select>")[0]


def test_the_caution_stands_beside_two_sets_compared(web: Web) -> None:
    """The page tells how high things hang, and draws the aisle."""
    ids = web.house.resets
    page = web.browser("dealer").get(f"/portal/resets/sets/{ids.stands}/compare/{ids.draft}").text
    assert html.escape(CAUTION).replace("&#x27;", "&#39;") in page


def test_an_aisle_is_offered_before_the_booths_in_their_order(web: Web) -> None:
    """2 comes before 10."""
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        for code in ("2", "10"):
            make_space(session, web.clock.at, mall, code)
    page = web.browser("dealer").get(f"/portal/resets/days/{web.house.resets.reset}/places").text
    select = page.split("<select", 1)[1].split("</select>", 1)[0]
    codes = [part.split('"', 1)[0] for part in select.split('value="aisle:')[1:]]
    assert codes[0] == "12", "the dealer's own first"
    assert codes.index("2") < codes.index("10")


def test_what_may_not_stand_is_said_on_the_page_of_the_set(web: Web) -> None:
    """With the caution, and the box to tick that it stands so all the same."""
    ida, path = web.browser("dealer"), f"/portal/resets/sets/{web.house.resets.draft}"
    with transaction(web.sessions) as session:
        row = session.get_one(BoothSet, web.house.resets.draft)
        version = str(row.version)
        for put in session.scalars(select(SetPiece).where(SetPiece.set_id == row.id, SetPiece.on_piece_id.is_(None))):
            put.x_in16, put.y_in16 = 60 * IN16_PER_INCH, 200 * IN16_PER_INCH
    answer = send(ida, f"{path}/stand", version=version)
    page = html.unescape(answer.text)
    assert answer.status_code == 422
    told = page[page.index('role="alert"') :].split("</div>", 1)[0]
    assert "found against Winter: " in told or "Winter cannot stand like that." in told
    assert CAUTION in told
    assert 'name="anyway"' in page
    assert "stands now, " not in ida.get(path).text
