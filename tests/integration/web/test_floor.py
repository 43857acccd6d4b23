"""The floor in the office, on both databases: what the plan shows, and what each form of it changes."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from datetime import date
from html import unescape
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import event, select
from werkzeug.test import TestResponse

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_FOOT as FOOT
from coop.core.jobs import Job
from coop.floor.domain.draft import draft_value
from coop.floor.models import AisleWidth, Mall, PlanPart, Space, SpaceMeasure
from coop.floor.queries import draft_of, plan_version
from coop.leases.asking import Outsider, Wish, ask_for_space
from coop.leases.models import Lease
from coop.leases.offering import make_offer
from tests.factories.floor_hall import build_hall, build_plan, build_tenants, hall_draft
from tests.integration.web.conftest import Web, form_token, send

PLAN = "/office/floor/MAIN"


@pytest.fixture
def hall(web: Web) -> Web:
    """The house with its plan and eight more dealers."""
    with transaction(web.sessions) as session:
        build_hall(session, web.clock.at, session.get_one(Mall, web.house.mall.id))
    return web


@pytest.fixture
def drawn(web: Web) -> Web:
    """The house with its plan."""
    with transaction(web.sessions) as session:
        build_plan(session, web.clock.at, session.get_one(Mall, web.house.mall.id))
    return web


def table(client: FlaskClient, query: str = "") -> dict[str, dict[str, str]]:
    """The table as CSV, by space."""
    answer = client.get(f"{PLAN}/spaces.csv{query}")
    assert answer.status_code == 200
    return {row["space"]: row for row in csv.DictReader(io.StringIO(answer.text))}


def space(web: Web, code: str) -> Space:
    with transaction(web.sessions) as session:
        found = session.scalar(select(Space).where(Space.code == code))
        assert found is not None
        session.expunge(found)
        return found


def post_json(client: FlaskClient, address: str, value: Any) -> TestResponse:
    return client.post(address, json=value, headers={"X-CSRFToken": form_token(client)})


# --- shown ------------------------------------------------------------------------------------------------------------------


def test_the_table_says_who_is_in_and_what_the_floor_brings(hall: Web) -> None:
    rows = table(hall.browser("auditor"))
    # H02 holds 7 to 11, five booths of 80 sq ft at $2.25, and sold $240.00 in October: 240 / 400 a square foot.
    assert rows["7"] == {
        "space": "7",
        "kind": "booth",
        "zone": "front",
        "area_sqft": "80.00",
        "state": "notice given",
        "dealers": "H02",
        "until": "2026-11-30",
        "rent_per_sqft": "2.25",
        "sales_per_sqft": "0.60",
        "past_due": rows["7"]["past_due"],
        "months": "2026-10 to 2026-10",
    }
    assert rows["6"]["state"] == "vacant"
    assert (rows["6"]["rent_per_sqft"], rows["6"]["sales_per_sqft"]) == ("", "")
    # H03's fixed term; the house's own booth, leased for 120 sq ft whatever is drawn.
    assert rows["14"]["until"] == "2026-12-31"
    assert rows["12"]["area_sqft"] == "120.00"
    with transaction(hall.sessions) as session:
        session.scalars(select(Lease).where(Lease.term_ends_on == date(2026, 12, 31))).one().term_ends_on = date(2026, 10, 31)
    assert table(hall.browser("auditor"))["14"]["until"] == ""  # By the month since.


def test_the_table_is_sifted_and_sorted_by_its_address(hall: Web) -> None:
    client = hall.browser("manager")
    assert list(table(client, "?zone=case")) == ["C1"]
    assert list(table(client, "?state=noticed&sort=space&down=yes")) == ["11", "10", "9", "8", "7"]
    assert list(table(client, "?find=tansy")) == ["14", "15", "16", "17", "18"]
    page = client.get(f"{PLAN}?find=tansy&sort=until").text
    assert 'aria-sort="ascending"' in page
    assert f"5 of {len(table(client))}" in page
    assert "No space is like that." in client.get(f"{PLAN}?find=nobody").text


@pytest.mark.parametrize(
    ("query", "label"),
    [
        ("held", "Booth 7: occupied, notice given, H02"),
        ("ends&within=30", "Booth 7: ends within 30 days, H02"),
        ("ends&within=60", "Booth 14: its term runs out within 60 days, H03"),
        ("arrears", "Booth 6: vacant"),
        ("sales", "Booth 41: $2.10 to $2.40, H07"),
        ("rent", "Booth 6: no figure"),
    ],
)
def test_each_question_names_its_answer_at_every_space(hall: Web, query: str, label: str) -> None:
    page = hall.browser("bookkeeper").get(f"{PLAN}?ask={query}").text
    assert f'aria-label="{label}"' in page
    assert "the fire marshal and licensed people decide" in page


def test_a_booth_that_is_offered_is_not_shown_as_plainly_vacant(hall: Web) -> None:
    with transaction(hall.sessions) as session:
        mall = session.get_one(Mall, hall.house.mall.id)
        asked = ask_for_space(
            session, hall.clock.at, mall, Outsider("Nell Sparrow", "", "555 0147"), Wish(), asked_on=date(2026, 11, 1)
        )
        booth = session.scalars(select(Space).where(Space.code == "6")).one()
        make_offer(session, hall.clock.at, booth, asked, starts_on=date(2026, 12, 1))
    client = hall.browser("auditor")
    assert 'aria-label="Booth 6: vacant, offered, waits for an answer"' in client.get(PLAN).text
    rows = table(client, "?state=offered")
    # S1 is offered by the house itself.
    assert {code: row["state"] for code, row in rows.items()} == dict.fromkeys(
        ("6", "S1"), "vacant, offered, waits for an answer"
    )


def test_figures_say_which_months_they_are_of(hall: Web) -> None:
    client = hall.browser("manager")
    assert "October 2026 (not closed yet)" in client.get(f"{PLAN}?ask=rent").text
    assert "the twelve months from November 2025 to October 2026" in client.get(f"{PLAN}?ask=sales&months=12").text


@pytest.fixture
def counted(web: Web) -> Iterator[list[str]]:
    """Statements sent to the database."""
    said: list[str] = []
    engine = web.app.extensions["coop"].engine

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        said.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    yield said
    event.remove(engine, "before_cursor_execute", note)


def test_no_cell_of_the_table_is_taken_for_a_formula(drawn: Web) -> None:
    with transaction(drawn.sessions) as session:
        session.scalars(select(Space).where(Space.code == "12")).one().zone = "=1+1"
    assert table(drawn.browser("manager"))["12"]["zone"] == "'=1+1"


@pytest.mark.parametrize("path", [f"{PLAN}?ask=sales", f"{PLAN}/spaces.csv", f"{PLAN}/edit", f"{PLAN}/spaces/12"])
def test_no_pages_questions_grow_with_spaces_or_dealers(drawn: Web, counted: list[str], path: str) -> None:
    client = drawn.browser("manager")

    def questions() -> int:
        counted.clear()
        assert client.get(path).status_code == 200
        return len(counted)

    with transaction(drawn.sessions) as session:
        build_tenants(session, drawn.clock.at, session.get_one(Mall, drawn.house.mall.id), range(2))
    few = questions()
    with transaction(drawn.sessions) as session:
        build_tenants(session, drawn.clock.at, session.get_one(Mall, drawn.house.mall.id), range(2, 8))
    assert questions() == few


def test_a_mall_without_a_plan_says_what_to_do_first(web: Web) -> None:
    client = web.browser("manager")
    page = client.get(PLAN).text
    assert "The plan is not drawn yet." in page
    assert client.get(f"{PLAN}/plan.csv").status_code == 422


# --- a plan as figures ------------------------------------------------------------------------------------------------------


def fields(page: str) -> dict[str, str]:
    """What the form of a page would send, checkboxes apart."""
    form = page.partition("<template")[0]
    names = {}
    for tag in re.findall(r"<input [^>]*>", form):
        name, value = re.search(r' name="([^"]*)"', tag), re.search(r' value="([^"]*)"', tag)
        if name and value and 'type="checkbox"' not in tag:
            names[name[1]] = unescape(value[1])
    for name, options in re.findall(r'<select [^>]*name="([^"]*)"[^>]*>(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options)
        names[name] = chosen[1] if chosen else ""
    return {name: value for name, value in names.items() if name != "csrf_token"}


def test_a_plan_is_begun_from_nothing(web: Web) -> None:
    client = web.browser("manager")
    page = client.get(f"{PLAN}/edit").text
    assert page.index('id="plan-w"') < page.index('id="plan-parts"'), "the hall is asked first"
    sent = fields(page)
    assert sent["version"] == "0"
    answer = send(client, f"{PLAN}/edit", **{**sent, "plan-w": "60'"})
    assert answer.status_code == 422
    assert "Write how deep the hall is" in answer.text
    assert 'value="60&#39;"' in answer.text
    answer = send(client, f"{PLAN}/edit", **{**sent, "plan-w": "60'", "plan-d": "40'", "r0-x": "4'", "r0-y": "4'"})
    assert answer.status_code == 303
    assert space(web, "12").outline_in16 == [[768, 768], [2688, 768], [2688, 3072], [768, 3072]]
    page = client.get(f"{PLAN}/edit").text
    assert page.index('id="plan-w"') > page.index('id="plan-parts"'), "once it is there, the parts come first"


def test_rows_are_changed_added_and_removed(drawn: Web) -> None:
    client = drawn.browser("manager")
    sent = fields(client.get(f"{PLAN}/edit").text)
    assert (sent["r0-code"], sent["r0-x"]) == ("1", "8' 0\"")
    blank = next(name for name, value in sent.items() if name.endswith("-code") and not value).removesuffix("-code")
    typed = {"code": "A3", "kind": "part:aisle", "x": "8'", "y": "70'", "w": "100'", "d": "6'"}
    new = {f"{blank}-{name}": value for name, value in typed.items()}
    answer = send(client, f"{PLAN}/edit", **{**sent, **new, "r0-x": "7'", "r60-remove": "yes"})
    assert answer.status_code == 303, answer.text
    assert "The plan is saved: 1 added, 1 changed, 1 taken away." in client.get(answer.location).text
    assert space(drawn, "1").outline_in16[0] == [7 * FOOT, 10 * FOOT]
    with transaction(drawn.sessions) as session:
        assert session.scalar(select(PlanPart.kind).where(PlanPart.code == "A3")) == "aisle"
        assert session.scalar(select(Space).where(Space.code == "61")) is None


def test_a_booth_of_a_few_inches_is_saved_and_asked_about(drawn: Web) -> None:
    """A bare 10 is ten inches. Two feet are enough, and what was not touched is not asked about again."""
    client = drawn.browser("manager")
    asked = "Booth 98 is less than 2 ft across: a number alone is read as inches"
    for code, width, said in (("98", "10", True), ("99", "24", False)):
        sent = fields(client.get(f"{PLAN}/edit").text)
        new = next(name.removesuffix("-code") for name, value in sent.items() if name.endswith("-code") and not value)
        place = {f"{new}-x": "100'" if code == "98" else "110'", f"{new}-y": "77'", f"{new}-w": width, f"{new}-d": "24"}
        answer = send(client, f"{PLAN}/edit", **{**sent, f"{new}-code": code, f"{new}-zone": "back", **place})
        assert answer.status_code == 303
        page = unescape(client.get(f"{PLAN}/edit").text)
        assert "The plan is saved: 1 added." in page
        assert (asked in page) is said


def test_a_mistake_is_told_at_its_field_and_nothing_is_saved(drawn: Web) -> None:
    client = drawn.browser("manager")
    sent = fields(client.get(f"{PLAN}/edit").text)
    answer = send(client, f"{PLAN}/edit", **{**sent, "r0-x": "7'", "r1-zone": "", "r2-w": "wide"})
    assert answer.status_code == 422
    assert 'id="r2-w-wrong"' in answer.text
    assert space(drawn, "1").outline_in16[0] == [8 * FOOT, 10 * FOOT]
    answer = send(client, f"{PLAN}/edit", **{**sent, "r0-x": "7'", "r1-zone": ""})
    assert answer.status_code == 422
    assert 'id="r1-zone-wrong"' in answer.text
    assert space(drawn, "1").outline_in16[0] == [8 * FOOT, 10 * FOOT]


def test_a_leased_space_is_not_taken_off_the_plan(drawn: Web) -> None:
    client = drawn.browser("manager")
    sent = fields(client.get(f"{PLAN}/edit").text)
    assert sent["r11-code"] == "12"
    answer = send(client, f"{PLAN}/edit", **{**sent, "r11-remove": "yes"})
    assert answer.status_code == 422
    assert "Space 12 cannot be taken off the plan: a lease or an offer names it" in answer.text


def test_two_at_once_the_second_is_told_who_and_keeps_what_was_typed(drawn: Web) -> None:
    client = drawn.browser("manager")
    sent = fields(client.get(f"{PLAN}/edit").text)
    assert send(client, f"{PLAN}/edit", **{**sent, "r0-x": "7'"}).status_code == 303
    answer = send(client, f"{PLAN}/edit", **{**sent, "r1-x": "20 ft"})
    assert answer.status_code == 409
    assert "by manager@example.org after you opened it" in answer.text
    assert 'value="20 ft"' in answer.text
    assert space(drawn, "2").outline_in16[0] == [18 * FOOT, 10 * FOOT]
    answer = send(client, f"{PLAN}/edit", **{**sent, "r1-x": "20 ft", "over": "2"})
    assert answer.status_code == 303
    assert space(drawn, "2").outline_in16[0] == [20 * FOOT, 10 * FOOT]


# --- a plan as a drawing ----------------------------------------------------------------------------------------------------


def plan_json(web: Web) -> dict[str, Any]:
    """The hall's plan as it is, as JSON."""
    with transaction(web.sessions) as session:
        draft = draft_of(session, session.get_one(Mall, web.house.mall.id), date(2026, 11, 3))
        assert draft is not None
        return draft_value(draft)


