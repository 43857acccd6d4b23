"""Mail on its way: real databases, a real SMTP server, processes that are really killed.

The clock is a value the test moves, so that retries of days take no time.
"""

from __future__ import annotations

import mailbox
from collections.abc import Callable
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select, update

from coop.core import job_groups, jobs
from coop.core.db import make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.core.mail import (
    MOST_ATTEMPTS,
    MailIdentity,
    Outbox,
    count_mail,
    list_mail,
    mail_state,
    message_id_of,
    queue_mail,
    resend_mail,
)
from tests.databases import PostgresDatabases
from tests.integration.core.post import LEASE, PDF, Post
from tests.mail_server import MailServer


@pytest.fixture
def box(post: Post) -> Post:
    """A co-op without a mail server: its mail goes to the Maildir."""
    return Post(post.sessions, post.settings.model_copy(update={"smtp_host": ""}), post.now, post.one_job)


# --- accepted -----------------------------------------------------------------------------------------------------------


def test_a_mail_is_sent_once_with_its_document(post: Post, smtp_server: MailServer) -> None:
    mail = post.queue(recipient="Zoë Świątek <dealer@example.org>")
    assert post.run(mail)
    assert not post.run(mail)
    [received] = smtp_server.messages
    assert received.sender == "office@example.org"
    assert received.recipients == ("dealer@example.org",)
    assert received.message["Subject"] == "Ihr Auszug für Dezember"
    assert received.message["To"] == "Zoë Świątek <dealer@example.org>"
    text = received.message.get_body(("plain",))
    assert text is not None
    assert text.get_content().strip() == "To be paid: $12.00 – 京都"
    [attached] = received.message.iter_attachments()
    assert attached.get_content() == PDF
    assert post.state(mail) == ("sent", 1)
    [(outcome, reply)] = post.attempts(mail)
    assert outcome == "sent"
    assert reply.startswith("250")
    assert post.job_of(mail).state == "done"


def test_the_same_key_is_one_mail(post: Post, smtp_server: MailServer) -> None:
    first = post.queue()
    assert post.queue(recipient="other@example.org") == first
    post.run(first)
    assert post.queue() == first
    assert not post.run(first)
    assert [received.recipients for received in smtp_server.messages] == [("dealer@example.org",)]


def test_an_international_address_goes_to_a_server_that_takes_it(post: Post, smtp_server: MailServer) -> None:
    mail = post.queue(recipient="zoë@bücher.example")
    post.run(mail)
    # RFC 6531: the part before the @ in UTF-8; the domain may stay in its ASCII form.
    assert [received.recipients for received in smtp_server.messages] == [("zoë@xn--bcher-kva.example",)]


# --- refused ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["rcpt", "data"])
def test_a_mail_put_off_comes_again_when_it_is_due(post: Post, smtp_server: MailServer, stage: str) -> None:
    smtp_server.refuse_temporarily(times=2, stage=stage)  # type: ignore[arg-type]
    mail = post.queue()
    for attempt, minutes in ((1, 1), (2, 5)):
        assert post.run(mail)
        assert post.state(mail) == ("queued", attempt)
        due = post.job_of(mail).run_after
        assert due == post.now + timedelta(minutes=minutes)
        post.now = due - timedelta(seconds=1)
        assert not post.run(mail), "it is not due yet"
        post.now = due
    assert post.run(mail)
    assert post.state(mail) == ("sent", 3)
    replies = post.attempts(mail)
    assert replies[:2] == [("put_off", "451 4.7.1 Try again later")] * 2
    assert replies[2][0] == "sent"
    assert len(smtp_server.messages) == 1


def test_put_off_for_three_days_it_is_given_up_and_shown(post: Post, smtp_server: MailServer) -> None:
    smtp_server.refuse_temporarily()
    mail = post.queue()
    begun = post.now
    while post.run(mail):
        post.now = max(post.now, post.job_of(mail).run_after)
    assert post.state(mail) == ("given_up", MOST_ATTEMPTS)
    assert timedelta(days=3) < post.now - begun < timedelta(days=4)
    assert smtp_server.refusals == MOST_ATTEMPTS
    job = post.job_of(mail)
    assert (job.state, job.error) == ("done", "")
    with transaction(post.sessions) as session:
        assert session.get_one(Outbox, mail).error == "451 4.7.1 Try again later"


