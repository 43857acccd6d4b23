"""A dealer's pieces, smalls and measurings by their pages."""

from __future__ import annotations

import csv
import io
import re
from datetime import date

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from coop.core.db import transaction
from coop.dealers.membership import make_dealer
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.resets.models import PieceRow
from coop.sales.domain import LineIn, TenderIn
from coop.sales.layaway import Terms, agree_layaway
from tests.factories.leases import make_lease, make_space
from tests.integration.web.conftest import Web, form_token, send

CHAIR = {"name": "Cane rocker", "width": "24", "depth": "2' 6\"", "height": "40", "stands": "floor", "place": "home", "bound": ""}


def kept(web: Web, name: str) -> PieceRow:
    with transaction(web.sessions) as session:
        return session.scalars(select(PieceRow).where(PieceRow.name == name)).one()


def mistakes(page: str) -> dict[str, str]:
    """What is told at each field, by the id of the field."""
    found = re.findall(r'<p class="mistake" id="([\w-]+)-wrong"><span aria-hidden="true">✻</span> ([^<]*)</p>', page)
    return {name: sentence.replace("&#39;", "'").replace("&#34;", '"') for name, sentence in found}


def test_a_piece_is_written_down_with_colours_and_carried_sizes_and_shown_again_as_it_is(web: Web) -> None:
    client = web.browser("dealer")
    answer = send(
        client,
        "/portal/resets/pieces/new",
        **CHAIR,
        weight="12 lb 8 oz",
        carries="40 lb",
        glass="y",
        **{"colour_1-has": "y", "colour_1-colour": "#AA5500", "colour_2-colour": "#123456"},
        used=["#8a5a2b"],
        **{"tilted-width": "24", "tilted-depth": "40", "tilted-height": "2' 6\""},
    )
    assert answer.status_code == 303
    row = kept(web, "Cane rocker")
    assert (row.width_in16, row.depth_in16, row.height_in16, row.weight_oz) == (384, 480, 640, 200)
    assert row.colours == ["#aa5500", "#8a5a2b"]
    assert row.carried == [{"how": "tilted", "width_in16": 384, "depth_in16": 640, "height_in16": 480}]
    assert (row.glass, row.fragile, row.carries_oz) == (True, False, 640)
    page = client.get(f"/portal/resets/pieces/{row.id}").text
    for value in ("Cane rocker", "2&#39; 0&#34;", "12 lb 8 oz", "#aa5500", "3&#39; 4&#34;"):
        assert f'value="{value}"' in page, value
    assert "A help to planning only" in page
    same = send(client, f"/portal/resets/pieces/{row.id}", **CHAIR, version=str(row.version), weight="12 lb 8 oz")
    assert same.status_code == 303
    assert (
        "Of Cane rocker is changed: colors, what it carries, glass and how it is carried."
        in client.get("/portal/resets/pieces").text
    )


def test_what_is_refused_stands_at_its_field_and_what_was_typed_stays(web: Web) -> None:
    client = web.browser("dealer")
    answer = send(
        client,
        "/portal/resets/pieces/new",
        **{**CHAIR, "name": "OAK dresser", "width": "wide", "depth": ""},
        weight="heavy",
        **{"on_end-width": "24"},
    )
    assert answer.status_code == 422
    assert set(mistakes(answer.text)) == {"width", "weight"}
    assert 'value="wide"' in answer.text
    answer = send(client, "/portal/resets/pieces/new", **{**CHAIR, "name": "OAK dresser", "depth": ""}, **{"on_end-width": "24"})
    assert set(mistakes(answer.text)) == {"name", "depth", "on_end-width"}
    answer = send(client, "/portal/resets/pieces/new", **{**CHAIR, "name": "OAK dresser"})
    assert mistakes(answer.text) == {
        "name": "You have a piece called OAK dresser already: give this one another name, like OAK dresser 2."
    }
    assert "<title>Not kept yet" in answer.text