def moved(web: Web, by: int) -> dict[str, Any]:
    """The hall's plan as JSON with booth 1 moved to the right of where it is."""
    value = plan_json(web)
    booth = next(one for one in value["spaces"] if one["code"] == "1")
    booth["outline"] = [[x + by, y] for x, y in booth["outline"]]
    return value


def test_checking_a_draft_finds_and_saves_nothing(drawn: Web) -> None:
    client = drawn.browser("manager")
    before = plan_json(drawn)
    answer = post_json(client, f"{PLAN}/check", {"draft": moved(drawn, FOOT)})
    assert answer.status_code == 200
    found = answer.json["findings"]
    assert found[0]["sentence"] == "Booth 1 and booth 2 overlap by 1' 0\"; move one of them or draw it smaller."
    assert found[0]["parts"] == [{"kind": "booth", "code": "1"}, {"kind": "booth", "code": "2"}]
    assert len(found[0]["at"]) == 4
    assert plan_json(drawn) == before
    with transaction(drawn.sessions) as session:
        assert plan_version(session, drawn.house.mall.id) == 1


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        ({"draft": {"outline": []}}, "parts is missing"),
        ({"version": 1, "draft": {**draft_value(hall_draft()), "outline": [[0, 0], [1, 0], [0, 0]]}}, "fewer than three corners"),
        ({}, "object"),
        ([], "This is no plan."),
        ({"version": "one", "draft": {}}, "This is no plan."),
    ],
)
@pytest.mark.parametrize("address", ["check", "save"])
def test_what_is_no_plan_is_said_to_be_none(drawn: Web, address: str, sent: Any, sentence: str) -> None:
    answer = post_json(drawn.browser("manager"), f"{PLAN}/{address}", sent)
    assert answer.status_code == 422
    assert sentence in answer.json["faults"][0]["sentence"]


