"""A dealer's pages of sets: only own ones, made and copied, typed and sent, told of the other who was first, dropped and back."""

from __future__ import annotations

import html
import json
import re
from datetime import datetime
from typing import Any

from flask.testing import FlaskClient
from sqlalchemy import event, func, select
from werkzeug.test import TestResponse

from coop.core.db import transaction
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.resets.domain.booth import rectangle_booth
from coop.resets.domain.caution import CAUTION, LIFT_CAUTION
from coop.resets.models import BoothSet, PieceRow, SetPiece
from coop.resets.planning import keep_plan, newest_plan
from coop.resets.putting import save_arrangement
from coop.resets.reset_models import Reset
from coop.resets.set_json import Put, puts_value
from coop.resets.sets import puts_of
from tests.factories.leases import make_lease, make_space
from tests.factories.resets import in16, make_piece, measure_booth
from tests.integration.web.conftest import Web, form_token

SETS = "/portal/resets/booths/MAIN/12/sets"


def send(client: FlaskClient, path: str, **fields: Any) -> TestResponse:
    return client.post(path, data={"csrf_token": form_token(client), **fields})


def send_json(client: FlaskClient, path: str, value: Any) -> TestResponse:
    return client.post(path, json=value, headers={"X-CSRFToken": form_token(client)})


def page_of(web: Web) -> str:
    return f"/portal/resets/sets/{web.house.resets.draft}"


def rows_of(web: Web, **changes: str) -> dict[str, str]:
    """What the form of the draft holds, with changes by the name of a field."""
    page = web.browser("dealer").get(page_of(web)).text
    form = page[page.index('id="set-form"') : page.index('<template id="set-row"')]
    fields = {name: html.unescape(value) for name, value in re.findall(r'<input id="(p\d+-\w+)" name="\1" value="([^"]*)"', form)}
    for select_name, options in re.findall(r'<select id="(p\d+-on)".*?>(.*?)</select>', form):
        chosen = re.search(r'value="(\d*)" selected', options)
        fields[select_name] = chosen[1] if chosen else ""
    version = re.search(r'name="version" value="(\d+)"', form)
    assert version is not None
    return {**fields, "version": version[1], **changes}


def piece_id(web: Web, name: str) -> int:
    with transaction(web.sessions) as session:
        return session.scalars(select(PieceRow.id).where(PieceRow.name == name)).one()


def draft_puts(web: Web) -> tuple[int, list[Put]]:
    """The draft's version, and what is put into it."""
    with transaction(web.sessions) as session:
        row = session.get_one(BoothSet, web.house.resets.draft)
        return row.version, puts_of(session, row)


# --- whose they are -----------------------------------------------------------------------------------------------------------


def test_anothers_set_is_as_if_it_were_not_there(web: Web) -> None:
    amos, ids = web.browser("other dealer"), web.house.resets
    for path in (
        page_of(web),
        f"/portal/resets/sets/{ids.draft}/arrange",
        f"/portal/resets/sets/{ids.stands}/compare/{ids.draft}",
        SETS,
    ):
        assert amos.get(path).status_code == 404
    for end in ("/save", "/check"):
        assert send_json(amos, page_of(web) + end, {"version": 1, "pieces": []}).status_code == 404
    for end in ("", "/terms", "/stand", "/over", "/drop", "/arrange", "/arrange/stop"):
        assert send(amos, page_of(web) + end, version="1").status_code == 404
    assert web.browser("dealer").get(page_of(web)).status_code == 200


def test_the_caution_stands_beside_findings_walls_and_moves(web: Web) -> None:
    """With what is found, with the walls and their heights; before the first move with its weight."""
    said = html.escape(CAUTION).replace("&#x27;", "&#39;")
    page = web.browser("dealer").get(page_of(web)).text
    for section in ('id="set-found"', 'id="walls"'):
        begins = page.index(section)
        assert said in page[begins : page.index("</section>", begins)], section
    day = web.browser("dealer").get(f"/portal/resets/days/{web.house.resets.reset}").text
    begins = day.index('id="hands"')
    assert html.escape(LIFT_CAUTION) in day[begins : day.index("</section>", begins)]
    moves = web.browser("dealer").get(f"/portal/resets/days/{web.house.resets.reset}/moves").text
    assert said in moves[: moves.index('<ol class="ticks"')]
    assert html.escape(LIFT_CAUTION) in moves