def test_a_change_from_an_older_page_is_told_and_shows_the_piece_as_it_is(web: Web) -> None:
    client = web.browser("dealer")
    row = kept(web, "Cane chair")
    form = {**CHAIR, "name": "Cane chair"}
    assert send(client, f"/portal/resets/pieces/{row.id}", **form, version=str(row.version)).status_code == 303
    late = send(client, f"/portal/resets/pieces/{row.id}", **{**form, "width": "99"}, version=str(row.version))
    assert late.status_code == 422
    assert "Cane chair was changed since you opened this page" in late.text
    assert kept(web, "Cane chair").width_in16 == 384


def test_a_piece_is_let_go_and_taken_back(web: Web) -> None:
    client = web.browser("dealer")
    row = kept(web, "Oak dresser")
    send(client, f"/portal/resets/pieces/{row.id}/let-go")
    page = client.get(f"/portal/resets/pieces/{row.id}").text
    assert "Oak dresser is let go. It is still in Autumn and Winter: take it out there" in page
    assert "Oak dresser" not in re.sub(r'(?s)<div class="said".*?</div>', "", client.get("/portal/resets/pieces").text)
    assert "Oak dresser" in client.get("/portal/resets/pieces?state=gone").text
    send(client, f"/portal/resets/pieces/{row.id}/take-back")
    assert kept(web, "Oak dresser").gone_on is None


def test_what_the_desk_sets_aside_is_shown_and_found(web: Web) -> None:
    client = web.browser("dealer")
    row = kept(web, "Oak dresser")
    with transaction(web.sessions) as session:
        session.get_one(PieceRow, row.id).tag = "D01-300"
        mall = session.get_one(Mall, web.house.mall.id)
        line = LineIn(1, row.dealer_id, "D01-300", "Oak dresser", 1, 240, tag_cents=240_00)  # type: ignore[arg-type]
        terms = Terms("Orla Quint", due_days=90)
        agree_layaway(session, web.clock.at, mall, [line], terms, deposit=TenderIn("cash", 60_00), key="of the dresser")
    assert "on layaway, says the desk" in client.get("/portal/resets/pieces?bound=layaway").text
    assert (
        "It is on layaway, says the desk: it is never sent home by a reset." in client.get(f"/portal/resets/pieces/{row.id}").text
    )
    assert "Oak dresser" not in client.get("/portal/resets/pieces?bound=free").text


def names(client: FlaskClient, asked: str) -> list[str]:
    text = client.get(f"/portal/resets/pieces?as=csv{asked}").text
    return [row["Name"] for row in csv.DictReader(io.StringIO(text))]


def test_the_list_is_narrowed_and_sorted_and_comes_in_again_as_it_went_out(web: Web) -> None:
    client = web.browser("dealer")
    everything = names(client, "")
    assert everything == ["Brass lamp", "Cane chair", "Gilt mirror", "Oak dresser", "Pine table", "Tall cupboard"]
    assert names(client, "&stands=wall") == ["Gilt mirror"]
    assert names(client, "&find=BEDROOM") == ["Gilt mirror", "Oak dresser"]
    assert names(client, "&sort=-weight")[0] == "Tall cupboard"
    text = client.get("/portal/resets/pieces?as=csv").data
    fields = {"csrf_token": form_token(client), "file": (io.BytesIO(text), "my-pieces.csv")}
    assert client.post("/portal/resets/pieces/file", data=fields).status_code == 303
    assert "0 written down, 0 changed, 6 as they were" in client.get("/portal/resets/pieces").text


def test_a_file_with_a_fault_is_told_by_row_and_column(web: Web) -> None:
    client = web.browser("dealer")
    text = b"name,width,depth,height\nBench,48,16,18\nStool,12,,round\n"
    answer = client.post(
        "/portal/resets/pieces/file", data={"csrf_token": form_token(client), "file": (io.BytesIO(text), "p.csv")}
    )
    assert answer.status_code == 422
    assert "Nothing of the file was taken. 2 things are wrong in it" in answer.text
    cells = re.findall(r'<tr><th scope="row">(\d+)</th><td>(\w+)</td>', answer.text)
    assert cells == [("3", "Height"), ("3", "Depth")]
    assert "Bench" not in names(client, "")


