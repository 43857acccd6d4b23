"""Which returns are due, and the mail that reminds the managers of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.queries import first_days
from coop.core.clock import local_date
from coop.core.jobs import JobRun, long_job
from coop.core.mail import queue_mail
from coop.core.templating import render
from coop.dealers.models import Cooperative, RoleGrant, UserAccount
from coop.floor.models import Mall
from coop.tax.documents import CAUTION, DueDay
from coop.tax.domain.returns import FilingPeriod
from coop.tax.models import TaxReturn
from coop.tax.offices import Settings, periods_of, return_number, slug

SHOWN = 18
"""Past periods of an office that the list of due dates goes back."""


@dataclass(frozen=True)
class DueRow:
    """One period of one office, and how its return stands."""

    office: str
    slug: str
    period: FilingPeriod
    number: str
    due_on: date
    days: int
    """From today to the due date; negative when past."""
    over: bool
    filed: TaxReturn | None
    """The last return filed for it, an amended one before the original."""

    @property
    def late(self) -> bool:
        return self.filed is None and self.days < 0


def due_rows(session: Session, today: date) -> list[DueRow]:
    """Every office's periods up to the current one, the latest first. Refuses settings that contradict each other."""
    settings = Settings(session)
    began = first_days(session)
    filed: dict[tuple[str, date, date], TaxReturn] = {}
    for one in session.scalars(select(TaxReturn).where(TaxReturn.state == "filed").order_by(TaxReturn.id)):
        filed[one.office, one.first_day, one.last_day] = one
    rows = []
    for office, since in settings.offices().items():
        if not began:
            continue
        for period in periods_of(settings, office, max(since, min(began.values())), today)[-SHOWN:]:
            terms = settings.terms(office, period.first_day)
            if terms is None:
                continue
            due = terms.due_on(period)
            found = filed.get((office, period.first_day, period.last_day))
            number = found.number if found else return_number(office, period)
            rows.append(DueRow(office, slug(office), period, number, due, (due - today).days, period.last_day < today, found))
    return sorted(rows, key=lambda row: (row.due_on, row.office), reverse=True)


def due_days(rows: Sequence[DueRow]) -> list[DueDay]:
    """The due dates for a calendar, the earliest first."""
    return [
        DueDay(
            key=f"tax-due-{row.slug}-{row.period.first}-{row.period.frequency}",
            on=row.due_on,
            summary=f"Sales-tax return due: {row.office}, {row.period.name}",
            description=f"Return {row.number}, {'filed' if row.filed else 'not filed yet'}. The state's rule decides.",
        )
        for row in reversed(rows)
    ]


# --- reminders ------------------------------------------------------------------------------------------------------------

LEADS = (7, 1)
"""Days before a due date on which the managers are reminded of a return that is not filed."""


def remind_of_returns(session: Session, now: datetime, *, mail_domain: str) -> int:
    """Write to every manager of each return that is over, not filed, and due within a lead; how many mails there are of it.

    A mail's key is the return, the lead and the user: asked again the same day, or the day after, nothing is sent twice.
    """
    timezone = session.scalar(select(Mall.timezone).order_by(Mall.id).limit(1)) or "UTC"
    managers = session.execute(
        select(UserAccount.id, UserAccount.email)
        .join(RoleGrant, RoleGrant.user_id == UserAccount.id)
        .where(RoleGrant.role == "manager", UserAccount.disabled_at.is_(None))
        .order_by(UserAccount.id)
    ).all()
    coop = session.get(Cooperative, 1)
    if coop is None:
        return 0  # an empty database: nothing is due yet
    mails = 0
    for row in due_rows(session, local_date(now, timezone)):
        leads = [lead for lead in LEADS if row.days <= lead]
        if row.filed is not None or not row.over or row.days < 0 or not leads:
            continue
        values = {"row": row, "coop_name": coop.name, "caution": CAUTION}
        for user_id, email in managers:
            queue_mail(
                session,
                now,
                key=f"tax-due/{row.number}/{leads[-1]}/{user_id}",
                kind="tax due",
                recipient=email,
                subject=" ".join(render("email/tax_due/subject.txt", **values).split())[:200],
                text_body=render("email/tax_due/body.txt", **values).strip() + "\n",
                html_body=render("email/tax_due/body.html", **values),
                mail_domain=mail_domain,
            )
            mails += 1
    return mails


@long_job("tax.remind")
def _remind(run: JobRun, args: dict[str, Any]) -> None:
    with run.transaction() as session:
        remind_of_returns(session, run.clock(), mail_domain=run.settings.mail_domain)
        run.finish(session)
