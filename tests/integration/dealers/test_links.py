"""Links by which a passphrase is chosen, as services, on both databases: invited, lost, used once, over."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.config import Settings
from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job, claim_next, run_job
from coop.core.mail import HIDDEN, resend_mail
from coop.core.outbox import Outbox
from coop.core.sealed_text import FieldKeys
from coop.dealers import granting, links, service
from coop.dealers.models import PassphraseRequest, SignInLink, UserAccount, WebSession
from tests.factories.people import make_coop, make_dealer
from tests.integration.leases.test_two_at_once import race

HOME = "192.0.2.7"
BASE = "https://office.example.org"
NEW = "a lamp under the oak stair"
LEASE = timedelta(seconds=60)


@pytest.fixture
def settings(tmp_path: Path, database_url: str) -> Settings:
    return Settings(data=tmp_path, database_url=database_url, mail_domain="example.org")


@pytest.fixture
def sender(settings: Settings) -> links.Sender:
    return links.Sender(FieldKeys.of(settings), BASE, "example.org")


@pytest.fixture
def invited(sessions: Sessions, now: datetime, sender: links.Sender) -> int:
    with transaction(sessions) as session:
        make_coop(session, now)
        roles = ["bookkeeper"]
        return links.invite_user(session, now, sender, email=" Orla@Example.org", roles=roles, request_id="r1").id


def deliver(sessions: Sessions, settings: Settings, now: datetime) -> list[str]:
    """Do the work that is queued; the mails that lie in the post-box then, the newest last."""
    while True:
        with transaction(sessions) as session:
            claimed = claim_next(session, now, LEASE)
        if claimed is None:
            break
        run_job(sessions, claimed[0], lease=LEASE, settings=settings, token=claimed[1], clock=lambda: now)
    files = sorted((settings.maildir / "new").glob("*"), key=lambda path: path.stat().st_mtime_ns)
    return [path.read_text(encoding="utf-8") for path in files]


def token_in(mail: str) -> str:
    return mail.replace("=\n", "").split(f"{BASE}/sign-in/link/")[1].split()[0].split('"')[0]


def use(sessions: Sessions, now: datetime, token: str, new: str = NEW) -> int:
    with transaction(sessions) as session:
        return links.use_link(session, now, token, new=new).id


def may_sign_in(sessions: Sessions, now: datetime, passphrase: str = NEW, email: str = "orla@example.org") -> bool:
    with transaction(sessions) as session:
        judged = service.judge(session, now, email=email, passphrase=passphrase, address=HOME)
        return isinstance(judged, UserAccount)


def test_an_invitation_brings_the_secret_and_the_office_cannot_read_it(
    sessions: Sessions, now: datetime, settings: Settings, invited: int
) -> None:
    [mail] = deliver(sessions, settings, now)
    token = token_in(mail)
    assert HIDDEN not in mail
    with transaction(sessions) as session:
        link, kept = session.scalars(select(SignInLink)).one(), session.scalars(select(Outbox)).one()
        assert kept.state == "sent"
        assert HIDDEN in kept.text_body
        assert HIDDEN in kept.html_body
        assert token not in kept.text_body + kept.html_body + link.token_sealed
        assert link.token_sha256 == service.hash_token(token)
        said = [(row.action, row.request_id) for row in session.scalars(select(AuditLog).order_by(AuditLog.id))]
        assert said == [("user invited", "r1"), ("link sent", "r1")]
    assert use(sessions, now, token) == invited
    assert may_sign_in(sessions, now)
    with transaction(sessions) as session:
        assert session.scalars(select(SignInLink)).one().token_sealed == ""


@pytest.mark.parametrize("after", [timedelta(days=7), timedelta(days=8)])
def test_a_link_is_over_in_its_time(
    sessions: Sessions, now: datetime, settings: Settings, invited: int, after: timedelta
) -> None:
    token = token_in(deliver(sessions, settings, now)[0])
    with pytest.raises(Refusal, match="no longer good"):
        use(sessions, now + after, token)
    assert not may_sign_in(sessions, now + after)
    assert use(sessions, now + timedelta(days=7) - timedelta(seconds=1), token) == invited


def test_a_link_is_good_once(sessions: Sessions, now: datetime, settings: Settings, invited: int) -> None:
    token = token_in(deliver(sessions, settings, now)[0])
    use(sessions, now, token)
    with pytest.raises(Refusal, match="no longer good"):
        use(sessions, now, token, "another one under the stair")
    assert may_sign_in(sessions, now)


def test_of_two_who_use_a_link_at_once_one_does(sessions: Sessions, now: datetime, settings: Settings, invited: int) -> None:
    token = token_in(deliver(sessions, settings, now)[0])
    told: list[str] = []
    ready = threading.Barrier(2)

    def try_it(new: str) -> None:
        ready.wait()
        try:
            use(sessions, now, token, new)
            told.append("done")
        except Refusal as refusal:
            told.append(str(refusal))

    threads = [threading.Thread(target=try_it, args=(f"{NEW} {n}",)) for n in (1, 2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert sorted(told) == sorted(["done", links.OVER])
    assert [may_sign_in(sessions, now, f"{NEW} {n}") for n in (1, 2)].count(True) == 1


def test_a_passphrase_that_will_not_do_leaves_the_link_good(
    sessions: Sessions, now: datetime, settings: Settings, invited: int
) -> None:
    token = token_in(deliver(sessions, settings, now)[0])
    with pytest.raises(Refusal, match="12 characters or more"):
        use(sessions, now, token, "short")
    assert use(sessions, now, token) == invited


def test_a_newer_link_ends_the_older(
    sessions: Sessions, now: datetime, settings: Settings, sender: links.Sender, invited: int
) -> None:
    first = token_in(deliver(sessions, settings, now)[0])
    with transaction(sessions) as session:
        links.send_link(session, now, sender, session.get_one(UserAccount, invited), links.PASSPHRASE, by=invited)
    second = next(token for mail in deliver(sessions, settings, now) if (token := token_in(mail)) != first)
    with pytest.raises(Refusal, match="no longer good"):
        use(sessions, now, first)
    assert use(sessions, now, second) == invited


def test_of_two_links_sent_at_once_one_is_good(
    sessions: Sessions, now: datetime, settings: Settings, sender: links.Sender, invited: int
) -> None:
    def send(session: Session) -> None:
        links.send_link(session, now, sender, session.get_one(UserAccount, invited), links.PASSPHRASE, by=invited)

    assert race(sessions, send, send) == ["", ""]
    with transaction(sessions) as session:
        assert len(session.scalars(select(SignInLink)).all()) == 3
        assert session.scalar(select(func.count(SignInLink.id)).where(SignInLink.ended_at.is_(None))) == 1


def test_choosing_a_passphrase_signs_out_everywhere(sessions: Sessions, now: datetime, settings: Settings, invited: int) -> None:
    with transaction(sessions) as session:
        token = service.begin_session(session, now, invited, address=HOME, agent="")
    use(sessions, now, token_in(deliver(sessions, settings, now)[0]))
    with transaction(sessions) as session:
        assert service.resume_session(session, now, token) is None


def test_a_locked_person_uses_no_link(sessions: Sessions, now: datetime, settings: Settings, invited: int) -> None:
    token = token_in(deliver(sessions, settings, now)[0])
    with transaction(sessions) as session:
        granting.lock_user(session, now, session.get_one(UserAccount, invited))
    with pytest.raises(Refusal, match="no longer good"):
        use(sessions, now, token)


def test_who_never_signed_in_is_invited_again_and_who_did_chooses_anew(
    sessions: Sessions, now: datetime, sender: links.Sender, invited: int
) -> None:
    for signed_in, purpose in ((False, links.INVITATION), (True, links.PASSPHRASE)):
        with transaction(sessions) as session:
            user = session.get_one(UserAccount, invited)
            if signed_in:
                service.set_passphrase(session, now, user, NEW)
                service.sign_in(session, now, email=user.email, passphrase=NEW, address=HOME, agent="")
            assert links.send_next_link(session, now, sender, user, by=invited).purpose == purpose


def locked_and_unlocked(session: Session, now: datetime, user: UserAccount) -> None:
    granting.lock_user(session, now, user)
    granting.unlock_user(session, now, user)


ENDS: dict[str, Callable[[Session, datetime, UserAccount], object]] = {
    "changed on the page of her account": lambda session, now, user: service.change_passphrase(
        session, now, user.id, new=NEW, keep_session_id=0
    ),
    "renewed by the command": lambda session, now, user: service.renew_passphrase(session, now, email=user.email),
    "locked, and unlocked again": locked_and_unlocked,
}


@pytest.mark.parametrize("ends", ENDS.values(), ids=ENDS)
def test_a_new_passphrase_or_a_lock_ends_the_links_that_were_sent(
    sessions: Sessions,
    now: datetime,
    settings: Settings,
    invited: int,
    ends: Callable[[Session, datetime, UserAccount], object],
) -> None:
    """Who has read an old mail would otherwise choose the passphrase after all."""
    token = token_in(deliver(sessions, settings, now)[0])
    with transaction(sessions) as session:
        ends(session, now, session.get_one(UserAccount, invited))
    with pytest.raises(Refusal, match="no longer good"):
        use(sessions, now, token)
    with transaction(sessions) as session:
        assert session.scalars(select(SignInLink)).one().token_sealed == ""


@pytest.mark.parametrize(
    ("email", "roles", "says"),
    [
        ("orla", ["desk"], "is not a mail address"),
        ("ORLA@example.org", ["desk"], "has a sign-in already"),
        ("new@example.org", [], "No role is chosen"),
        ("new@example.org", ["boss"], "is no role"),
        ("new@example.org", ["dealer"], "dealer’s code is empty"),
    ],
)
def test_who_cannot_be_invited_is_said(
    sessions: Sessions, now: datetime, sender: links.Sender, invited: int, email: str, roles: list[str], says: str
) -> None:
    with pytest.raises(Refusal, match=says), transaction(sessions) as session:
        links.invite_user(session, now, sender, email=email, roles=roles)
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(UserAccount.id))) == 1


def test_a_dealer_is_invited_as_the_dealer_she_is(sessions: Sessions, now: datetime, sender: links.Sender, invited: int) -> None:
    with transaction(sessions) as session:
        dealer = make_dealer(session, now)
        user = links.invite_user(session, now, sender, email="ida@example.org", roles=["dealer"], member_id=dealer.member_id)
        assert user.member_id == dealer.member_id


def test_sent_again_from_the_letters_it_brings_the_same_link_or_fails_with_a_sentence(
    sessions: Sessions, now: datetime, settings: Settings, invited: int
) -> None:
    token = token_in(deliver(sessions, settings, now)[0])
    with transaction(sessions) as session:
        resend_mail(session, now, session.scalars(select(Outbox)).one(), mail_domain="example.org")
    assert [token_in(mail) for mail in deliver(sessions, settings, now)] == [token, token]
    use(sessions, now, token)
    with transaction(sessions) as session:
        again = resend_mail(session, now, session.scalars(select(Outbox).order_by(Outbox.id)).first(), mail_domain="example.org")  # type: ignore[arg-type]
        again_id = again.id
    assert len(deliver(sessions, settings, now)) == 2
    with transaction(sessions) as session:
        failed = session.get_one(Outbox, again_id)
        assert failed.state == "given_up"
        assert "no longer good" in failed.error


# --- lost passphrases -------------------------------------------------------------------------------------------------------


def ask(sessions: Sessions, now: datetime, email: str = "orla@example.org", address: str = HOME) -> service.TurnedAway | None:
    with transaction(sessions) as session:
        return links.ask_for_link(session, now, email=email, address=address, base=BASE)


def test_asking_does_the_same_whether_or_not_there_is_such_an_account(
    sessions: Sessions, now: datetime, settings: Settings, invited: int
) -> None:
    deliver(sessions, settings, now)
    assert ask(sessions, now) is None
    assert ask(sessions, now, "nobody.at.all@example.org") is None
    with transaction(sessions) as session:
        asked = session.scalars(select(Job).where(Job.kind == "dealers.answer_request")).all()
        assert len(asked) == session.scalar(select(func.count(PassphraseRequest.id))) == 2
    mails = deliver(sessions, settings, now)
    assert len(mails) == 2
    assert use(sessions, now, token_in(mails[-1])) == invited
    assert may_sign_in(sessions, now)


def test_nothing_is_sent_to_a_locked_account(sessions: Sessions, now: datetime, settings: Settings, invited: int) -> None:
    deliver(sessions, settings, now)
    with transaction(sessions) as session:
        granting.lock_user(session, now, session.get_one(UserAccount, invited))
    ask(sessions, now)
    assert len(deliver(sessions, settings, now)) == 1


@pytest.mark.parametrize("email", ["orla@example.org", "nobody.at.all@example.org"])
def test_too_many_askings_must_wait_whoever_it_is(sessions: Sessions, now: datetime, invited: int, email: str) -> None:
    for _ in range(5):
        assert ask(sessions, now, email) is None
    turned = ask(sessions, now, email)
    assert turned is not None
    assert turned.wait == timedelta(minutes=1)
    assert ask(sessions, now + timedelta(minutes=1), email) is None


def test_a_network_address_asks_for_thirty_accounts_at_most(sessions: Sessions, now: datetime, invited: int) -> None:
    for n in range(30):
        assert ask(sessions, now, f"somebody{n}@example.org") is None
    assert ask(sessions, now, "one.more@example.org") is not None
    assert ask(sessions, now, "one.more@example.org", "192.0.2.8") is None


def test_what_is_long_over_is_forgotten(sessions: Sessions, now: datetime, settings: Settings, invited: int) -> None:
    deliver(sessions, settings, now)
    ask(sessions, now)
    with transaction(sessions) as session:
        links._forget_links(session, now + timedelta(days=36), {})
        assert session.scalar(select(func.count(SignInLink.id))) == 1
        links._forget_links(session, now + timedelta(days=38), {})
        assert session.scalar(select(func.count(SignInLink.id))) == 0
        assert session.scalar(select(func.count(PassphraseRequest.id))) == 0


def test_sessions_are_none_of_a_links_business_until_it_is_used(
    sessions: Sessions, now: datetime, settings: Settings, sender: links.Sender, invited: int
) -> None:
    with transaction(sessions) as session:
        service.begin_session(session, now, invited, address=HOME, agent="")
        links.send_link(session, now, sender, session.get_one(UserAccount, invited), links.PASSPHRASE)
    with transaction(sessions) as session:
        assert session.scalars(select(WebSession.ended_at)).all() == [None]