@pytest.mark.parametrize("stage", ["rcpt", "data"])
def test_a_permanent_refusal_stops_and_is_shown(post: Post, smtp_server: MailServer, stage: str) -> None:
    smtp_server.refuse_for_ever(stage=stage)  # type: ignore[arg-type]
    mail = post.queue()
    assert post.run(mail)
    assert post.state(mail) == ("failed", 1)
    assert post.attempts(mail) == [("refused", "550 5.1.1 No such mailbox")]
    post.now += timedelta(days=9)
    assert not post.run(mail)
    assert smtp_server.refusals == 1


def test_a_wrong_address_fails_with_a_sentence_and_never_reaches_the_server(post: Post, smtp_server: MailServer) -> None:
    mail = post.queue(recipient="dealer at example.org")
    assert post.run(mail)
    assert post.state(mail) == ("failed", 1)
    [(outcome, reply)] = post.attempts(mail)
    assert outcome == "refused"
    assert reply == "'dealer at example.org' is not a mail address: write it like name@example.org."
    assert smtp_server.messages == []


@pytest.mark.parametrize("field", ["recipient", "subject"])
@pytest.mark.parametrize("smuggled", ["\nBcc: thief@example.org", "\r\n\r\nbody", "\x00", "\u2028Bcc: x@example.org"])
def test_a_line_end_in_a_header_is_refused_before_anything_is_written(post: Post, field: str, smuggled: str) -> None:
    values = {"recipient": "dealer@example.org", "subject": "Hello"}
    values[field] += smuggled
    with transaction(post.sessions) as session:
        with pytest.raises(Refusal, match=field):
            queue_mail(session, post.now, key="k", kind="note", text_body="", mail_domain="example.org", **values)
        assert list_mail(session) == []


def test_a_server_that_is_not_there_puts_the_mail_off(post: Post) -> None:
    post.settings = post.settings.model_copy(update={"smtp_port": 1})
    mail = post.queue()
    assert post.run(mail)
    assert post.state(mail) == ("queued", 1)
    [(outcome, reply)] = post.attempts(mail)
    assert outcome == "put_off"
    assert "refused" in reply


def test_a_server_that_hangs_is_cut_off_and_tried_again(post: Post, smtp_server: MailServer) -> None:
    post.settings = post.settings.model_copy(update={"smtp_timeout_s": 1})
    smtp_server.hang(times=1)
    mail = post.queue()
    assert post.run(mail)
    assert post.attempts(mail) == [("put_off", "the server had not finished after 1 seconds")]
    post.now += timedelta(hours=1)
    assert post.run(mail)
    assert post.state(mail) == ("sent", 2)
    assert len(smtp_server.messages) == 1


# --- killed -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("point", "mails"),
    [("job:claimed", 1), ("mail:claimed", 1), ("mail:sent", 2), ("mail:recorded", 1), ("job:done", 1)],
)
def test_killed_anywhere_a_mail_is_sent_and_only_a_cut_between_sending_and_recording_repeats_it(
    post: Post, smtp_server: MailServer, point: str, mails: int
) -> None:
    mail = post.queue()
    post.run_and_die(mail, point)
    post.now += timedelta(seconds=1)
    ended = point in ("mail:recorded", "job:done")
    assert post.run(mail) is False, "whoever had it may still be at it"
    post.now += LEASE
    post.run(mail)
    assert post.state(mail) == ("sent", 2 if point in ("mail:claimed", "mail:sent") else 1)
    assert post.job_of(mail).state == "done"
    assert len(smtp_server.messages) == mails
    assert len({received.content for received in smtp_server.messages}) == 1, "a repeated mail is the same mail"
    if not ended and point != "job:claimed":
        assert [outcome for outcome, _ in post.attempts(mail)] == ["started", "sent"]