@pytest.mark.parametrize("path", ["", "/copy", "/let-go", "/take-back"])
def test_anothers_piece_is_not_there(web: Web, path: str) -> None:
    row = kept(web, "Oak dresser")
    client = web.browser("other dealer")
    address = f"/portal/resets/pieces/{row.id}{path}"
    answers = [send(client, address)] + ([] if path else [client.get(address)])
    assert [answer.status_code for answer in answers] == [404] * len(answers)
    assert names(client, "") == []
    assert "You have written down no piece yet" in client.get("/portal/resets/pieces").text


# --- smalls ----------------------------------------------------------------------------------------------------------------


def test_smalls_are_counted_refused_at_the_field_changed_and_dropped_with_a_way_back(web: Web) -> None:
    client = web.browser("dealer")
    wrong = send(client, "/portal/resets/smalls", grouping="", count="many", place="booth", on_piece="")
    assert wrong.status_code == 422
    assert set(mistakes(wrong.text)) == {"count"}
    wrong = send(client, "/portal/resets/smalls", grouping="", count="12", place="booth", on_piece="")
    assert set(mistakes(wrong.text)) == {"grouping", "boxes"}
    shelf = str(kept(web, "Pine table").id)
    assert (
        send(client, "/portal/resets/smalls", grouping="brass", count="12", boxes="2", place="home", on_piece=shelf).status_code
        == 303
    )
    page = client.get("/portal/resets/smalls").text
    assert "brass: 12 are counted." in page
    assert "at home<small>on Pine table</small>" in page
    address = re.findall(r'href="(/portal/resets/smalls/\d+)">brass<', page)[0]
    assert 'value="12"' in client.get(address).text
    assert send(client, address, grouping="brass", count="11", boxes="2", place="home", on_piece="").status_code == 303
    dropped = send(client, f"{address}/drop").text
    assert "brass are off the list. They stand filled in below" in dropped
    assert f'href="{address}"' not in dropped
    assert 'value="brass"' in dropped
    assert web.browser("other dealer").get(address).status_code == 404
    china = f"/portal/resets/smalls/{web.house.resets.smalls}"
    assert web.browser("other dealer").get(china).status_code == 404


def test_who_is_two_dealers_says_whose_a_piece_is(web: Web) -> None:
    with transaction(web.sessions) as session:
        first = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        make_dealer(session, web.clock.at, first.member, "D09")
    client = web.browser("dealer")
    answer = send(client, "/portal/resets/pieces/new", **CHAIR)
    assert mistakes(answer.text) == {"dealer": "Choose one of those listed."}
    assert send(client, "/portal/resets/pieces/new", **CHAIR, dealer="D09").status_code == 303
    with transaction(web.sessions) as session:
        row = session.scalars(select(PieceRow).where(PieceRow.name == "Cane rocker")).one()
        assert session.get_one(Dealer, row.dealer_id).code == "D09"
    assert "D09" in client.get("/portal/resets/pieces").text


# --- the first page --------------------------------------------------------------------------------------------------------


def test_the_first_page_says_what_to_do_first_and_then_what_there_is(web: Web) -> None:
    other = web.browser("other dealer")
    assert "You hold no booth now, and none from a coming day." in other.get("/portal/resets/").text
    with transaction(web.sessions) as session:
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        mall = session.get_one(Mall, web.house.mall.id)
        space = make_space(session, web.clock.at, mall, "77")
        make_lease(session, web.clock.at, mall, amos, [space], starts_on=date(2026, 12, 1))
    page = other.get("/portal/resets/").text
    assert "Booth 77" in page
    assert "from Dec 1, 2026" in page
    assert 'href="/portal/resets/booths/MAIN/77/measure">Measure Booth 77</a>' in page
    assert 'href="/portal/resets/pieces/new">Write your pieces down</a>' in page
    ida = web.browser("dealer").get("/portal/resets/").text
    assert "What to do first" not in ida
    assert "Nov 3, 2026 by Ida Fenwick" in ida
    assert "Winter" in ida