def test_each_way_a_piece_is_lifted_is_told_on_the_page_of_a_reset(web: Web, now: datetime) -> None:
    with transaction(web.sessions) as session:
        row = session.get_one(Reset, web.house.resets.reset)
        plan = newest_plan(session, row)
        assert plan is not None
        value = json.loads(json.dumps(plan.value))
        lifted = [move for move in value["moves"] if move["name"] == "Brass lamp"]
        assert len(lifted) == 2
        lifted[1]["hands"] = {"people": None, "short": "not by hand so", "why": "Brass lamp would be lifted too high."}
        keep_plan(session, now, row, value, plan.made_of)
    page = web.browser("dealer").get(f"/portal/resets/days/{web.house.resets.reset}").text
    for move in lifted:
        assert html.escape(move["hands"]["why"]) in page


def test_a_set_is_not_compared_with_anothers(web: Web) -> None:
    with transaction(web.sessions) as session:
        ids = web.house.resets
        theirs = session.get_one(BoothSet, ids.stands)
        theirs.dealer_id = session.scalars(select(Dealer.id).where(Dealer.code == "D02")).one()
    assert web.browser("dealer").get(f"/portal/resets/sets/{ids.stands}/compare/{ids.draft}").status_code == 404


# --- made, changed, dropped ---------------------------------------------------------------------------------------------------


def test_a_set_is_made_like_another_and_wrong_dates_are_kept_as_typed(web: Web) -> None:
    ida = web.browser("dealer")
    wrong = send(ida, SETS, name="Spring", starts_on="2019-01-01", source=str(web.house.resets.stands))
    assert wrong.status_code == 422
    said = html.unescape(wrong.text)
    assert "The set begins on Jan 1, 2019, but your lease of Booth 12 begins on" in said
    assert 'value="2019-01-01"' in said
    none = send(ida, SETS, name="Spring", starts_on="2027-03-01", source="last-year")
    assert "No set stood in Booth 12 a year before Mar 1, 2027" in html.unescape(none.text)
    made = send(ida, SETS, name="Spring", starts_on="2027-03-01", source=str(web.house.resets.stands))
    assert made.status_code == 303
    page = html.unescape(ida.get(made.headers["Location"]).text)
    assert "Spring is made." in page
    assert "Copied from Autumn" in page
    autumn = send(ida, SETS, name="Autumn again", starts_on="2027-10-01", source="last-year")
    assert "Copied from" in ida.get(autumn.headers["Location"]).text


def test_a_dropped_draft_is_brought_back_by_its_page(web: Web) -> None:
    """A copy is: with the draft of the house a reset is planned."""
    ida, puts = web.browser("dealer"), draft_puts(web)[1]
    made = send(ida, SETS, name="Spring", starts_on="2027-03-01", source=str(web.house.resets.draft)).headers["Location"]
    dropped = send(ida, made + "/drop", version="1")
    assert "Spring is dropped." in dropped.text
    assert ida.get(made).status_code == 404
    kept = re.search(r'name="kept" value="([^"]*)"', dropped.text)
    assert kept is not None
    back = send(ida, SETS + "/back", kept=html.unescape(kept[1]))
    assert back.status_code == 303
    with transaction(web.sessions) as session:
        again = session.scalars(select(BoothSet).where(BoothSet.name == "Spring")).one()
        assert puts_of(session, again) == puts
    assert send(ida, SETS + "/back", kept="{}").status_code == 422


def test_a_booth_measured_again_is_told_with_what_differs(web: Web) -> None:
    ida = web.browser("dealer")
    with transaction(web.sessions) as session:
        row = session.get_one(BoothSet, web.house.resets.draft)
        measure_booth(session, session.get_one(Space, row.space_id), rectangle_booth(in16(118), in16(144), way_in16=in16(30)))
    page = html.unescape(ida.get(page_of(web)).text)
    assert "Booth 12 was measured again on Nov 3, 2026 by Ida Fenwick, after this set was laid out." in page
    assert "It is 9' 10\" wide now; it was 10' 0\"." in page
    assert "Its path inside is 2' 6\" now; it was 3' 0\"." in page
    assert send(ida, page_of(web) + "/over", version=str(draft_puts(web)[0])).status_code == 303
    page = html.unescape(ida.get(page_of(web)).text)
    assert "was measured again" not in page
    # The dresser, 77 to 119 in. from the left, is in the wall now.
    assert "Oak dresser" in page[page.index('id="set-against"') : page.index('id="set-think-part"')]


