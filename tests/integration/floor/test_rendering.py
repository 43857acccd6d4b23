"""A plan's paper made by a job, on both databases."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import func, select

from coop.core.db import Sessions, transaction
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.jobs import Job, claim_next, run_job
from coop.floor.domain.draft import PlanDraft, SpaceDraft
from coop.floor.models import Mall
from coop.floor.planning import save_plan
from coop.floor.queries import plan_version
from coop.floor.rendering import newest_plan_pdf, plan_pdf_document, plan_pdf_pending, start_plan_pdf
from coop.floor.service import add_mall

TODAY = date(2026, 11, 3)
DRAFT = PlanDraft(
    ((0, 0), (7680, 0), (7680, 5760), (0, 5760)),
    spaces=(SpaceDraft("14", "booth", "front", ((192, 192), (2112, 192), (2112, 1728), (192, 1728))),),
)


@pytest.fixture
def mall(sessions: Sessions, now: datetime) -> Mall:
    with transaction(sessions) as session:
        return add_mall(session, now, "MAIN", name="Elm Street Hall", timezone="America/Chicago")


def run_all(sessions: Sessions, now: datetime) -> int:
    """Run what is queued, as a worker would; how many jobs ran."""
    for ran in range(5):
        with transaction(sessions) as session:
            claimed = claim_next(session, now, timedelta(seconds=60))
        if claimed is None:
            return ran
        run_job(sessions, claimed[0], lease=timedelta(seconds=60), token=claimed[1], clock=lambda: now)
    return 5


def test_a_plan_is_rendered_once_for_a_version_day_scale_and_paper(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        start_plan_pdf(session, now, mall, TODAY, scale=96)
        start_plan_pdf(session, now, mall, TODAY, scale=96)
        assert plan_pdf_pending(session, mall)
        assert newest_plan_pdf(session, mall, 1) is None
    assert run_all(sessions, now) == 1
    with transaction(sessions) as session:
        assert not plan_pdf_pending(session, mall)
        made = newest_plan_pdf(session, mall, 1)
        assert made is not None
        assert made.file_name == "floor-plan-MAIN-v1-2026-11-03-1to96-letter.pdf"
        assert made.content.startswith(b"%PDF-")
        assert plan_pdf_document(session, mall, made.id) is made
        # Made already: nothing is queued for the same, a job is for another scale.
        start_plan_pdf(session, now, mall, TODAY, scale=96)
        assert not plan_pdf_pending(session, mall)
        start_plan_pdf(session, now, mall, TODAY, scale=48)
    assert run_all(sessions, now) == 1
    with transaction(sessions) as session:
        newest = newest_plan_pdf(session, mall, 1)
        assert newest is not None
        assert newest.file_name == "floor-plan-MAIN-v1-2026-11-03-1to48-letter.pdf"
        assert session.scalar(select(func.count()).select_from(Document)) == 2


def test_a_changed_plan_has_no_paper_until_one_is_made(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        start_plan_pdf(session, now, mall, TODAY, scale=96)
    run_all(sessions, now)
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=1)
        assert newest_plan_pdf(session, mall, plan_version(session, mall.id)) is None
        other = add_mall(session, now, "BARN", name="The Barn", timezone="America/Chicago")
        made = session.scalars(select(Document)).one()
        assert plan_pdf_document(session, other, made.id) is None


def test_a_plan_that_cannot_be_rendered_says_why_with_its_job(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        start_plan_pdf(session, now, mall, TODAY, scale=2)
    run_all(sessions, now)
    with transaction(sessions) as session:
        job = session.scalars(select(Job)).one()
        assert job.state == "failed"
        assert "choose a larger paper or a smaller scale" in job.error


def test_no_plan_and_no_such_paper_are_refused(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        with pytest.raises(Refusal, match="Elm Street Hall has no plan yet"):
            start_plan_pdf(session, now, mall, TODAY)
        save_plan(session, now, mall, DRAFT, version=0)
        with pytest.raises(Refusal, match="Paper 'napkin' is not known"):
            start_plan_pdf(session, now, mall, TODAY, paper="napkin")
