"""Accounts, judging, throttling and sessions as services, on both databases."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta

import argon2
import pytest
from sqlalchemy import func, select

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers import domain, service
from coop.dealers.models import RoleGrant, SignInAttempt, UserAccount, WebSession
from tests.passphrases import PROGRAMS

HOME = "192.0.2.7"
MINUTE = timedelta(minutes=1)


def add(sessions: Sessions, now: datetime, email: str = "Manager@Example.org", role: str = "manager") -> str:
    with transaction(sessions) as session:
        _user, passphrase = service.add_user(session, now, email=email, roles=[role])
    return passphrase


def judge(
    sessions: Sessions, now: datetime, passphrase: str, email: str = "manager@example.org", address: str = HOME
) -> UserAccount | service.TurnedAway:
    with transaction(sessions) as session:
        return service.judge(session, now, email=email, passphrase=passphrase, address=address)


def wait_of(judged: UserAccount | service.TurnedAway) -> timedelta:
    assert isinstance(judged, service.TurnedAway)
    return judged.wait


def test_a_generated_passphrase_signs_in_and_only_its_hash_is_kept(sessions: Sessions, now: datetime) -> None:
    passphrase = add(sessions, now)
    assert isinstance(judge(sessions, now, passphrase), UserAccount)
    with transaction(sessions) as session:
        user = session.scalars(select(UserAccount)).one()
        assert user.email == "manager@example.org"
        assert user.password_hash.startswith("$argon2id$")
        assert passphrase not in user.password_hash
        assert session.scalars(select(RoleGrant.role)).all() == ["manager"]
        line = session.scalars(select(AuditLog)).one()
        assert (line.action, line.detail) == ("user added", "manager")


@pytest.mark.parametrize(
    ("email", "roles", "says"),
    [
        ("manager@example.org", ["manager"], "has a sign-in already"),
        ("MANAGER@example.org ", ["manager"], "has a sign-in already"),
        ("not an address", ["manager"], "is not a mail address"),
        ("new@example.org", ["boss"], "a role is one of"),
        ("new@example.org", [], "a role is one of"),
        ("new@example.org", ["dealer"], "add --dealer CODE"),
    ],
)
def test_an_account_that_cannot_be_is_refused_with_the_mend(
    sessions: Sessions, now: datetime, email: str, roles: list[str], says: str
) -> None:
    add(sessions, now)
    with pytest.raises(Refusal, match=says), transaction(sessions) as session:
        service.add_user(session, now, email=email, roles=roles)
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(UserAccount.id))) == 1


def test_unknown_wrong_and_disabled_get_one_answer(sessions: Sessions, now: datetime) -> None:
    passphrase = add(sessions, now)
    disabled = add(sessions, now, "gone@example.org", "desk")
    with transaction(sessions) as session:
        session.scalars(select(UserAccount).where(UserAccount.email == "gone@example.org")).one().disabled_at = now
    answers = {
        judge(sessions, now, "wrong " + passphrase),  # type: ignore[arg-type]
        judge(sessions, now, passphrase, email="stranger@example.org"),  # type: ignore[arg-type]
        judge(sessions, now, disabled, email="gone@example.org"),  # type: ignore[arg-type]
    }
    assert answers == {service.TurnedAway(timedelta(0))}


def test_an_unknown_account_costs_the_same_work(sessions: Sessions, now: datetime) -> None:
    """Argon2's work is set by its parameters: those compared with for nobody are those of a real account."""
    add(sessions, now)
    with transaction(sessions) as session:
        real = session.scalars(select(UserAccount.password_hash)).one()
    assert argon2.extract_parameters(service._NOBODY) == argon2.extract_parameters(real)


def test_five_failures_shut_the_account_for_a_growing_time_whoever_comes(sessions: Sessions, now: datetime) -> None:
    passphrase = add(sessions, now)
    for _ in range(5):
        assert wait_of(judge(sessions, now, "a wrong passphrase")) == timedelta(0)
    assert wait_of(judge(sessions, now, passphrase)) == MINUTE
    assert wait_of(judge(sessions, now + 59 * timedelta(seconds=1), passphrase, address="198.51.100.1")) == timedelta(seconds=1)
    assert wait_of(judge(sessions, now + MINUTE, "a wrong passphrase")) == timedelta(0)
    assert wait_of(judge(sessions, now + MINUTE, passphrase)) == 2 * MINUTE
    assert isinstance(judge(sessions, now + 3 * MINUTE, passphrase), UserAccount)
    # A success begins the count anew.
    for _ in range(4):
        assert wait_of(judge(sessions, now + 3 * MINUTE, "a wrong passphrase")) == timedelta(0)
    assert isinstance(judge(sessions, now + 3 * MINUTE, passphrase), UserAccount)


def test_an_unknown_account_shuts_as_a_known_one_does(sessions: Sessions, now: datetime) -> None:
    for _ in range(5):
        judge(sessions, now, "a wrong passphrase", email="stranger@example.org")
    assert wait_of(judge(sessions, now, "a wrong passphrase", email="stranger@example.org")) == MINUTE


def test_thirty_failures_from_one_address_shut_it_for_every_account(sessions: Sessions, now: datetime) -> None:
    passphrase = add(sessions, now)
    with transaction(sessions) as session:
        for n in range(30):
            session.add(SignInAttempt(at=now, email=f"user{n}@example.org", address="2001:db8:1:2::/64", succeeded=False))
    assert wait_of(judge(sessions, now + MINUTE, passphrase, address="2001:db8:1:2:9::1")) == 14 * MINUTE
    assert isinstance(judge(sessions, now + MINUTE, passphrase, address="2001:db8:1:3::1"), UserAccount)