def test_a_draft_is_saved_once_and_a_late_one_gets_the_plan_there_is(drawn: Web) -> None:
    client = drawn.browser("manager")
    late = moved(drawn, -2 * FOOT)
    answer = post_json(client, f"{PLAN}/save", {"version": 1, "draft": moved(drawn, -FOOT)})
    assert answer.json == {"version": 2, "sentence": "The plan is saved: 1 changed."}
    assert space(drawn, "1").outline_in16[0] == [7 * FOOT, 10 * FOOT]
    answer = post_json(client, f"{PLAN}/save", {"version": 1, "draft": late})
    assert answer.status_code == 409
    assert "by manager@example.org" in answer.json["sentence"]
    assert answer.json["version"] == 2
    assert answer.json["draft"] == plan_json(drawn)
    assert space(drawn, "1").outline_in16[0] == [7 * FOOT, 10 * FOOT]


# --- a space ----------------------------------------------------------------------------------------------------------------


def test_a_measuring_is_kept_and_its_difference_is_told(drawn: Web) -> None:
    client = drawn.browser("manager")
    page = client.get(f"{PLAN}/spaces/12").text
    assert "This is more than the 2% that may lie between them." in page
    assert "−40.00" in page
    typed = {"measured_on": "2026-11-02", "measured_by": "Ida Fenwick", "area": "121.50", "length": "11'", "note": "with a tape"}
    answer = send(client, f"{PLAN}/spaces/12/measure", **{**typed, "area": "none"})
    assert answer.status_code == 422
    assert 'value="with a tape"' in answer.text
    assert "This is not an area." in answer.text
    assert send(client, f"{PLAN}/spaces/12/measure", **{**typed, "measured_on": "2026-11-09"}).status_code == 422
    assert send(client, f"{PLAN}/spaces/12/measure", **typed).status_code == 303
    with transaction(drawn.sessions) as session:
        kept = session.scalars(select(SpaceMeasure)).all()
        assert [(one.area_sqft100, one.length_in16, one.measured_by) for one in kept] == [(12_150, 11 * FOOT, "Ida Fenwick")]
    assert "with a tape" in client.get(f"{PLAN}/spaces/12").text


