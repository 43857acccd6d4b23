"""A reset's paper made by a job, on both databases: once for a plan, day, scale and paper, and never of what has changed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.jobs import Job, claim_next, run_job
from coop.leases.editing import By
from coop.resets.composing import compose
from coop.resets.papers import (
    last_paper_job,
    papers_of,
    reset_paper,
    reset_pdf_document,
    reset_pdf_pending,
    start_reset_pdf,
    usual_scale,
)
from coop.resets.planning import Asked, drop_reset, group_of, keep_plan, make_reset, newest_plan
from coop.resets.reset_models import Reset
from coop.resets.working import facts_digest, read_facts
from tests.factories.house import add_person
from tests.factories.resets import BoothLaid, a_booth, in16, plan_reset

LEASE = timedelta(seconds=60)
NEXT_DAY = Asked(date(2026, 12, 2), 600, 1080)
NAME = "reset-{}-plan1-MAIN-12-2026-12-01-1to48-letter.pdf"


Laid = tuple[Session, BoothLaid, By, Reset]


def lay(session: Session, now: datetime) -> tuple[BoothLaid, By, Reset]:
    """A reset with its plan, and no job that waits."""
    booth = a_booth(session, now)
    by = By(add_person(session, now, "ida@example.org", ("dealer",), booth.dealer.member_id))
    assert by.user_id is not None
    row = plan_reset(session, now, booth, by.user_id)
    session.execute(delete(Job).where(Job.group_key == group_of(row)))
    return booth, by, row


@pytest.fixture
def laid(sessions: Sessions, now: datetime) -> Iterator[Laid]:
    with transaction(sessions) as session:
        yield session, *lay(session, now)


def run_all(sessions: Sessions, now: datetime) -> None:
    """Run what is queued, as a worker would."""
    for _ in range(5):
        with transaction(sessions) as session:
            claimed = claim_next(session, now, LEASE)
        if claimed is None:
            return
        run_job(sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: now)


def test_a_paper_is_made_once_for_a_plan_day_scale_and_paper(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        _, _, row = lay(session, now)
        reset_id = row.id
        for _ in range(2):
            start_reset_pdf(session, now, row, scale=48, size="letter")
        job = session.scalars(select(Job)).one()
        assert (job.kind, job.queue) == ("resets.paper", "statements")
        assert job.args == {"reset_id": reset_id, "plan": 1, "on": "2026-12-01", "scale": 48, "size": "letter"}
        assert reset_pdf_pending(session, row)
    run_all(sessions, now)
    with transaction(sessions) as session:
        row = session.get_one(Reset, reset_id)
        plan = newest_plan(session, row)
        assert plan is not None
        assert not reset_pdf_pending(session, row)
        (made,) = papers_of(session, row, plan)
        assert made.file_name == NAME.format(reset_id)
        assert made.content.startswith(b"%PDF-")
        assert reset_pdf_document(session, row, made.id) is made
        start_reset_pdf(session, now, row, scale=48, size="letter")
        assert not reset_pdf_pending(session, row), "what is made is not made again"
        start_reset_pdf(session, now, row, scale=24, size="a4")
    run_all(sessions, now)
    with transaction(sessions) as session:
        row = session.get_one(Reset, reset_id)
        plan = newest_plan(session, row)
        assert plan is not None
        assert [one.file_name[-13:] for one in papers_of(session, row, plan)] == ["-1to24-a4.pdf", "48-letter.pdf"]
        last = last_paper_job(session, row)
        assert last is not None
        assert last.state == "done"


def test_the_paper_says_what_the_reset_is(laid: Laid) -> None:
    session, _, _, row = laid
    plan = newest_plan(session, row)
    assert plan is not None
    said = reset_paper(session, row, plan)
    assert (said.mall, said.booth, said.before, said.after, said.number) == (
        "Lantern Yard Antiques Hall",
        "Booth 12",
        "Autumn",
        "Winter",
        1,
    )
    assert (said.on, said.begins_minute, said.ends_minute, said.people) == (date(2026, 12, 1), 600, 1080, 2)
    assert usual_scale(plan, "letter") == 24


def test_a_paper_of_another_reset_is_not_given_out(laid: Laid, now: datetime) -> None:
    session, booth, by, row = laid
    other = make_reset(
        session,
        now,
        booth.dealer,
        booth.space,
        before=booth.stands,
        after=None,
        asked=NEXT_DAY,
        by=by,
    )
    name = NAME.format(other.id)
    document = Document(
        file_name=name, media_type="application/pdf", content=b"x", size_bytes=1, sha256="0" * 64, made_with="", created_at=now
    )
    session.add(document)
    session.flush()
    assert reset_pdf_document(session, other, document.id) is document
    assert reset_pdf_document(session, row, document.id) is None
    assert reset_pdf_document(session, row, document.id + 1) is None


def test_nothing_is_printed_of_an_order_that_is_not_there(laid: Laid, now: datetime) -> None:
    session, booth, by, _ = laid
    row = make_reset(session, now, booth.dealer, booth.space, before=booth.stands, after=booth.draft, asked=NEXT_DAY, by=by)
    with pytest.raises(Refusal, match="is being worked out"):
        start_reset_pdf(session, now, row, scale=48, size="letter")
    session.execute(delete(Job).where(Job.group_key == group_of(row)))
    with pytest.raises(Refusal, match="No order of this reset is worked out yet"):
        start_reset_pdf(session, now, row, scale=48, size="letter")
    booth.pieces["Tall cupboard"].width_in16 = in16(400)
    session.flush()
    facts = read_facts(session, row)
    keep_plan(session, now, row, compose(facts), facts_digest(facts))
    with pytest.raises(Refusal, match=r"Plan 1 has no order to print\. .*Tall cupboard"):
        start_reset_pdf(session, now, row, scale=48, size="letter")


def test_a_plan_of_what_has_changed_since_is_not_printed(laid: Laid, now: datetime) -> None:
    session, booth, by, row = laid
    booth.pieces["Pine table"].width_in16 = in16(50)
    session.flush()
    with pytest.raises(Refusal, match="have changed since plan 1 was worked out"):
        start_reset_pdf(session, now, row, scale=48, size="letter")
    drop_reset(session, now, row, by=by)
    start_reset_pdf(session, now, row, scale=48, size="letter")
    assert reset_pdf_pending(session, row), "of one that is over, the paper is as it was"


def test_a_reset_put_off_while_its_paper_waits_gets_none_of_the_old_day(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        _, _, row = lay(session, now)
        start_reset_pdf(session, now, row, scale=48, size="letter")
        row.on_date = date(2026, 12, 5)
    run_all(sessions, now)
    with transaction(sessions) as session:
        row = session.scalars(select(Reset)).one()
        assert not reset_pdf_pending(session, row)
        assert session.scalar(select(func.count()).select_from(Document)) == 0
