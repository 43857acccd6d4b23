"""The sheet to walk the aisles with made by a job, on both databases: once for a mall, a day and what is on it."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job, claim_next, run_job
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.planning import save_plan, set_aisle_width
from coop.floor.service import add_mall
from coop.overflow.models import BayRow, BaySurvey, Stay
from coop.overflow.papers import ask_sheet, sheet_document, sheet_state, walk_paper
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_stay
from tests.factories.overflow_hall import overflow_draft
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.unit.pdf_reading import texts_of

TODAY = date(2026, 11, 3)
LEASE = timedelta(seconds=60)


@pytest.fixture
def mall_id(sessions: Sessions, now: datetime) -> int:
    """A hall of twelve booths with 44 in. required in A1, bays A1-2, A1-10 and A2-1 (kept free), and three pieces in them."""
    with transaction(sessions) as session:
        make_coop(session, now)
        mall = make_mall(session, now)
        save_plan(session, now, mall, overflow_draft(), version=0)
        set_aisle_width(session, now, mall, "A1", date(2026, 1, 1), 44 * IN16_PER_INCH, said_by="fire marshal")
        dealer = make_dealer(session, now, "D01")
        ten = lay_bay(session, mall, "A1-10", 120, 24, x=240, y=102)
        two = lay_bay(session, mall, "A1-2", 60, 24, x=120, y=102)
        lay_bay(session, mall, "A2-1", 96, 24, x=120, y=430, is_lent=False)
        lay_bay(session, mall, "A1-1", 60, 24, y=102, ended_on=TODAY)
        stays(session, dealer, two, ten)
        return mall.id


def stays(session: Session, dealer: Dealer, two: BayRow, ten: BayRow) -> None:
    for name, bay, at, first, last in (
        ("Pine chest", ten, 40, 0, 0),
        ("Oak dresser", ten, 0, -30, 30),
        ("Cane chair", two, 10, 0, 20),
        ("Gone yesterday", two, 0, -30, -1),
        ("Late screen", ten, 80, -30, -1),
        ("Comes tomorrow", ten, 80, 1, 20),
    ):
        piece = lay_piece(session, dealer, name)
        stay = lay_stay(session, piece, bay, TODAY + timedelta(days=first), TODAY + timedelta(days=last), at=at)
        stay.gone_said_at = stay.created_at if name == "Gone yesterday" else None


def run_all(sessions: Sessions, now: datetime) -> int:
    """Run what is queued, as a worker would; how many jobs ran."""
    for ran in range(5):
        with transaction(sessions) as session:
            claimed = claim_next(session, now, LEASE)
        if claimed is None:
            return ran
        run_job(sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: now)
    return 5


def test_the_sheet_says_what_is_to_stand_where_in_walking_order(sessions: Sessions, mall_id: int) -> None:
    with transaction(sessions) as session:
        mall = session.get_one(Mall, mall_id)
        paper = walk_paper(session, mall, TODAY)
        assert [(one.number, one.bay.code, one.name, one.said) for one in paper.pieces] == [
            (1, "A1-2", "Cane chair", "moves in today, until Nov 23, 2026"),
            (2, "A1-10", "Oak dresser", "until Dec 3, 2026"),
            (3, "A1-10", "Pine chest", "moves in today, until today"),
            (4, "A1-10", "Late screen", "should be gone since Nov 2, 2026"),
        ]
        assert [(one.bay.code, one.is_lent) for one in paper.bays] == [("A1-2", True), ("A1-10", True), ("A2-1", False)]
        assert paper.aisles == (("A1", 44 * IN16_PER_INCH), ("A2", 36 * IN16_PER_INCH))
        dresser = session.scalars(select(Stay).where(Stay.starts_on == TODAY - timedelta(days=30), Stay.ends_on > TODAY)).one()
        survey = BaySurvey(mall_id=mall_id, value={"must_move": {str(dresser.id): "A1-10 is cut."}})
        session.add(survey)
        session.flush()
        assert [one.state for one in walk_paper(session, mall, TODAY).pieces] == ["comes", "must move", "comes", "leaves"]


def test_a_sheet_is_made_once_until_what_is_on_it_changes(sessions: Sessions, now: datetime, mall_id: int) -> None:
    with transaction(sessions) as session:
        mall = session.get_one(Mall, mall_id)
        session.execute(delete(Job))
        assert sheet_state(session, mall, TODAY) == sheet_state(session, mall, TODAY + timedelta(days=1))
        for _ in range(2):
            asked = ask_sheet(session, now, mall, TODAY)
            assert asked.is_pending
            assert asked.document is None
        job = session.scalars(select(Job).where(Job.kind == "overflow.sheet")).one()
        assert (job.queue, job.args) == ("statements", {"mall_id": mall_id, "on": "2026-11-03"})
        assert not sheet_state(session, mall, TODAY + timedelta(days=1)).is_pending
    assert run_all(sessions, now) == 1
    with transaction(sessions) as session:
        mall = session.get_one(Mall, mall_id)
        state = sheet_state(session, mall, TODAY)
        assert state.document is not None
        assert not state.is_pending
        assert state.document.file_name.startswith("overflow-MAIN-2026-11-03-")
        said = "".join(texts_of(state.document.content))
        for words in ("Cane chair", "Oak dresser", "Pine chest", "moves in today", "Nothing is to stand in A2-1 (kept free)."):
            assert words in said
        assert "Late screen" in said
        assert "Gone yesterday" not in said
        assert "Comes tomorrow" not in said
        assert sheet_document(session, mall, state.document.id) is state.document
        other = add_mall(session, now, "BARN", name="The Barn", timezone="America/Chicago")
        assert sheet_document(session, other, state.document.id) is None
        # A job that is run again keeps nothing twice.
        session.execute(update(Job).values(state="queued"))
    assert run_all(sessions, now) == 1
    with transaction(sessions) as session:
        mall = session.get_one(Mall, mall_id)
        state = sheet_state(session, mall, TODAY)
        assert session.scalar(select(func.count()).select_from(Document)) == 1
        assert ask_sheet(session, now, mall, TODAY).document is state.document
        assert session.scalar(select(func.count()).where(Job.kind == "overflow.sheet")) == 1
        session.scalars(select(Stay).where(Stay.ends_on == TODAY)).one().state = "cancelled"
        session.flush()
        assert sheet_state(session, mall, TODAY).document is None
        assert ask_sheet(session, now, mall, TODAY).is_pending
        assert session.scalar(select(func.count()).select_from(Document)) == 1


def test_a_mall_without_a_plan_has_no_sheet(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        mall = add_mall(session, now, "BARN", name="The Barn", timezone="America/Chicago")
        state = sheet_state(session, mall, TODAY)
        assert (state.document, state.job, state.is_pending) == (None, None, False)
        with pytest.raises(Refusal, match="The Barn has no plan yet: draw or import one first"):
            ask_sheet(session, now, mall, TODAY)
        assert session.scalar(select(func.count()).where(Job.kind == "overflow.sheet")) == 0