def test_a_space_is_given_another_code(drawn: Web) -> None:
    client = drawn.browser("manager")
    assert send(client, f"{PLAN}/spaces/12/code", code="13").status_code == 422
    assert send(client, f"{PLAN}/spaces/12/code", code="12B").headers["Location"] == f"{PLAN}/spaces/12B"
    assert "Ida" not in client.get(f"{PLAN}/spaces/12B").text
    assert "Fenwick &amp; Daughter" in client.get(f"{PLAN}/spaces/12B").text


def test_a_space_is_retired_and_put_back_but_not_from_under_a_dealer(drawn: Web) -> None:
    client = drawn.browser("manager")
    answer = send(client, f"{PLAN}/spaces/12/retire", retired_on="2026-12-01")
    assert answer.status_code == 422
    assert "Dealer D01 holds it then" in answer.text
    assert space(drawn, "12").retired_on is None
    assert send(client, f"{PLAN}/spaces/13/retire", retired_on="2026-11-03").status_code == 303
    assert "13" not in table(client)
    assert "Not rented since Nov 3, 2026." in client.get(f"{PLAN}/spaces/13").text
    assert send(client, f"{PLAN}/spaces/13/return").status_code == 303
    assert table(client)["13"]["state"] == "vacant"


def test_an_aisles_width_is_set_from_a_day_with_who_says_so(drawn: Web) -> None:
    client = drawn.browser("manager")
    typed = {"aisle": "A1", "starts_on": "2026-11-01", "width": "44 in.", "said_by": "fire marshal, by letter"}
    assert "36 in. or more" in send(client, f"{PLAN}/aisles", **{**typed, "width": "30 in."}).text
    assert send(client, f"{PLAN}/aisles", **{**typed, "aisle": "A9"}).status_code == 422
    assert send(client, f"{PLAN}/aisles", **typed).status_code == 303
    with transaction(drawn.sessions) as session:
        width = session.scalars(select(AisleWidth).where(AisleWidth.aisle == "A1")).one()
        assert (width.aisle, width.required_clear_in16, width.said_by) == ("A1", 704, "fire marshal, by letter")
    # The aisle is 6 ft wide: nothing is found until 7 ft are asked of it.
    asked = {**typed, "starts_on": "2026-11-02", "width": "7'"}
    before = len(post_json(client, f"{PLAN}/check", {"draft": plan_json(drawn)}).json["findings"])
    assert send(client, f"{PLAN}/aisles", **asked).status_code == 303
    found = post_json(client, f"{PLAN}/check", {"draft": plan_json(drawn)}).json["findings"]
    assert len(found) > before
    assert "A1" in " ".join(one["sentence"] for one in found)


