"""A mail server that does not answer: found out by one mail, not by every mail in turn."""

from __future__ import annotations

from datetime import timedelta

from coop.core.db import transaction
from coop.core.mail import (
    MOST_ATTEMPTS,
    NOT_TRIED,
    Outbox,
)
from tests.integration.core.post import Post
from tests.mail_server import MailServer


def test_while_a_server_hangs_the_other_mails_do_not_wait_for_it_too(post: Post, smtp_server: MailServer) -> None:
    post.settings = post.settings.model_copy(update={"smtp_timeout_s": 1})
    smtp_server.hang()
    mails = [post.queue(key) for key in "abcdef"]
    for mail in mails:
        assert post.run(mail)
    assert smtp_server.refusals == 1, "one found out for all"
    assert {post.state(mail) for mail in mails} == {("queued", 1)}
    assert post.attempts(mails[0]) == [("put_off", "the server had not finished after 1 seconds")]
    assert post.attempts(mails[5]) == [("put_off", NOT_TRIED)]
    assert {post.job_of(mail).run_after for mail in mails} == {post.now + timedelta(minutes=1)}
    # A minute later the next one finds out; then the server answers, and all go out.
    post.now += timedelta(minutes=1)
    assert post.run(mails[1])
    assert post.run(mails[2])
    assert smtp_server.refusals == 2
    smtp_server.accept()
    post.now += timedelta(minutes=5)
    for mail in mails:
        assert post.run(mail)
    assert {post.state(mail)[0] for mail in mails} == {"sent"}
    assert len(smtp_server.messages) == 6


def test_a_server_that_is_gone_is_asked_once_a_minute_and_again_once_it_has_answered(post: Post, smtp_server: MailServer) -> None:
    here = post.settings
    first, second, third = (post.queue(key) for key in "abc")
    post.settings = here.model_copy(update={"smtp_port": 1})
    assert post.run(first)
    post.settings = here
    post.now += timedelta(seconds=59)
    assert post.run(second)
    assert post.attempts(second) == [("put_off", NOT_TRIED)]
    post.now += timedelta(seconds=1)
    assert post.run(first)
    assert post.state(first)[0] == "sent"
    assert post.run(third)
    assert post.state(third) == ("sent", 1)
    assert post.attempts(second) == [("put_off", NOT_TRIED)]


def test_a_refusal_of_one_mail_keeps_no_other_from_being_tried(post: Post, smtp_server: MailServer) -> None:
    smtp_server.refuse_temporarily()
    for mail in [post.queue(key) for key in "abc"]:
        assert post.run(mail)
        assert post.attempts(mail) == [("put_off", "451 4.7.1 Try again later")]


def test_no_mail_is_given_up_without_having_been_offered_at_the_last(post: Post, smtp_server: MailServer) -> None:
    first, second = post.queue("a"), post.queue("b")
    here, post.settings = post.settings, post.settings.model_copy(update={"smtp_port": 1})
    with transaction(post.sessions) as session:
        session.get_one(Outbox, second).attempts = MOST_ATTEMPTS - 1
    assert post.run(first)
    post.settings = here
    assert post.run(second)
    assert post.state(second) == ("sent", MOST_ATTEMPTS)