@pytest.mark.parametrize("point", ["mail:claimed", "mail:sent", "mail:recorded"])
def test_the_post_box_never_holds_a_mail_twice(box: Post, point: str) -> None:
    mail = box.queue()
    box.run_and_die(mail, point)
    box.now += timedelta(minutes=5)
    box.run(mail)
    assert box.state(mail)[0] == "sent"
    [kept] = mailbox.Maildir(box.settings.maildir, create=False)
    with transaction(box.sessions) as session:
        assert kept["Message-ID"] == f"<{session.get_one(Outbox, mail).message_id}>"


def test_a_mail_is_not_taken_while_another_may_still_be_talking_to_the_server(post: Post, smtp_server: MailServer) -> None:
    mail = post.queue()
    post.run_and_die(mail, "mail:claimed")
    with transaction(post.sessions) as session:
        session.execute(update(Job).values(lease_until=post.now))
    post.now += timedelta(seconds=1)
    assert post.run(mail)
    assert smtp_server.messages == []
    # Twice the time limit of 20 seconds (once to connect, once to talk) and five to spare.
    assert post.job_of(mail).run_after == post.now - timedelta(seconds=1) + timedelta(seconds=45)
    post.now = post.job_of(mail).run_after
    assert post.run(mail)
    assert len(smtp_server.messages) == 1


def test_killed_after_a_mail_was_put_off_it_is_not_tried_before_it_is_due(post: Post, smtp_server: MailServer) -> None:
    smtp_server.refuse_temporarily(times=1)
    mail = post.queue()
    post.run_and_die(mail, "mail:recorded")
    assert post.state(mail) == ("queued", 1)
    with transaction(post.sessions) as session:
        due = session.get_one(Outbox, mail).next_at
        session.execute(update(Job).values(lease_until=post.now))
    post.now += timedelta(seconds=1)
    assert post.run(mail)
    assert smtp_server.messages == []
    assert post.job_of(mail).run_after == due
    post.now = due
    assert post.run(mail)
    assert len(smtp_server.messages) == 1


def test_a_worker_that_lost_its_job_meanwhile_still_records_what_it_sent(post: Post, smtp_server: MailServer) -> None:
    mail = post.queue()
    job_id = post.job_of(mail).id
    with transaction(post.sessions) as session:
        token = jobs.claim_job(session, post.now, job_id, LEASE)
    run = jobs.JobRun(job_id, str(token), post.sessions, LEASE, post.settings, lambda: post.now)
    body = jobs.KINDS["mail.send"].long
    assert body is not None
    with transaction(post.sessions) as session:
        session.execute(update(Job).where(Job.id == job_id).values(lease_token="another"))
    body(run, {"outbox_id": mail})
    assert post.state(mail) == ("sent", 1)
    assert post.job_of(mail).state == "running"
    post.now += timedelta(minutes=5)
    assert post.run(mail), "whoever has the job finds the mail sent, and ends it"
    assert post.job_of(mail).state == "done"
    assert len(smtp_server.messages) == 1


def die_every_time(post: Post, mail: int) -> None:
    """The mail's job as after a worker that was killed each time it had it; then claimed once more."""
    with transaction(post.sessions) as session:
        session.execute(update(Job).where(Job.key == f"mail:{mail}").values(attempts=jobs.MAX_ATTEMPTS))
        session.execute(update(Outbox).where(Outbox.id == mail).values(state="sending", lease_token="x", lease_until=post.now))
    assert post.run(mail)
    assert post.job_of(mail).state == "failed"


def test_a_mail_whose_job_died_every_time_is_given_up_and_may_be_sent_again(post: Post, smtp_server: MailServer) -> None:
    mail = post.queue()
    die_every_time(post, mail)
    assert post.state(mail)[0] == "given_up"
    with transaction(post.sessions) as session:
        assert session.get_one(Outbox, mail).error == "given up after 5 attempts that ended without a word"
    again = resend(post, mail)
    assert post.run(again)
    assert post.state(again)[0] == "sent"
    assert len(smtp_server.messages) == 1


