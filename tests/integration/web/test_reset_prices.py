"""A set repriced by its page: filled in by a percent, kept, refused at the price, its tags as CSV and in the plan."""

from __future__ import annotations

import re

from sqlalchemy import select

from coop.core.db import transaction
from coop.resets.models import PieceRow, SetPrice
from coop.resets.reset_models import Reset
from coop.resets.working import read_facts
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_reset_pieces import mistakes

NOW_CENTS = {"Oak dresser": 245_00, "Pine table": 89_50, "Cane chair": 35_00}


def page_of(web: Web) -> str:
    return f"/portal/resets/sets/{web.house.resets.draft}"


def lay_prices(web: Web) -> dict[str, int]:
    """Prices of some pieces; the ids of all by name."""
    with transaction(web.sessions) as session:
        rows = {row.name: row for row in session.scalars(select(PieceRow))}
        for name, cents in NOW_CENTS.items():
            rows[name].price_cents = cents
        rows["Cane chair"].bound = "held"
        rows["Pine table"].tag = "D01-0042"
        return {name: row.id for name, row in rows.items()}


def fields_of(page: str) -> dict[str, str]:
    """The fields of the form that keeps prices, as the page shows them."""
    form = page[page.index('name="csrf_token"') :]
    inputs = re.findall(r"<input ([^>]+)>", form)
    named = {m[1]: one for one in inputs if (m := re.search(r'name="([^"]+)"', one))}
    return {
        name: (re.search(r'value="([^"]*)"', one) or [None, ""])[1]
        for name, one in named.items()
        if name.startswith(("rows-", "version"))
    }


def field_of(page: str, piece_id: int) -> str:
    """The name of the price field of a piece."""
    found = next(name for name, value in fields_of(page).items() if name.endswith("-piece") and value == str(piece_id))
    return found.removesuffix("piece") + "price"


def kept(web: Web) -> dict[int, int]:
    with transaction(web.sessions) as session:
        rows = session.scalars(select(SetPrice).where(SetPrice.set_id == web.house.resets.draft))
        return {row.piece_id: row.price_cents for row in rows}


def test_all_prices_are_filled_in_by_a_percent_and_kept_when_sent(web: Web) -> None:
    ids = lay_prices(web)
    client = web.browser("dealer")
    filled = client.get(f"{page_of(web)}/prices?percent=-10").text
    assert "Filled in below, and not kept yet" in filled
    assert kept(web) == {}
    fields = fields_of(filled)
    # 245.00 less a tenth is 220.50, and 89.50 is 80.55: to the whole dollar, a half up.
    assert fields[field_of(filled, ids["Oak dresser"])] == "221.00"
    assert fields[field_of(filled, ids["Pine table"])] == "81.00"
    assert fields[field_of(filled, ids["Brass lamp"])] == "", "what has no price has none by a percent"
    assert "Cane chair" in filled
    assert "held: its tag stays" in filled
    assert send(client, f"{page_of(web)}/prices", **fields).status_code == 303
    assert kept(web) == {ids["Oak dresser"]: 221_00, ids["Pine table"]: 81_00}
    page = client.get(f"{page_of(web)}/prices").text
    assert "The prices are kept: 2 tags to write." in page
    csv = client.get(f"{page_of(web)}/tags.csv")
    assert csv.text.splitlines() == [
        "piece,tag,grouping,price_now,price_to_be",
        "Oak dresser,,bedroom,245.00,221.00",
        "Pine table,D01-0042,kitchen,89.50,81.00",
    ]
    with transaction(web.sessions) as session:
        facts = read_facts(session, session.get_one(Reset, web.house.resets.reset))
        assert facts.prices is not None
        assert facts.prices[str(ids["Oak dresser"])] == (245_00, 221_00)
    assert "have changed since this was worked out" in client.get(f"/portal/resets/days/{web.house.resets.reset}").text


def test_a_price_taken_out_is_as_now_and_one_as_now_is_not_kept(web: Web) -> None:
    ids = lay_prices(web)
    client = web.browser("dealer")
    page = client.get(f"{page_of(web)}/prices?percent=20").text
    send(client, f"{page_of(web)}/prices", **fields_of(page))
    page = client.get(f"{page_of(web)}/prices").text
    fields = fields_of(page)
    fields[field_of(page, ids["Oak dresser"])] = ""
    fields[field_of(page, ids["Pine table"])] = "89.50"
    assert send(client, f"{page_of(web)}/prices", **fields).status_code == 303
    assert kept(web) == {}


def test_what_cannot_be_a_price_is_refused_and_kept_as_typed(web: Web) -> None:
    ids = lay_prices(web)
    client = web.browser("dealer")
    page = client.get(f"{page_of(web)}/prices").text
    fields = fields_of(page)
    name = field_of(page, ids["Oak dresser"])
    wrong = send(client, f"{page_of(web)}/prices", **{**fields, name: "a lot"})
    assert wrong.status_code == 422
    assert set(mistakes(wrong.text)) == {name}
    assert 'value="a lot"' in wrong.text
    nothing = send(client, f"{page_of(web)}/prices", **{**fields, name: "0"})
    assert "Oak dresser is to cost $0.00: write more than nothing" in nothing.text
    chair = send(client, f"{page_of(web)}/prices", **{**fields, "rows-0-piece": str(ids["Cane chair"]), "rows-0-price": "50"})
    assert "Cane chair is held: its tag stays as it is." in chair.text
    stranger = send(client, f"{page_of(web)}/prices", **{**fields, "rows-0-piece": "99999", "rows-0-price": "50"})
    assert "is not in Winter any more" in stranger.text
    stale = send(client, f"{page_of(web)}/prices", **{**fields, "version": "0", name: "200"})
    assert "was changed" in stale.text
    assert 'value="200"' in stale.text
    assert kept(web) == {}
    assert client.get(f"{page_of(web)}/prices?percent=much").status_code == 422


def test_anothers_set_is_not_there(web: Web) -> None:
    other = web.browser("other dealer")
    for address in ("prices", "tags.csv"):
        assert other.get(f"{page_of(web)}/{address}").status_code == 404
    assert send(other, f"{page_of(web)}/prices", version="1").status_code == 404