# --- files ------------------------------------------------------------------------------------------------------------------


def bring(client: FlaskClient, content: str) -> TestResponse:
    data = {"csrf_token": form_token(client), "file": (io.BytesIO(content.encode()), "hall.csv")}
    return client.post(f"{PLAN}/files", data=data, content_type="multipart/form-data")


def test_a_file_is_proposed_then_applied_once(drawn: Web) -> None:
    client = drawn.browser("manager")
    text = client.get(f"{PLAN}/plan.csv").text
    assert "There is nothing to change" in bring(client, text).text
    changed = "\r\n".join(line for line in text.splitlines() if not line.startswith("post,P1,"))
    page = bring(client, changed + "\r\npost,P2,,100',75',1',1',,,,\r\n").text
    assert "post P2" in page
    assert "post P1" in page
    assert space(drawn, "1").outline_in16[0] == [8 * FOOT, 10 * FOOT]
    draft = unescape(page.partition('name="draft" value="')[2].partition('"')[0])
    assert send(client, f"{PLAN}/files/apply", version="1", draft=draft).headers["Location"] == PLAN
    with transaction(drawn.sessions) as session:
        posts = session.scalars(select(PlanPart.code).where(PlanPart.kind == "post")).all()
        assert posts == ["P2"]
    again = send(client, f"{PLAN}/files/apply", version="1", draft=draft)
    assert again.headers["Location"] == f"{PLAN}/files"
    assert "Bring the file in again" in client.get(again.location).text


