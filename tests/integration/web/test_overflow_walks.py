"""Walks in the office: begun, marked row by row, what is wrong told at its row, dealers told once, and the sheet on paper."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from html import unescape

from flask.testing import FlaskClient
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.documents import Document, keep_document
from coop.core.jobs import Job
from coop.floor.models import Mall
from coop.overflow.models import Stay, Walk, WalkMark
from coop.overflow.papers import KIND
from coop.overflow.telling import TELL
from tests.factories.overflow_hall import build_overflow_hall
from tests.integration.web.conftest import Web, send

AT = "/office/overflow/MAIN/walks"
TODAY = date(2026, 11, 3)


def words(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def begin(who: FlaskClient) -> str:
    """A walk's address."""
    answer = send(who, AT)
    assert answer.status_code == 303
    return answer.location


def marks(web: Web) -> dict[int, tuple[str, str]]:
    """Of today's walks."""
    with transaction(web.sessions) as session:
        rows = select(WalkMark).join(Walk, Walk.id == WalkMark.walk_id).where(Walk.on_date == TODAY)
        return {one.stay_id: (one.mark, one.note) for one in session.scalars(rows)}


def told(web: Web) -> int:
    """How many times dealers are to be told of what a walk found."""
    with transaction(web.sessions) as session:
        jobs = session.scalars(select(Job).where(Job.kind == TELL))
        return sum(job.args["what"] == "found" for job in jobs)


def test_a_walk_is_begun_once_a_day_and_gone_on_with(web: Web) -> None:
    manager = web.browser("manager")
    assert "2 pieces are looked for in the aisles today." in words(manager.get(AT).text)
    walk = begin(manager)
    assert begin(manager) == walk
    assert "Go on with today’s walk" in manager.get(AT).text
    page = words(manager.get(walk).text)
    assert "0 of 2 looked at" in page
    assert page.index("Hall bench , D01") < page.index("Pie safe , D02"), "along the bay"
    assert "4' 2\" to 5' 10\", 1' 8\" × 1' 4\" × 4' 2\"" in page
    assert "Cane rocker" not in page, "it comes next week"


def test_rows_are_marked_one_by_one_and_taken_back(web: Web) -> None:
    manager, laid = web.browser("manager"), web.house.overflow
    walk = begin(manager)
    send(manager, walk, **{f"how-{laid.stay}": "in place"})
    assert marks(web) == {laid.stay: ("in place", "")}
    with transaction(web.sessions) as session:
        assert session.get_one(Stay, laid.stay).moved_in_on is not None, "what is found is there"
    answer = send(
        manager, walk, do=str(laid.others), **{f"how-{laid.others}": "out of place", f"note-{laid.others}": "at the exit"}
    )
    assert answer.location.endswith(f"#stay-{laid.others}")
    assert marks(web) == {laid.stay: ("in place", ""), laid.others: ("out of place", "at the exit")}
    assert "2 of 2 looked at" in words(manager.get(walk).text)
    send(manager, walk, **{f"how-{laid.stay}": "none", f"note-{laid.stay}": ""})
    assert set(marks(web)) == {laid.others}
    page = words(manager.get(AT).text)
    assert "Nov 3, 2026 0 1 0" in page


def test_a_note_that_is_too_long_stands_at_its_row_and_nothing_is_kept(web: Web) -> None:
    manager, laid = web.browser("manager"), web.house.overflow
    walk = begin(manager)
    long = {f"how-{laid.stay}": "not there", f"how-{laid.others}": "in place", f"note-{laid.others}": "x" * 201}
    answer = send(manager, walk, do="all", **long)
    assert answer.status_code == 422
    assert "Write it in 200 characters: it has 201." in answer.text
    assert re.search(rf'name="how-{laid.stay}" value="not there" checked', answer.text), "what was marked stays"
    assert marks(web) == {}
    unsaid = send(manager, walk, **{f"note-{laid.stay}": "leans"})
    assert unsaid.status_code == 422
    assert "Say how you found it, too" in unsaid.text
    assert send(manager, walk, note="y" * 401).status_code == 422
    assert send(manager, walk, **{f"how-{laid.stay}": "upside down"}).status_code == 422


def test_dealers_are_told_once_and_the_walk_is_over(web: Web) -> None:
    manager, laid = web.browser("manager"), web.house.overflow
    walk = begin(manager)
    nothing = send(manager, walk, do="tell")
    assert nothing.status_code == 422
    assert "Nothing is marked on this walk" in nothing.text
    fields = {f"how-{laid.stay}": "in place", f"how-{laid.others}": "not there", "note": "A crate before booth 12"}
    assert send(manager, walk, do="tell", **fields).status_code == 303
    assert told(web) == 1
    page = words(manager.get(walk).text)
    assert "The walk is over: one dealer is told." in page
    assert "dealers told Nov 3, 2026, 9:00 am" in page
    assert "✻ not there" in page
    assert "What stood there and was on no list A crate before booth 12" in page
    late = send(manager, walk, **{f"how-{laid.stay}": "not there"})
    assert late.status_code == 422
    assert "Dealers were told what this walk found" in late.text
    send(manager, walk, do="tell")
    assert told(web) == 1
    assert begin(manager) != walk, "what is found now is found by another"
    with transaction(web.sessions) as session:
        assert len(session.scalars(select(Walk).where(Walk.on_date == TODAY)).all()) == 2
    assert manager.get(f"{AT}/999999").status_code == 404
    assert 'type="radio"' not in web.browser("auditor").get(walk).text


