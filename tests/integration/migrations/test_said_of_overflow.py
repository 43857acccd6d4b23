"""Revision 0016 on both databases: what the log said of pieces, floor and walks is in columns, there and back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select

from coop.core import migrate
from coop.core.db import make_sessions, transaction
from coop.overflow.models import Stay, Walk
from tests.integration.migrations.data import insert
from tests.integration.migrations.loaders import load_overflow

GONE, STAYS = "piece taken away", "piece stays after all"
SAID = {
    2: [(1, "stay lengthened"), (1, GONE), (1, STAYS), (1, GONE), (1, "piece not moved in")],
    3: [(1, GONE), (1, STAYS)],
    4: [(None, GONE)],
    5: [(1, GONE), (1, "stay lengthened")],
    6: [(1, "floor given"), (1, "floor taken back")],
    7: [(1, "floor taken back"), (1, "floor given again")],
    8: [(999, GONE)],
    9: [(1, GONE), (1, "floor asked back")],
    10: [(1, "floor asked back"), (1, GONE)],
    22: [(1, "piece moved in")],
}
"""What was said of stays by which user, in this order: 6 and 7 are cancelled, 7 by a draft, and 999 is nobody's account."""


@pytest.fixture
def engine(empty_database_url: str, make_test_engine: Callable[[str], Engine]) -> Engine:
    return make_test_engine(empty_database_url)


def at(minute: int) -> str:
    return f"2026-10-02 09:{minute:02d}:00"


def load(engine: Engine) -> None:
    """Stays and walks of 0015 and the log of them, a line a minute."""
    with engine.begin() as connection:
        load_overflow(connection)
        minute = 0
        for stay_id, lines in SAID.items():
            insert(connection, "overflow_stay", stay(stay_id, "cancelled" if stay_id in (6, 7) else "stands"))
            for user_id, action in lines:
                insert(connection, "audit_log", line(at(minute), user_id, action, "overflow stay", stay_id))
                minute += 1
        # Of another thing with the same number.
        insert(connection, "audit_log", line(at(40), 1, GONE, "overflow request", 22))
        walk = {"mall_id": 1, "on_date": "2026-10-02", "user_id": 1, "note": "", "created_at": at(0)}
        for walk_id in (2, 21):
            insert(connection, "overflow_walk", {"id": walk_id, **walk})
            insert(connection, "audit_log", line(at(50), 1, "walk begun", "overflow walk", walk_id))
        insert(connection, "audit_log", line(at(51), 1, "dealers told of a walk", "overflow walk", 2))


def stay(stay_id: int, state: str) -> dict[str, Any]:
    days = {"starts_on": f"2026-03-{stay_id:02d}", "ends_on": f"2026-03-{stay_id:02d}", "granted_until": "2026-03-31"}
    place = {"kind": "sold", "state": state, "from_in16": 0, "to_in16": 768, "depth_in16": 288, "turned": False}
    made = {"why": "", "recall_why": "", "version": 1, "created_at": at(0)}
    return {"id": stay_id, "piece_id": 1, "bay_id": 1, **place, **days, **made}


def line(when: str, user_id: int | None, action: str, kind: str, subject_id: int) -> dict[str, Any]:
    said = {"action": action, "subject_kind": kind, "subject_id": str(subject_id), "detail": "", "request_id": ""}
    return {"at": when, "user_id": user_id, **said}


def test_what_the_log_said_is_in_columns_there_and_back(engine: Engine) -> None:
    migrate.upgrade(engine, "0015")
    load(engine)
    for _ in range(2):
        migrate.upgrade(engine, "0016")
        with transaction(make_sessions(engine)) as session:
            said = (Stay.gone_said_at, Stay.gone_said_by, Stay.cancelled_by, Stay.lengthened_from)
            stays = {one.id: one for one in session.execute(select(Stay.id, *said))}
            gone = {one.id: (f"{one.gone_said_at:%M}", one.gone_said_by) for one in stays.values() if one.gone_said_at}
            assert gone == {2: ("03", 1), 4: ("07", None), 8: ("14", None), 10: ("18", 1)}
            assert {one.id: one.cancelled_by for one in stays.values() if one.cancelled_by} == {6: 1}
            assert [one.lengthened_from for one in stays.values() if one.lengthened_from] == []
            told = {one.id: one.told_at for one in session.scalars(select(Walk)) if one.told_at}
            assert {walk_id: f"{when:%H:%M %z}" for walk_id, when in told.items()} == {2: "09:51 +0000"}
        migrate.downgrade(engine, "0015")