def test_a_bad_file_names_every_bad_row(drawn: Web) -> None:
    client = drawn.browser("manager")
    answer = bring(client, "kind,code,zone,x,y,width,depth\noutline,,,0,0,40',30'\nbooth,1,front,0,0,0,8'\nbooth,2,,0,0,8',8'\n")
    assert answer.status_code == 422
    assert "Row 3, width" in answer.text
    assert "Row 4, zone" in answer.text


def test_what_is_no_proposal_is_refused(drawn: Web) -> None:
    client = drawn.browser("manager")
    assert send(client, f"{PLAN}/files/apply", version="1", draft="{}").status_code == 422
    draft = json.dumps(draft_value(hall_draft()))
    assert send(client, f"{PLAN}/files/apply", version="x", draft=draft).status_code == 400


def test_the_plan_is_taken_as_svg_dxf_and_csv(drawn: Web) -> None:
    client = drawn.browser("auditor")
    svg = client.get(f"{PLAN}/plan.svg")
    assert svg.mimetype == "image/svg+xml"
    assert "Booth 14, front" in svg.text
    dxf = client.get(f"{PLAN}/plan.dxf")
    assert dxf.headers["Content-Disposition"] == "attachment; filename=floor-plan-MAIN.dxf"
    assert b"SECTION" in dxf.data[:40]
    rows = list(csv.DictReader(io.StringIO(client.get(f"{PLAN}/plan.csv").text)))
    assert len(rows) == 1 + len(plan_json(drawn)["parts"]) + len(plan_json(drawn)["spaces"])


def test_a_paper_is_made_by_the_worker_and_shown_when_it_is_there(drawn: Web) -> None:
    client = drawn.browser("bookkeeper")
    assert "being made" not in client.get(f"{PLAN}/files").text
    assert send(client, f"{PLAN}/paper", scale="12", paper="letter").status_code == 422
    assert send(client, f"{PLAN}/paper", scale="96", paper="tabloid").status_code == 303
    with transaction(drawn.sessions) as session:
        job = session.scalars(select(Job).where(Job.kind == "floor.render")).one()
        assert (job.args["scale"], job.args["paper"]) == (96, "tabloid")
    assert "A paper is being made." in client.get(f"{PLAN}/files").text
    with transaction(drawn.sessions) as session:
        session.get_one(Job, job.id).state = "done"
    # The house keeps one of version 1: it is what would have been made.
    page = client.get(f"{PLAN}/files").text
    assert f"/paper/{drawn.house.plan_paper}.pdf" in page
    assert client.get(f"{PLAN}/paper/{drawn.house.plan_paper}.pdf").data.endswith(b"plan")
    # A document that is no plan's is not given out here.
    assert client.get(f"{PLAN}/paper/1.pdf").status_code == 404