def test_a_piece_that_stands_in_another_booth_is_told(web: Web) -> None:
    with transaction(web.sessions) as session:
        stands = session.get_one(BoothSet, web.house.resets.stands)
        space = session.get_one(Space, stands.space_id)
        other = Space(mall_id=space.mall_id, code="77", kind="booth", zone=space.zone)
        session.add(other)
        session.flush()
        stands.space_id = other.id
    page = html.unescape(web.browser("dealer").get(page_of(web)).text)
    assert "Oak dresser stands in Booth 77, in the set Autumn: it cannot stand in both." in page


def test_it_stands_and_what_it_stands_against_is_said(web: Web) -> None:
    ida = web.browser("dealer")
    done = send(ida, page_of(web) + "/stand", version=str(draft_puts(web)[0]))
    assert done.status_code == 303
    assert "Winter stands now. Its pieces are in the booth." in ida.get(page_of(web)).text
    before = html.unescape(ida.get(f"/portal/resets/sets/{web.house.resets.stands}").text)
    assert "It stood before, and stays as it was." in before
    assert "Save the set" not in before


# --- typed --------------------------------------------------------------------------------------------------------------------


def test_rows_are_saved_as_typed_and_as_they_were_read(web: Web) -> None:
    """What the form shows and is sent back changes nothing; a length is read as people write it."""
    ida, before = web.browser("dealer"), draft_puts(web)
    unchanged = send(ida, page_of(web), **rows_of(web))
    assert unchanged.status_code == 303
    assert draft_puts(web) == before
    table = piece_id(web, "Pine table")
    assert send(ida, page_of(web), **rows_of(web, **{f"p{table}-x": "30 in", f"p{table}-locked": "yes"})).status_code == 303
    put = next(one for one in draft_puts(web)[1] if one.piece_id == table)
    assert (put.x_in16, put.locked) == (in16(54), True)


def test_what_cannot_be_read_is_said_at_its_field_and_kept(web: Web) -> None:
    ida, table = web.browser("dealer"), piece_id(web, "Pine table")
    cupboard = piece_id(web, "Tall cupboard")
    typed = {f"p{table}-x": "", f"p{table}-t": "north", f"p{cupboard}-on": str(table), f"p{table}-on": str(cupboard)}
    page = send(ida, page_of(web), **rows_of(web, **typed))
    said = html.unescape(page.text)
    assert page.status_code == 422
    assert "Write how far Pine table is from the left" in said
    assert "'north' is no turn: write whole degrees clockwise" in said
    assert 'value="north"' in said
    circle = send(ida, page_of(web), **rows_of(web, **{f"p{cupboard}-on": str(table), f"p{table}-on": str(cupboard)}))
    assert circle.status_code == 422
    assert "stand on each other in a circle: put" in html.unescape(circle.text)
    strange = send(ida, page_of(web), **rows_of(web, **{"p999999-x": "1"}))
    assert "A row is of a piece that is none of yours" in strange.text


def test_a_taken_out_piece_leaves_what_it_carried_on_the_floor(web: Web) -> None:
    ida, dresser, lamp = web.browser("dealer"), piece_id(web, "Oak dresser"), piece_id(web, "Brass lamp")
    assert send(ida, page_of(web), **rows_of(web, **{f"p{dresser}-out": "yes"})).status_code == 303
    there = {one.piece_id: one for one in draft_puts(web)[1]}
    assert dresser not in there
    assert there[lamp].on_piece_id is None


def test_whoever_types_second_is_told_and_may_save_over(web: Web) -> None:
    ida, table = web.browser("dealer"), piece_id(web, "Pine table")
    mine = rows_of(web, **{f"p{table}-x": "30"})
    with transaction(web.sessions) as session:
        row = session.get_one(BoothSet, web.house.resets.draft)
        save_arrangement(session, web.clock.at, row, [], version=row.version, user_id=web.house.users["dealer"])
    conflict = send(ida, page_of(web), **mine)
    said = html.unescape(conflict.text)
    assert conflict.status_code == 409
    assert "Winter was changed on Nov 3, 2026 at 09:00 by Ida Fenwick after you opened it." in said
    assert f'name="p{table}-x" value="30"' in said
    over = re.search(r'name="over" value="(\d+)"', said)
    assert over is not None
    assert send(ida, page_of(web), **mine, over=over[1]).status_code == 303
    assert len(draft_puts(web)[1]) == 5


