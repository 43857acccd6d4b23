"""Files of boundaries in the background: read, applied in batches, cut short anywhere, stopped, undone; two people at once."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update

from coop.core.db import Sessions, make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job, claim_next, run_job
from coop.tax import boundaries, file_work
from coop.tax.domain.boundary_files import read_boundaries
from coop.tax.importing import apply_import, keep_proposal, propose_file
from coop.tax.models import TaxBoundary, TaxImport
from coop.tax.queries import locate_zip
from tests.integration.tax.test_importing import BOUNDARIES, MINNESOTA, NEW, OLD, bring_in, held

CONTENT = BOUNDARIES.read_bytes()
ROWS = len({boundaries.key_of(row) for row in read_boundaries(io.BytesIO(CONTENT)).rows})
DAY = date(2018, 5, 1)
ZIP = "55103"
"""Minnesota's sample has it from 2017-10-01 to 2019-03-31, in Ramsey county and Saint Paul (123, 58000)."""


@pytest.fixture(autouse=True)
def small_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many batches of a short file, and every file large enough for a job."""
    monkeypatch.setattr(boundaries, "BATCH", 7)
    monkeypatch.setattr(file_work, "SMALL", 0)


def receive(sessions: Sessions, now: datetime, content: bytes = CONTENT) -> int:
    with transaction(sessions) as session:
        return file_work.receive_file(session, now, "b.csv", io.BytesIO(content)).id


def start(sessions: Sessions, now: datetime, import_id: int) -> None:
    with transaction(sessions) as session:
        file_work.start_applying(session, now, import_id)


def standing(at: datetime) -> Callable[[], datetime]:
    return lambda: at


def run_all(sessions: Sessions, now: datetime, *, most: int = 20) -> int:
    """Run what is queued, as a worker would; how many jobs ran."""
    for ran in range(most):
        at = now + timedelta(hours=ran + 1)
        with transaction(sessions) as session:
            claimed = claim_next(session, at, timedelta(seconds=60))
        if claimed is None:
            return ran
        run_job(sessions, claimed[0], lease=timedelta(seconds=60), token=claimed[1], clock=standing(at))
    return most


def state(sessions: Sessions, import_id: int) -> tuple[str, file_work.FileWork | None, bool]:
    with transaction(sessions) as session:
        work = session.get_one(TaxImport, import_id)
        return work.state, file_work.work_on(session, import_id), file_work.halfway(session, import_id)


def found(sessions: Sessions) -> bool:
    with transaction(sessions) as session:
        return locate_zip(session, ZIP, on=DAY).found


def cut_short(monkeypatch: pytest.MonkeyPatch, after: int, how: Any) -> None:
    """The writing of a batch does `how` after some batches."""
    count, plain = 0, boundaries.add_rows

    def add_rows(*args: Any) -> Any:
        nonlocal count
        count += 1
        if count == after:
            how()
        return plain(*args)

    monkeypatch.setattr(file_work, "add_rows", add_rows)


def fail() -> None:
    raise RuntimeError("the power went")


def test_a_file_is_read_applied_and_undone_as_in_one_transaction(sessions: Sessions, now: datetime) -> None:
    import_id = receive(sessions, now)
    with transaction(sessions) as session:
        assert session.get_one(TaxImport, import_id).proposal == {}
        with pytest.raises(Refusal, match="has not been read to its end"):
            file_work.start_applying(session, now, import_id)
    assert run_all(sessions, now) == 1
    with transaction(sessions) as session:
        whole = propose_file(session, "boundary", "b.csv", io.BytesIO(CONTENT))
        assert session.get_one(TaxImport, import_id).proposal == whole.proposal
    start(sessions, now, import_id)
    start(sessions, now, import_id)
    assert run_all(sessions, now) == 1
    assert state(sessions, import_id) == ("applied", None, False)
    assert found(sessions)
    by_job = held(sessions)
    assert len(by_job[2]) == ROWS
    with transaction(sessions) as session:
        file_work.start_undoing(session, now, import_id)
    assert run_all(sessions, now) == 1
    assert state(sessions, import_id)[0] == "undone"
    assert held(sessions) == [set(), set(), set()]
    bring_in(sessions, now, CONTENT, "boundary")
    assert held(sessions) == by_job


def test_cut_short_it_counts_for_nothing_and_goes_on_where_it_was(
    sessions: Sessions, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    import_id = receive(sessions, now)
    run_all(sessions, now)
    start(sessions, now, import_id)
    with monkeypatch.context() as patch:
        cut_short(patch, 4, fail)
        run_all(sessions, now, most=1)
    assert state(sessions, import_id)[::2] == ("proposed", True)
    assert not found(sessions)
    other = CONTENT.replace(b"55103", b"55999")
    with transaction(sessions) as session:
        # Its rows are not there for others yet.
        assert propose_file(session, "boundary", "c.csv", io.BytesIO(CONTENT)).proposal["counts"]["unchanged"] == 0
        kept = keep_proposal(session, now, propose_file(session, "boundary", "c.csv", io.BytesIO(other))).id
    with pytest.raises(Refusal, match="Another file is being applied or undone"), transaction(sessions) as session:
        apply_import(session, now, kept)
    run_all(sessions, now + timedelta(hours=2))
    assert state(sessions, import_id) == ("applied", None, False)
    assert found(sessions)
    assert len(held(sessions)[2]) == ROWS


def test_run_again_after_it_was_done_it_changes_nothing(sessions: Sessions, now: datetime) -> None:
    import_id = receive(sessions, now)
    run_all(sessions, now)
    start(sessions, now, import_id)
    run_all(sessions, now)
    before = held(sessions)
    with transaction(sessions) as session:
        session.execute(update(Job).values(state="queued", lease_token=None))
    assert run_all(sessions, now) == 2
    assert held(sessions) == before
    assert state(sessions, import_id) == ("applied", None, False)


def test_given_up_for_good_it_blocks_others_until_somebody_decides(
    sessions: Sessions, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    import_id = receive(sessions, now)
    run_all(sessions, now)
    start(sessions, now, import_id)
    with monkeypatch.context() as patch:
        cut_short(patch, 4, fail)
        run_all(sessions, now, most=1)
        patch.setattr(file_work, "add_rows", lambda *_: fail())
        run_all(sessions, now + timedelta(hours=2))
    _, work, halfway = state(sessions, import_id)
    assert halfway
    assert work is not None
    assert (work.kind, work.pending) == ("tax.apply", False)
    assert "the power went" in work.error
    with transaction(sessions) as session:
        kept = keep_proposal(session, now, propose_file(session, "rates", "c.csv", io.BytesIO(OLD))).id
    with pytest.raises(Refusal, match=r"b\.csv was applied in part and has stopped"), transaction(sessions) as session:
        apply_import(session, now, kept)
    with pytest.raises(Refusal, match="stop that first"), transaction(sessions) as session:
        file_work.discard_import(session, now, import_id)
    with transaction(sessions) as session:
        file_work.stop_applying(session, now, import_id)
    run_all(sessions, now + timedelta(days=2))
    assert state(sessions, import_id) == ("proposed", None, False)
    assert held(sessions)[2] == set()
    with transaction(sessions) as session:
        apply_import(session, now, kept)
        file_work.discard_import(session, now, import_id)
    with transaction(sessions) as session:
        assert session.get(TaxImport, import_id) is None


def test_stopped_while_it_writes_it_is_a_proposal_as_before(
    sessions: Sessions, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    import_id = receive(sessions, now)
    run_all(sessions, now)
    start(sessions, now, import_id)
    written = 0
    plain = file_work._batches

    def batches(*args: Any) -> Any:
        """Between two batches, once some are written, somebody asks to stop."""
        nonlocal written
        for n, one in enumerate(plain(*args)):
            if n == 5 and not written and state(sessions, import_id)[2]:
                with transaction(sessions) as session:
                    written = len(session.scalars(select(TaxBoundary.id)).all())
                    file_work.stop_applying(session, now, import_id)
            yield one

    monkeypatch.setattr(file_work, "_batches", batches)
    assert run_all(sessions, now) == 1
    assert written > 0
    assert state(sessions, import_id) == ("proposed", None, False)
    assert held(sessions)[2] == set()
    with pytest.raises(Refusal, match="there is nothing to stop"), transaction(sessions) as session:
        file_work.stop_applying(session, now, import_id)
    start(sessions, now, import_id)
    run_all(sessions, now)
    assert state(sessions, import_id)[0] == "applied"
    assert len(held(sessions)[2]) == ROWS


def test_what_changed_since_it_was_proposed_stops_it(sessions: Sessions, now: datetime) -> None:
    first, second = receive(sessions, now), receive(sessions, now)
    run_all(sessions, now)
    start(sessions, now, first)
    run_all(sessions, now)
    start(sessions, now, second)
    run_all(sessions, now)
    current, work, halfway = state(sessions, second)
    assert (current, halfway) == ("proposed", False)
    assert work is not None
    assert "What is stored has changed since this was proposed" in work.error
    assert len(held(sessions)[2]) == ROWS


def test_a_file_that_is_taken_away_while_it_is_read_is_gone(sessions: Sessions, now: datetime) -> None:
    import_id = receive(sessions, now)
    with transaction(sessions) as session:
        file_work.discard_import(session, now, import_id)
    assert run_all(sessions, now) == 1
    with transaction(sessions) as session:
        assert session.get(TaxImport, import_id) is None
        assert session.scalars(select(Job.state)).all() == ["done"]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "This file is empty"),
        (b"PK\x03\x04rest", "This file is packed"),
        (b"a,b,c\n", "its first row has 3 columns"),
    ],
)
def test_what_a_file_is_its_content_says(sessions: Sessions, now: datetime, content: bytes, sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        receive(sessions, now, content)


def test_a_file_of_rates_is_known_whatever_its_name(sessions: Sessions, now: datetime) -> None:
    import_id = receive(sessions, now, MINNESOTA.read_bytes())
    run_all(sessions, now)
    with transaction(sessions) as session:
        work = session.get_one(TaxImport, import_id)
        assert work.kind == "rates"
        assert file_work.start_applying(session, now, import_id).state == "applied"


# --- two people at once -------------------------------------------------------------------------------------------------------


def proposals(sessions: Sessions, now: datetime) -> list[int]:
    with transaction(sessions) as session:
        return [
            keep_proposal(session, now, propose_file(session, "rates", name, io.BytesIO(content))).id
            for name, content in (("old.csv", OLD), ("new.csv", NEW))
        ]


@pytest.mark.postgres
def test_of_two_files_applied_at_once_one_is_told_to_wait(
    postgres_database_url: str, make_test_engine: Any, now: datetime
) -> None:
    """Two real connections, the first of which has not committed yet."""
    sessions = make_sessions(make_test_engine(postgres_database_url))
    first, second = proposals(sessions, now)
    with sessions() as one, one.begin():
        apply_import(one, now, first)
        with (
            pytest.raises(Refusal, match="Somebody is applying or undoing another file at this moment"),
            transaction(sessions) as two,
        ):
            apply_import(two, now, second)
    with pytest.raises(Refusal, match="What is stored has changed since this was proposed"), transaction(sessions) as two:
        apply_import(two, now, second)


def test_two_people_at_the_same_moment_are_each_answered(engine: Engine, now: datetime) -> None:
    sessions = make_sessions(engine)
    ids = proposals(sessions, now)
    together = threading.Barrier(2)
    answers: list[str] = []

    def apply(import_id: int) -> None:
        together.wait(timeout=30)
        try:
            with transaction(sessions) as session:
                answers.append(apply_import(session, now, import_id).state)
        except Refusal as refusal:
            answers.append(str(refusal))

    threads = [threading.Thread(target=apply, args=(import_id,)) for import_id in ids]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert len(answers) == 2
    assert answers.count("applied") == 1
    (told,) = [answer for answer in answers if answer != "applied"]
    assert "try again when that is done" in told or "What is stored has changed" in told
