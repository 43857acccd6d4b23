"""A draft of lent floor in the office: asked for, followed, looked at, out of date, published, dropped, and what is refused."""

from __future__ import annotations

import re
from datetime import date
from html import unescape
from typing import Any

from sqlalchemy import delete, select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job
from coop.floor.models import Mall
from coop.overflow.models import BaySurvey, OverflowAnswer, OverflowDraft, OverflowPiece, OverflowRequest, Stay
from coop.overflow.period import hash_of, read_period
from tests.integration.web.conftest import Web, send

AT = "/office/overflow/MAIN/draft"
ASKED = {"first_day": "2026-11-09", "weeks": "4", "seconds": "5", "seed": "7"}
WHY = "Blanket chest stands in bay A1-2, the nearest with room."


def words(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def mistakes(page: str) -> dict[str, str]:
    found = re.findall(r'class="mistake" id="([^"]+)-wrong">(.*?)</p>', page, re.DOTALL)
    return {name: words(said).removeprefix("✻ ") for name, said in found}


def drafts(web: Web) -> list[OverflowDraft]:
    """But for the house's own of October."""
    with transaction(web.sessions) as session:
        rows = select(OverflowDraft).where(OverflowDraft.id != web.house.overflow.draft)
        return list(session.scalars(rows.order_by(OverflowDraft.id)))


def outcome(request_id: int, piece_id: int, moved: int) -> dict[str, Any]:
    """As a search would write it down: the chest has 0 to 40 in. of bay A1-2 for four weeks; a piece that stands goes."""
    inch = IN16_PER_INCH
    return {
        "stopped": False,
        "seed": 7,
        "milliseconds": 1200,
        "tiers": [
            {"name": "standing", "value": 0, "bound": 0, "proven": True, "gap_percent": 0},
            {"name": "fairness", "value": 1040, "bound": 1000, "proven": False, "gap_percent": 4},
        ],
        "placements": [
            {
                "request": request_id,
                "stay": None,
                "piece": piece_id,
                "dealer": "D01",
                "bay": "A1-2",
                "from_in16": 0,
                "to_in16": 40 * inch,
                "depth_in16": 18 * inch,
                "turned": False,
                "starts_on": "2026-11-09",
                "ends_on": "2026-12-06",
                "why": WHY,
            }
        ],
        "answers": [{"request": request_id, "dealer": "D01", "answer": "granted", "sentence": WHY}],
        "moves": [
            {
                "stay": moved,
                "dealer": "D02",
                "from": "2026-11-09",
                "until": "2026-12-06",
                "placed": False,
                "sentence": "The bay is too narrow now.",
            }
        ],
        "later": [],
        "taken_out": [],
    }


def drafted(web: Web) -> int:
    """A draft that was asked for and is worked out; its id."""
    assert send(web.browser("manager"), AT, **ASKED).status_code == 303
    with transaction(web.sessions) as session:
        row = session.scalars(select(OverflowDraft).where(OverflowDraft.state == "draft")).one()
        waiting = web.house.overflow.waiting
        piece = session.scalars(select(OverflowPiece.id).where(OverflowPiece.request_id == waiting)).one()
        row.outcome = outcome(waiting, piece, web.house.overflow.others)
        mall = session.get_one(Mall, row.mall_id)
        row.made_of = hash_of(read_period(session, mall, row.first_day, row.weeks, date(2026, 11, 3)))
        session.get_one(Job, row.job_id).state = "done"
        return row.id


def version(web: Web) -> str:
    return str(drafts(web)[-1].version)


def test_a_draft_is_asked_for_and_followed(web: Web) -> None:
    manager = web.browser("manager")
    page = words(manager.get(AT).text)
    assert "One request waits." in page
    assert 'value="2026-11-09"' in manager.get(AT).text, "the next Monday"
    assert send(manager, AT, **ASKED).status_code == 303
    page = manager.get(AT).text
    assert "waits to be drafted" in page
    assert ">Refresh</a>" in page, "without a script"
    assert "Stop it and keep the best so far" in page
    fragment = web.browser("auditor").get(f"{AT}/progress").text
    assert 'data-ended="no"' in fragment
    with transaction(web.sessions) as session:
        job = session.get_one(Job, drafts(web)[0].job_id)
        job.state, job.progress_done, job.progress_total = "running", 2, 5
    assert "The draft is going on: 2 of 5 seconds." in manager.get(f"{AT}/progress").text
    again = send(manager, AT, **ASKED)
    assert "is there already" in words(manager.get(again.location).text)
    assert send(manager, f"{AT}/stop").status_code == 303
    assert drafts(web)[0].stop_asked_at is not None
    with transaction(web.sessions) as session:
        job = session.get_one(Job, drafts(web)[0].job_id)
        job.state, job.error = "failed", "The bays could not be worked out."
    assert "It was not drafted: The bays could not be worked out." in words(manager.get(AT).text)


def test_what_cannot_be_drafted_is_told_at_its_field(web: Web) -> None:
    manager = web.browser("manager")

    def told(**typed: str) -> dict[str, str]:
        answer = send(manager, AT, **{**ASKED, **typed})
        assert answer.status_code == 422
        return mistakes(answer.text)

    assert told(first_day="2026-11-02")["first_day"].startswith("The first day, Nov 2, 2026, is past")
    assert told(first_day="") == {"first_day": "Write the first day, like 2026-12-07."}
    assert told(weeks="53") == {"weeks": "Write a whole number from 1 to 52."}
    assert told(seconds="0") == {"seconds": "Write a whole number from 1 to 600."}
    assert drafts(web) == []
    with transaction(web.sessions) as session:
        session.get_one(OverflowRequest, web.house.overflow.waiting).state = "withdrawn"
    answer = send(manager, AT, **ASKED)
    assert "Nobody waits for floor" in words(manager.get(answer.location).text)


def test_what_came_of_it_is_told_drawn_and_taken(web: Web) -> None:
    drafted(web)
    auditor = web.browser("auditor")
    page = words(auditor.get(AT).text)
    assert "1 of 1 requests granted." in page
    assert "What stands keeps its floor proven, no draft is better at it." in page
    assert "Floor shared by rent paid not proven: its cost of 1,040 is at most 4% above the least there can be." in page
    assert f"Nov 9, 2026 to Dec 6, 2026 Dec 6, 2026 {WHY}" in page
    assert "Pie safe , D02, bay A1-1, away on Nov 9, 2026: The bay is too narrow now." in page
    assert "Publish it" not in page, "that is the manager's"
    weeks = auditor.get(AT).text
    assert "Weeks of bay A1-2" in weeks
    assert "Blanket chest, D01, by this draft, 0&#34; to 3&#39; 4&#34; along the bay" in weeks
    assert "Week 4 from Nov 30, 2026" in words(auditor.get(f"{AT}?week=9").text), "the last there is"
    assert auditor.get(f"{AT}?as=csv").text.splitlines()[1].startswith("Blanket chest,")
    assert "There is none like it" in words(auditor.get(f"{AT}?which=moved").text)


def test_a_draft_is_published_once_nothing_has_changed(web: Web) -> None:
    draft_id = drafted(web)
    manager = web.browser("manager")
    assert "Publish it, and tell everybody who asked" in manager.get(AT).text
    stale = send(manager, f"{AT}/publish", version="0")
    assert "worked out anew since you opened it" in stale.text
    answer = send(manager, f"{AT}/publish", version=version(web))
    assert answer.status_code == 303
    page = words(manager.get(answer.location).text)
    assert "It is published: one piece gets floor, and everybody who asked is told." in page
    assert "Floor given out from Nov 9, 2026" in page
    assert WHY in page
    with transaction(web.sessions) as session:
        stay = session.scalars(select(Stay).where(Stay.why == WHY)).one()
        assert (stay.starts_on, stay.ends_on, stay.state) == (date(2026, 11, 9), date(2026, 12, 6), "stands")
        assert session.get_one(Stay, web.house.overflow.others).ends_on == date(2026, 11, 8)
        told = select(OverflowAnswer.sentence).where(OverflowAnswer.draft_id == draft_id)
        assert session.scalars(told).all() == [WHY]
    page = words(manager.get(AT).text)
    assert "Published before 4 weeks from Nov 9, 2026 , published Nov 3, 2026, 9:00 am: 1 of 1 requests granted." in page
    assert manager.get(f"/office/overflow/MAIN/drafts/{draft_id + 1}").status_code == 404


def test_a_draft_that_is_out_of_date_is_drafted_again(web: Web) -> None:
    drafted(web)
    manager = web.browser("manager")
    with transaction(web.sessions) as session:
        session.get_one(OverflowRequest, web.house.overflow.waiting).weeks = 3
    page = words(manager.get(AT).text)
    assert "Something has changed since this was drafted" in page
    assert "Publish it, and tell" not in page
    refused = send(manager, f"{AT}/publish", version=version(web))
    assert "Something has changed since this draft was worked out" in refused.text
    wrong = send(manager, f"{AT}/again", seconds="")
    assert wrong.status_code == 422
    assert mistakes(wrong.text) == {"seconds": "Write how many seconds."}
    assert send(manager, f"{AT}/again", seconds="5", seed="").status_code == 303
    (row,) = drafts(web)
    assert (row.outcome, row.seed) == (None, None)
    assert "waits to be drafted" in manager.get(AT).text


def test_a_draft_is_dropped_and_nobody_gets_anything(web: Web) -> None:
    drafted(web)
    manager = web.browser("manager")
    send(manager, f"{AT}/drop")
    assert [row.state for row in drafts(web)] == ["dropped"]
    page = words(manager.get(AT).text)
    assert "The draft of 4 weeks from Nov 9, 2026 was dropped . Nobody was told of it." in page
    assert "One request waits." in page
    assert "No draft of Lantern Yard Antiques Hall waits any more" in send(manager, f"{AT}/drop").text


def test_a_draft_that_was_dropped_is_taken_up_again(web: Web) -> None:
    draft_id = drafted(web)
    manager = web.browser("manager")
    send(manager, f"{AT}/drop")
    undo = f"/office/overflow/MAIN/drafts/{draft_id}/again"
    assert undo in manager.get(AT).text
    assert undo not in web.browser("auditor").get(AT).text, "that is the manager's"
    assert send(manager, undo).status_code == 303
    page = manager.get(AT).text
    assert "Publish it, and tell everybody who asked" in page
    assert undo not in page
    send(manager, f"{AT}/drop")
    assert send(manager, AT, **ASKED).status_code == 303
    assert undo not in manager.get(AT).text, "another draft waits"
    answer = send(manager, undo)
    assert "A draft of Nov 9 to Dec 6, 2026 is there already" in answer.text
    assert send(manager, "/office/overflow/MAIN/drafts/999/again").status_code == 404


def test_what_is_in_the_way_until_the_draft_moves_it_is_asked_back_from_its_page(web: Web) -> None:
    others, manager = web.house.overflow.others, web.browser("manager")
    drafted(web)
    assert "Until then it stands where it must not" not in words(manager.get(AT).text)
    with transaction(web.sessions) as session:
        session.execute(delete(BaySurvey))
        value = {"must_move": {str(others): "It stands before the exit."}}
        session.add(BaySurvey(mall_id=web.house.mall.id, made_of="", value=value))
    page = words(manager.get(AT).text)
    assert "Until then it stands where it must not: It stands before the exit. That is not to wait for the draft." in page
    assert "Ask it back today, for safety" in page
    send(manager, "/office/overflow/MAIN/must-move", when="today", stay=str(others))
    assert "Ask it back today, for safety" not in words(manager.get(AT).text), "today is its last day"