def test_the_sheet_is_asked_for_and_shown_when_it_is_made(web: Web) -> None:
    auditor = web.browser("auditor")
    assert "Lantern Yard Antiques Hall has none yet" in auditor.get(AT).text
    refused = send(auditor, f"{AT}/sheet")
    assert refused.status_code == 422
    assert "has no plan yet: draw or import one first." in refused.text
    with transaction(web.sessions) as session:
        build_overflow_hall(session, web.clock.at, session.get_one(Mall, web.house.mall.id))
    assert send(auditor, f"{AT}/sheet").status_code == 303
    assert "The sheet is being made." in auditor.get(f"{AT}/sheet").text
    with transaction(web.sessions) as session:
        assert session.scalars(select(Job.state).where(Job.kind == KIND)).all() == ["queued"]
        kept = keep_document(
            session,
            web.clock.at,
            file_name="overflow-MAIN-2026-11-03-0.pdf",
            media_type="application/pdf",
            content=b"%PDF-",
            made_with="tests",
        )
        other = session.scalars(select(Document.id).where(Document.id != kept.id)).first()
        mine = kept.id
    assert auditor.get(f"{AT}/sheets/{mine}.pdf").data == b"%PDF-"
    assert auditor.get(f"{AT}/sheets/{other or 999}.pdf").status_code == 404, "a document that is no sheet of this mall"


def test_how_many_are_not_looked_at_is_said_beside_the_press_that_ends_it(web: Web) -> None:
    manager, laid = web.browser("manager"), web.house.overflow
    walk = begin(manager)
    assert "2 not looked at yet: nobody is told of these." in words(manager.get(walk).text)
    send(manager, walk, **{f"how-{laid.stay}": "in place"})
    page = words(manager.get(walk).text)
    assert "Tell the dealers 1 not looked at yet: nobody is told of these." in page
    send(manager, walk, **{f"how-{laid.others}": "in place"})
    assert "none not looked at yet: nobody is told of these." in words(manager.get(walk).text)


def test_what_was_found_out_of_place_stays_listed_when_the_next_walk_begins(web: Web) -> None:
    manager, laid = web.browser("manager"), web.house.overflow
    send(manager, begin(manager), do="tell", **{f"how-{laid.others}": "out of place", f"note-{laid.others}": "at the exit"})
    begin(manager)
    listed = words(manager.get("/office/overflow/MAIN", query_string={"kind": "out of place"}).text)
    assert "out of place on Nov 3, 2026: at the exit" in listed
    assert "out of place on the walk of Nov 3, 2026: at the exit" in words(
        manager.get(f"/office/overflow/MAIN/stays/{laid.others}").text
    )


def test_what_should_be_gone_is_out_of_place_or_not_there(web: Web) -> None:
    manager, laid = web.browser("manager"), web.house.overflow
    with transaction(web.sessions) as session:
        session.get_one(Stay, laid.others).ends_on = TODAY - timedelta(days=1)
    walk = begin(manager)
    page = manager.get(walk).text
    assert "should be gone since Nov 2, 2026: out of place if it still stands" in words(page)
    choices = re.findall(rf'name="how-{laid.others}" value="([a-z ]+)"', page)
    assert choices == ["out of place", "not there"]
    send(manager, walk, **{f"how-{laid.others}": "not there"})
    with transaction(web.sessions) as session:
        assert session.get_one(Stay, laid.others).gone_said_at is not None
    send(manager, walk, **{f"how-{laid.others}": "none", f"note-{laid.others}": ""})
    with transaction(web.sessions) as session:
        assert session.get_one(Stay, laid.others).gone_said_at is None


def test_a_row_says_that_a_mark_takes_back_no_word_of_its_dealer(web: Web, now: datetime) -> None:
    """Its dealer has said, since it was found, that it left the day before."""
    manager, stay_id = web.browser("manager"), web.house.overflow.stay
    walk = begin(manager)
    send(manager, walk, **{f"how-{stay_id}": "in place"})
    with transaction(web.sessions) as session:
        stay = session.get_one(Stay, stay_id)
        stay.moved_in_on, stay.ends_on = None, TODAY - timedelta(days=1)
        stay.gone_said_at, stay.gone_said_by = now, web.house.users["dealer"]
    answer = send(manager, walk, **{f"how-{stay_id}": "out of place"})
    assert answer.status_code == 303
    assert marks(web)[stay_id] == ("out of place", "")
    assert "said to be gone since Nov 2, 2026: that is not taken back here" in words(manager.get(walk).text)
    with transaction(web.sessions) as session:
        stay = session.get_one(Stay, stay_id)
        assert (stay.ends_on, stay.gone_said_by) == (TODAY - timedelta(days=1), web.house.users["dealer"])
