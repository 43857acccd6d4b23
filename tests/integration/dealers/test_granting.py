"""Roles given and taken, sign-ins locked and unlocked, on both databases: never without a manager left, and all of it logged."""

from __future__ import annotations

import threading
from datetime import datetime

import pytest
from sqlalchemy import select, update

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers import granting, service
from coop.dealers.models import RoleGrant, UserAccount
from tests.factories.house import add_person
from tests.factories.people import make_coop, make_dealer


@pytest.fixture
def ids(sessions: Sessions, now: datetime) -> dict[str, int]:
    with transaction(sessions) as session:
        make_coop(session, now)
        return {
            name: add_person(session, now, f"{name}@example.org", roles)
            for name, roles in (("orla", ("manager",)), ("basil", ("manager", "desk")), ("wren", ("bookkeeper",)))
        }


def roles_of(sessions: Sessions, user_id: int) -> list[str]:
    with transaction(sessions) as session:
        return sorted(session.scalars(select(RoleGrant.role).where(RoleGrant.user_id == user_id)))


def test_a_role_is_given_and_taken_once(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        wren = session.get_one(UserAccount, ids["wren"])
        assert granting.give_role(session, now, wren, "desk", by=ids["orla"])
        assert not granting.give_role(session, now, wren, "desk", by=ids["orla"])
    assert roles_of(sessions, ids["wren"]) == ["bookkeeper", "desk"]
    with transaction(sessions) as session:
        wren = session.get_one(UserAccount, ids["wren"])
        assert granting.take_role(session, now, wren, "desk", by=ids["orla"])
        assert not granting.take_role(session, now, wren, "desk", by=ids["orla"])
    assert roles_of(sessions, ids["wren"]) == ["bookkeeper"]
    with transaction(sessions) as session:
        said = [(line.action, line.detail, line.user_id) for line in session.scalars(select(AuditLog).order_by(AuditLog.id))]
    assert said == [("role given", "desk", ids["orla"]), ("role taken", "desk", ids["orla"])]


def test_a_dealers_role_needs_the_dealer(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        ida, amos = make_dealer(session, now, "D01"), make_dealer(session, now, "D02")
        wren = session.get_one(UserAccount, ids["wren"])
        with pytest.raises(Refusal, match="dealer’s code is empty"):
            granting.give_role(session, now, wren, "dealer")
        granting.give_role(session, now, wren, "dealer", member_id=ida.member_id)
        assert wren.member_id == ida.member_id
        with pytest.raises(Refusal, match="another member already"):
            granting.give_role(session, now, wren, "desk", member_id=amos.member_id)


def test_who_she_is_is_looked_at_once_she_is_held(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    """Another manager has said meanwhile which member she is: what was read before is old."""
    with transaction(sessions) as session:
        ida, amos = make_dealer(session, now, "D01"), make_dealer(session, now, "D02")
        wren = session.get_one(UserAccount, ids["wren"])
        meanwhile = update(UserAccount).where(UserAccount.id == wren.id).values(member_id=ida.member_id)
        session.execute(meanwhile.execution_options(synchronize_session=False))
        assert wren.member_id is None
        with pytest.raises(Refusal, match="another member already"):
            granting.give_role(session, now, wren, "dealer", member_id=amos.member_id)
        assert granting.give_role(session, now, wren, "dealer")


def test_the_last_manager_stays_one(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        orla, basil = session.get_one(UserAccount, ids["orla"]), session.get_one(UserAccount, ids["basil"])
        with pytest.raises(Refusal, match="from yourself"):
            granting.take_role(session, now, orla, "manager", by=orla.id)
        granting.take_role(session, now, basil, "manager", by=orla.id)
        for deed in (granting.take_role, granting.lock_user):
            with pytest.raises(Refusal, match="last manager"):
                deed(session, now, orla, *(["manager"] if deed is granting.take_role else []), by=basil.id)  # type: ignore[operator]


def test_a_locked_manager_is_no_manager_to_fall_back_on(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        orla, basil = session.get_one(UserAccount, ids["orla"]), session.get_one(UserAccount, ids["basil"])
        granting.lock_user(session, now, basil, by=orla.id)
        with pytest.raises(Refusal, match="last manager"):
            granting.take_role(session, now, orla, "manager", by=ids["wren"])
        granting.unlock_user(session, now, basil, by=orla.id)
        assert granting.take_role(session, now, orla, "manager", by=basil.id)


def test_of_two_managers_who_take_each_others_role_one_stays(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    ready = threading.Barrier(2)
    told: list[str] = []

    def take(taken: str, by: str) -> None:
        ready.wait()
        try:
            with transaction(sessions) as session:
                granting.take_role(session, now, session.get_one(UserAccount, ids[taken]), "manager", by=ids[by])
            told.append("done")
        except Refusal as refusal:
            told.append(str(refusal))

    threads = [threading.Thread(target=take, args=names) for names in (("orla", "basil"), ("basil", "orla"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert told.count("done") == 1
    assert sum("last manager" in words for words in told) == 1


def test_who_is_locked_is_out_at_once_and_comes_back_as_before(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        token = service.begin_session(session, now, ids["wren"], address="192.0.2.7", agent="")
    with transaction(sessions) as session:
        wren = session.get_one(UserAccount, ids["wren"])
        with pytest.raises(Refusal, match="lock yourself"):
            granting.lock_user(session, now, wren, by=wren.id)
        assert granting.lock_user(session, now, wren, by=ids["orla"])
        assert not granting.lock_user(session, now, wren, by=ids["orla"])
    with transaction(sessions) as session:
        assert service.resume_session(session, now, token) is None
        assert granting.unlock_user(session, now, session.get_one(UserAccount, ids["wren"]), by=ids["orla"])
    assert roles_of(sessions, ids["wren"]) == ["bookkeeper"]


def test_signed_out_everywhere_but_here(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        tokens = [service.begin_session(session, now, ids["orla"], address="192.0.2.7", agent="") for _ in range(2)]
    with transaction(sessions) as session:
        here = service.resume_session(session, now, tokens[0])
        assert here is not None
        granting.sign_out_everywhere(
            session, now, session.get_one(UserAccount, ids["orla"]), by=ids["orla"], keep_session_id=here[0].id
        )
    with transaction(sessions) as session:
        assert [service.resume_session(session, now, token) is None for token in tokens] == [False, True]
