"""Reminders by mail of returns that are due, and the paper of a filed one."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path

import pikepdf
import pytest
from markupsafe import escape
from sqlalchemy import select

from coop.config import Settings
from coop.core.db import Sessions, transaction
from coop.core.documents import Document
from coop.core.jobs import Job, claim_next, run_job
from coop.core.mail import Outbox
from coop.core.periods import Month
from coop.core.schedule import SCHEDULE
from coop.tax.documents import CAUTION, return_html, return_pdf
from coop.tax.domain.frozen import ReturnUnreadable, from_json, sha256, to_json
from coop.tax.domain.returns import FilingPeriod
from coop.tax.due import remind_of_returns
from coop.tax.filing import file_return, read_return
from coop.tax.models import TaxReturn
from tests.factories.house import OCTOBER, House, add_person, build_house
from tests.factories.tax import OFFICE

NOVEMBER = FilingPeriod(Month(2026, 11), "month")


@pytest.fixture
def house(sessions: Sessions, now: datetime) -> House:
    with transaction(sessions) as session:
        return build_house(session, now, month_end=False)


def remind(sessions: Sessions, day: date) -> list[str]:
    """The reminders there are after a morning's; keys without the office."""
    with transaction(sessions) as session:
        remind_of_returns(session, datetime(day.year, day.month, day.day, 14, tzinfo=UTC), mail_domain="example.org")
        keys = session.scalars(select(Outbox.key).where(Outbox.kind == "tax due").order_by(Outbox.id)).all()
        return [key.removeprefix("tax-due/elder-revenue-office.") for key in keys]


def test_managers_are_reminded_a_week_and_a_day_before_once_each(sessions: Sessions, house: House) -> None:
    """November's return is due on Monday, December 21."""
    me = house.users["manager"]
    assert remind(sessions, date(2026, 12, 13)) == []
    for day in (14, 15, 19):
        assert remind(sessions, date(2026, 12, day)) == [f"2026-11/7/{me}"]
    for day in (20, 21, 22):
        assert remind(sessions, date(2026, 12, day)) == [f"2026-11/7/{me}", f"2026-11/1/{me}"]
    with sessions() as session:
        mail = session.scalars(select(Outbox).where(Outbox.kind == "tax due")).first()
        assert mail is not None
        assert mail.recipient == "manager@example.org"
        assert mail.subject == "Sales-tax return for November 2026 is due on Dec 21, 2026 (Elder Revenue Office)"
        assert mail.text_body.startswith(
            "The sales-tax return for November 2026 is due to Elder Revenue Office on Dec 21, 2026, in 7 days"
        )
        assert CAUTION in mail.text_body


def test_nobody_is_reminded_of_a_return_that_is_filed(sessions: Sessions, house: House, now: datetime) -> None:
    with transaction(sessions) as session:
        file_return(session, now, OFFICE, NOVEMBER, filed_on=date(2026, 12, 2))
    assert remind(sessions, date(2026, 12, 15)) == []


def test_who_is_no_manager_any_more_is_not_written_to(sessions: Sessions, house: House, now: datetime) -> None:
    with transaction(sessions) as session:
        add_person(session, now, "second@example.org", ("manager",))
    assert len(remind(sessions, date(2026, 12, 15))) == 2


def test_reminding_is_scheduled_every_day() -> None:
    assert [each.every for each in SCHEDULE if each.kind == "tax.remind"] == [timedelta(days=1)]


def after(now: datetime, hours: int) -> datetime:
    return now + timedelta(hours=hours)


def test_a_filed_return_is_rendered_once_by_a_worker_and_kept(
    sessions: Sessions, house: House, now: datetime, tmp_path: Path
) -> None:
    with transaction(sessions) as session:
        number = file_return(session, now, OFFICE, NOVEMBER, filed_on=date(2026, 12, 2)).number
    lease = timedelta(seconds=60)
    settings = Settings(data=tmp_path, mail_domain="example.org")
    for hours in range(1, 50):
        with transaction(sessions) as session:
            claimed = claim_next(session, now + timedelta(hours=hours), lease)
        if claimed is None:
            break
        run_job(sessions, claimed[0], lease=lease, settings=settings, token=claimed[1], clock=partial(after, now, hours))
    with sessions() as session:
        kinds = session.execute(select(Job.kind, Job.state, Job.error).where(Job.kind == "tax.render")).all()
        assert {(state, error) for _, state, error in kinds} == {("done", "")}
        (document,) = session.scalars(select(Document).where(Document.file_name == f"tax-return-{number}.pdf")).all()
        assert document.content.startswith(b"%PDF")


def test_the_paper_says_whether_it_is_filed_and_is_the_same_every_time(sessions: Sessions, house: House) -> None:
    with sessions() as session:
        filed = session.scalars(select(TaxReturn).where(TaxReturn.first_day == OCTOBER.first_day)).one()
        sheet = read_return(filed)
    assert "Draft of return" in return_html(sheet, filed=False)
    assert "Draft" not in return_html(sheet, filed=True)
    assert str(escape(CAUTION)) in return_html(sheet, filed=True)
    first = return_pdf(sheet, filed=True)
    assert first == return_pdf(from_json(filed.value_json, filed.value_sha256), filed=True)
    with pikepdf.open(io.BytesIO(first)) as pdf:
        assert str(pdf.Root.Lang) == "en"
        assert pdf.Root.MarkInfo.Marked


def test_a_kept_return_that_was_touched_is_noticed(sessions: Sessions, house: House) -> None:
    with sessions() as session:
        filed = session.scalars(select(TaxReturn)).one()
        text = filed.value_json
    assert to_json(from_json(text)) == text
    with pytest.raises(ReturnUnreadable, match="not what was filed"):
        from_json(text.replace("Elder", "Older"), sha256(text))
    with pytest.raises(ReturnUnreadable, match="a format this version does not know"):
        from_json(text.replace("coop tax return 1", "coop tax return 9"))
