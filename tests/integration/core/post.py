"""A co-op's mail in one database, with a clock the test moves."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select

from coop.config import Settings
from coop.core.db import Sessions, transaction
from coop.core.documents import keep_document
from coop.core.jobs import Job, run_job
from coop.core.mail import MailAttempt, mail_state, queue_mail
from tests.functional.warm import WarmCoop

LEASE = timedelta(seconds=60)
PDF = b"%PDF-1.7 not really, \x00\xff"


@dataclass
class Post:
    """A co-op's mail in one database, at a moment the test moves."""

    sessions: Sessions
    settings: Settings
    now: datetime
    one_job: WarmCoop
    """Runs one job in a process of its own."""

    def queue(self, key: str = "statement/MAIN/D01/2010-12", recipient: str = "dealer@example.org") -> int:
        with transaction(self.sessions) as session:
            document = keep_document(
                session, self.now, file_name="s.pdf", media_type="application/pdf", content=PDF, made_with="test"
            )
            return queue_mail(
                session,
                self.now,
                key=key,
                kind="statement",
                recipient=recipient,
                subject="Ihr Auszug für Dezember",
                text_body="To be paid: $12.00 – 京都\n",
                html_body="<p>To be paid: $12.00 – 京都</p>",
                document_id=document.id,
                mail_domain="example.org",
                group_key="mail-2010-12",
            ).id

    def job_of(self, outbox_id: int) -> Job:
        with transaction(self.sessions) as session:
            return session.scalars(select(Job).where(Job.key == f"mail:{outbox_id}")).one()

    def run(self, outbox_id: int) -> bool:
        """Run the mail's job now, if it is due."""
        job = self.job_of(outbox_id)
        return run_job(self.sessions, job.id, lease=LEASE, settings=self.settings, clock=lambda: self.now)

    def state(self, outbox_id: int) -> tuple[str, int]:
        with transaction(self.sessions) as session:
            state = mail_state(session, outbox_id)
        assert state is not None
        return state.state, state.attempts

    def attempts(self, outbox_id: int) -> list[tuple[str, str]]:
        with transaction(self.sessions) as session:
            made = select(MailAttempt).where(MailAttempt.outbox_id == outbox_id).order_by(MailAttempt.id)
            return [(attempt.outcome, attempt.reply) for attempt in session.scalars(made)]

    def run_and_die(self, outbox_id: int, point: str) -> None:
        """Run the mail's job in a process of its own, which is killed at the point."""
        env = {
            "COOP_KILL_AT": point,
            "COOP_DATABASE_URL": self.settings.database_url,
            "COOP_SMTP_HOST": self.settings.smtp_host,
            "COOP_SMTP_PORT": str(self.settings.smtp_port),
            "COOP_SMTP_SECURITY": "none",
            "COOP_MAIL_FROM": self.settings.mail_from,
            "COOP_MAIL_DOMAIN": "example.org",
            "COOP_SMTP_TIMEOUT_S": str(self.settings.smtp_timeout_s),
        }
        words = [str(self.settings.data), str(self.job_of(outbox_id).id), self.now.isoformat(), str(LEASE.seconds)]
        done = self.one_job(*words, **env)
        assert done.killed, done.err