# --- sent by the plan ---------------------------------------------------------------------------------------------------------


def test_a_check_says_what_is_found_and_saves_nothing(web: Web) -> None:
    ida, (version, puts) = web.browser("dealer"), draft_puts(web)
    moved = [{**one, "x_in16": 0} if one["piece"] == piece_id(web, "Pine table") else one for one in puts_value(puts)]
    answer = send_json(ida, page_of(web) + "/check", {"version": version, "pieces": moved})
    assert answer.status_code == 200
    found = answer.json
    assert found is not None
    assert any(one["kind"] == "outside" and one["stops"] for one in found["findings"])
    assert [one["name"] for one in found["elevations"]] == ["The back wall", "The right wall", "The left wall"]
    assert draft_puts(web) == (version, puts)


def test_what_is_sent_wrong_is_answered_by_a_sentence(web: Web) -> None:
    ida = web.browser("dealer")
    for end in ("/check", "/save"):
        for value, sentence in (
            ({"version": 1}, "pieces is missing"),
            ({"version": 1, "pieces": [{"piece": 999999, "x_in16": 0, "y_in16": 0}]}, "Piece 999999 is none of yours"),
        ):
            answer = send_json(ida, page_of(web) + end, {**value, "version": draft_puts(web)[0]})
            assert answer.status_code == 422
            assert answer.json is not None
            assert sentence in answer.json["faults"][0]["sentence"]


def test_a_save_counts_up_and_the_second_is_answered_with_what_there_is(web: Web) -> None:
    ida, (version, puts) = web.browser("dealer"), draft_puts(web)
    first = send_json(ida, page_of(web) + "/save", {"version": version, "pieces": puts_value(puts[2:4])})
    assert first.json == {"version": version + 1, "sentence": "Winter is saved: 3 taken out."}
    second = send_json(ida, page_of(web) + "/save", {"version": version, "pieces": puts_value(puts)})
    assert second.status_code == 409
    assert second.json is not None
    assert second.json["pieces"] == puts_value(puts[2:4])
    assert second.json["version"] == version + 1


def test_a_check_asks_no_more_for_sixty_pieces(web: Web) -> None:
    """As many queries for sixty pieces as for five."""
    ida, (version, puts) = web.browser("dealer"), draft_puts(web)
    asked: list[int] = []
    engine = web.app.extensions["coop"].engine

    def count(*_: Any) -> None:
        asked[-1] += 1

    token = {"X-CSRFToken": form_token(ida)}
    event.listen(engine, "before_cursor_execute", count)
    try:
        for more in (0, 60):
            with transaction(web.sessions) as session:
                dealer = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
                for n in range(more):
                    row = make_piece(session, dealer, f"Box {n}", (6, 6, 6), tag="")
                    puts.append(Put(row.id, in16(6 + 8 * (n % 12)), in16(40 + 8 * (n // 12))))
            asked.append(0)
            body = json.dumps({"version": version, "pieces": puts_value(puts)})
            answer = ida.post(page_of(web) + "/check", data=body, content_type="application/json", headers=token)
            assert answer.status_code == 200
    finally:
        event.remove(engine, "before_cursor_execute", count)
    assert asked[0] == asked[1]
    assert asked[0] <= 12
    with transaction(web.sessions) as session:
        assert session.scalar(select(func.count()).where(SetPiece.set_id == web.house.resets.draft)) == 5


def test_a_booth_nobody_measured_leads_to_measuring(web: Web) -> None:
    with transaction(web.sessions) as session:
        row = session.get_one(BoothSet, web.house.resets.draft)
        home = session.get_one(Space, row.space_id)
        mall, dealer = session.get_one(Mall, home.mall_id), session.get_one(Dealer, row.dealer_id)
        make_lease(session, web.clock.at, mall, dealer, [make_space(session, web.clock.at, mall, "14")])
    page = web.browser("dealer").get("/portal/resets/booths/MAIN/14/sets").text
    assert '<a href="/portal/resets/booths/MAIN/14/measure">Measure it</a> first' in page
    assert (
        send(web.browser("dealer"), "/portal/resets/booths/MAIN/14/sets", name="Spring", starts_on="2027-03-01").status_code
        == 422
    )