def test_tries_at_once_are_judged_one_at_a_time(sessions: Sessions, now: datetime) -> None:
    """Twelve at the same moment: five are judged, seven wait. Counted together, all twelve would have passed."""
    add(sessions, now)
    together = threading.Barrier(12)
    waits: list[timedelta] = []

    def attempt() -> None:
        together.wait(timeout=30)
        waits.append(wait_of(judge(sessions, now, "a wrong passphrase")))

    threads = [threading.Thread(target=attempt) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert sorted(waits) == [timedelta(0)] * 5 + [MINUTE] * 7
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(SignInAttempt.id))) == 5


def test_a_hash_of_older_parameters_is_renewed_at_sign_in(sessions: Sessions, now: datetime) -> None:
    passphrase = add(sessions, now)
    older = argon2.PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(passphrase)
    with transaction(sessions) as session:
        session.scalars(select(UserAccount)).one().password_hash = older
    judge(sessions, now, "a wrong passphrase")
    with transaction(sessions) as session:
        assert session.scalars(select(UserAccount.password_hash)).one() == older
    assert isinstance(judge(sessions, now, passphrase), UserAccount)
    with transaction(sessions) as session:
        renewed = session.scalars(select(UserAccount.password_hash)).one()
    assert not service.HASHER.check_needs_rehash(renewed)
    assert isinstance(judge(sessions, now, passphrase), UserAccount)


def test_a_renewed_passphrase_ends_every_session(sessions: Sessions, now: datetime) -> None:
    old = add(sessions, now)
    with transaction(sessions) as session:
        user_id = session.scalars(select(UserAccount.id)).one()
        token = service.begin_session(session, now, user_id, address=HOME, agent="")
    with transaction(sessions) as session:
        fresh = service.renew_passphrase(session, now, email="manager@example.org")
    with transaction(sessions) as session:
        assert service.resume_session(session, now, token) is None
    assert isinstance(judge(sessions, now, old), service.TurnedAway)
    assert isinstance(judge(sessions, now, fresh), UserAccount)
    with pytest.raises(Refusal, match="Nobody signs in as"), transaction(sessions) as session:
        service.renew_passphrase(session, now, email="stranger@example.org")


def test_a_session_is_found_by_its_token_whose_hash_alone_is_kept(sessions: Sessions, now: datetime) -> None:
    add(sessions, now)
    with transaction(sessions) as session:
        user_id = session.scalars(select(UserAccount.id)).one()
        token = service.begin_session(session, now, user_id, address=HOME, agent="x" * 500)
    with transaction(sessions) as session:
        kept = session.scalars(select(WebSession)).one()
        assert kept.token_sha256 == service.hash_token(token) != token
        assert len(kept.agent) == 200
        assert service.resume_session(session, now, token) is not None
        assert service.resume_session(session, now, kept.token_sha256) is None
        assert service.resume_session(session, now, token + "x") is None


@pytest.mark.parametrize(
    ("uses", "good"),
    [
        ((timedelta(hours=11, minutes=59),), True),
        ((timedelta(hours=12),), False),
        ((timedelta(hours=11), timedelta(hours=22)), True),
        (tuple(timedelta(hours=11) * n for n in range(1, 31)), True),
        (tuple(timedelta(hours=11) * n for n in range(1, 32)), False),
    ],
    ids=["used within half a day", "idle half a day", "used again and again", "used nearly two weeks", "older than two weeks"],
)
def test_a_session_lives_while_it_is_used_and_two_weeks_at_most(
    sessions: Sessions, now: datetime, uses: tuple[timedelta, ...], good: bool
) -> None:
    add(sessions, now)
    with transaction(sessions) as session:
        user_id = session.scalars(select(UserAccount.id)).one()
        token = service.begin_session(session, now, user_id, address=HOME, agent="")
    for after in uses:
        with transaction(sessions) as session:
            resumed = service.resume_session(session, now + after, token) is not None
    assert resumed is good


def test_a_new_passphrase_must_do_and_ends_the_other_sessions(sessions: Sessions, now: datetime) -> None:
    old = add(sessions, now)
    with transaction(sessions) as session:
        user_id = session.scalars(select(UserAccount.id)).one()
        mine, other = (service.begin_session(session, now, user_id, address=HOME, agent="") for _ in range(2))
        keep = session.scalars(select(WebSession.id).where(WebSession.token_sha256 == service.hash_token(mine))).one()
    with pytest.raises(Refusal, match=f"{domain.MIN_LENGTH} characters"), transaction(sessions) as session:
        service.change_passphrase(session, now, user_id, new="too short", keep_session_id=keep)
    assert isinstance(judge(sessions, now, old), UserAccount)
    with transaction(sessions) as session:
        service.change_passphrase(session, now, user_id, new="a lamp under the oak stair", keep_session_id=keep)
    with transaction(sessions) as session:
        assert service.resume_session(session, now, mine) is not None
        assert service.resume_session(session, now, other) is None
    assert isinstance(judge(sessions, now, "a lamp under the oak stair"), UserAccount)


def test_a_passphrase_costs_who_guesses_what_rfc_9106_asks_where_memory_is_short() -> None:
    """RFC 9106, section 4, the second recommended option: Argon2id, three passes, four lanes, 64 MiB. The tests' own is cheap."""
    for made in PROGRAMS:
        kept = argon2.extract_parameters(made)
        assert (kept.type, kept.time_cost, kept.memory_cost, kept.parallelism) == (argon2.Type.ID, 3, 65536, 4)