def test_a_retried_job_takes_up_the_mail_it_gave_up_unless_that_was_sent_again(post: Post, smtp_server: MailServer) -> None:
    left, sent_again = post.queue("a"), post.queue("b")
    for mail in (left, sent_again):
        die_every_time(post, mail)
    assert post.run(resend(post, sent_again))
    with transaction(post.sessions) as session:
        assert job_groups.retry_failed(session, post.now, "mail-2010-12") == 2
    for mail in (left, sent_again):
        assert post.run(mail)
        assert post.job_of(mail).state == "done"
    assert post.state(left)[0] == "sent"
    assert post.state(sent_again)[0] == "given_up"
    assert len(smtp_server.messages) == 2


def test_two_co_ops_that_share_a_domain_share_no_message_id(
    post: Post, postgres_databases: PostgresDatabases, make_test_engine: Callable[[str], Engine]
) -> None:
    elsewhere = postgres_databases.migrated()
    other = Post(make_sessions(make_test_engine(elsewhere)), post.settings, post.now, post.one_job)
    ids = []
    for co_op in (post, other):
        for key in ("statement/MAIN/D01/2010-12", "statement/MAIN/D02/2010-12"):
            mail = co_op.queue(key)
            with transaction(co_op.sessions) as session:
                salt = session.scalars(select(MailIdentity.salt)).one()
                ids.append(session.get_one(Outbox, mail).message_id)
            assert ids[-1] == message_id_of(key, "example.org", salt)
    assert len(set(ids)) == 4


# --- sent again, and read -----------------------------------------------------------------------------------------------


def resend(post: Post, outbox_id: int, recipient: str | None = None) -> int:
    with transaction(post.sessions) as session:
        outbox = session.get_one(Outbox, outbox_id)
        return resend_mail(session, post.now, outbox, mail_domain="example.org", recipient=recipient, user_id=7).id


def test_a_resend_is_a_new_mail_with_an_id_of_its_own(post: Post, smtp_server: MailServer) -> None:
    mail = post.queue()
    with pytest.raises(Refusal, match="still on its way"):
        resend(post, mail)
    post.run(mail)
    second = resend(post, mail, "new@example.org")
    with pytest.raises(Refusal, match="still on its way"):
        resend(post, mail)
    post.run(second)
    third = resend(post, second)
    post.run(third)
    with transaction(post.sessions) as session:
        keys = [state.key for state in reversed(list_mail(session))]
    assert keys == [f"statement/MAIN/D01/2010-12{n}" for n in ("", "/2", "/3")]
    assert len({received.message_id for received in smtp_server.messages}) == 3
    assert [received.recipients[0] for received in smtp_server.messages] == [
        "dealer@example.org",
        "new@example.org",
        "new@example.org",
    ]
    assert all(b"application/pdf" in received.content for received in smtp_server.messages)


def test_the_office_reads_mail_by_state_page_and_last_reply(post: Post, smtp_server: MailServer) -> None:
    smtp_server.refuse_for_ever()
    failed = post.queue("a")
    post.run(failed)
    smtp_server.accept()
    sent, queued = post.queue("b"), post.queue("c")
    post.run(sent)
    with transaction(post.sessions) as session:
        assert [state.outbox_id for state in list_mail(session)] == [queued, sent, failed]
        assert [state.outbox_id for state in list_mail(session, limit=1, before_id=queued)] == [sent]
        assert [(state.outbox_id, state.reply) for state in list_mail(session, state="failed")] == [
            (failed, "550 5.1.1 No such mailbox")
        ]
        assert list_mail(session, kind="rota") == []
        assert mail_state(session, 10_000) is None
        assert count_mail(session) == {"queued": 1, "sending": 0, "sent": 1, "failed": 1, "given_up": 0}
        assert count_mail(session, "rota") == dict.fromkeys(("queued", "sending", "sent", "failed", "given_up"), 0)
