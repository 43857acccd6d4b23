"""A set arranged in the background on both databases: asked for, done by a worker, stopped; what is left out is kept with why."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial
from importlib import import_module
from typing import Any

import pytest
from sqlalchemy import select

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import KINDS, Job, claim_next, run_job
from coop.dealers.models import Dealer
from coop.resets import arranging
from coop.resets.arranging import Asked, ask_arrangement, draft_of_job, drafts_of, last_job, stop_arrangement
from coop.resets.domain.fit import judge
from coop.resets.models import BoothSet
from coop.resets.putting import save_arrangement
from coop.resets.reading import arrangement_of, booth_of
from coop.resets.set_json import Put
from coop.resets.sets import drop_set, newest_measure, puts_of
from tests.factories.people import make_dealer
from tests.factories.resets import a_booth, in16, make_piece

LEASE = timedelta(seconds=60)
STEPS = 300
WAY = in16(36)


class Booth:
    """The booth of `a_booth`: ids of its draft and of its pieces by name."""

    def __init__(self, sessions: Sessions, now: datetime) -> None:
        self.sessions, self.now = sessions, now
        with transaction(sessions) as session:
            laid = a_booth(session, now)
            self.draft, self.dealer_id = laid.draft.id, laid.dealer.id
            self.pieces = {name: row.id for name, row in laid.pieces.items()}

    def ask(self, *names: str, **more: Any) -> None:
        with transaction(self.sessions) as session:
            asked = Asked(tuple(self.pieces[name] for name in names), **{"way_in16": WAY, "seconds": 1, **more})
            ask_arrangement(session, self.now, session.get_one(BoothSet, self.draft), asked)

    def work(self, clock: Callable[[], datetime] | None = None) -> None:
        """Do the job that waits, as a worker does."""
        with transaction(self.sessions) as session:
            claimed = claim_next(session, self.now, LEASE, queues=("rota",))
        assert claimed is not None
        run_job(self.sessions, claimed[0], lease=LEASE, token=claimed[1], clock=clock or (lambda: self.now))


@pytest.fixture
def by_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """So many steps of search instead of seconds, which on a busy machine may be too few."""
    solving = import_module("coop.resets.solving.arrange")
    monkeypatch.setattr(solving, "arrange", partial(solving.arrange, steps=STEPS, workers=1))


@pytest.fixture
def booth(sessions: Sessions, now: datetime) -> Booth:
    return Booth(sessions, now)


def test_the_worker_knows_the_kind() -> None:
    assert KINDS["resets.arrange"].queue == "rota"


@pytest.mark.usefixtures("by_steps")
def test_an_arranging_becomes_a_further_draft_that_is_valid(booth: Booth) -> None:
    """What is locked stays; the set it was asked from is as it was; the next draft differs."""
    with transaction(booth.sessions) as session:
        row = session.get_one(BoothSet, booth.draft)
        dresser = booth.pieces["Oak dresser"]
        puts = [Put(dresser, in16(90), in16(11), locked=True), *(one for one in puts_of(session, row) if one.piece_id != dresser)]
        save_arrangement(session, booth.now, row, puts, version=row.version)
        before, version = puts_of(session, row), row.version
    for n in (1, 2):
        booth.ask("Tall cupboard", "Pine table", "Cane chair")
        booth.work()
        with transaction(booth.sessions) as session:
            row = session.get_one(BoothSet, booth.draft)
            job = last_job(session, row)
            assert job is not None
            assert job.state == "done"
            made = draft_of_job(session, row, job)
            assert made is not None
            assert (made.name, made.state, made.starts_on) == (f"Winter, arranged {n}", "draft", row.starts_on)
            there = {one.piece_id: one for one in puts_of(session, made)}
            assert set(there) == {booth.pieces[name] for name in ("Oak dresser", "Tall cupboard", "Pine table", "Cane chair")}
            assert (there[dresser].x_in16, there[dresser].locked) == (in16(90), True)
            measure = newest_measure(session, made.space_id)
            assert measure is not None
            assert not [one for one in judge(booth_of(measure), arrangement_of(session, made)) if one.stops]
            assert (puts_of(session, row), row.version) == (before, version)
    with transaction(booth.sessions) as session:
        first, second = drafts_of(session, session.get_one(BoothSet, booth.draft))
        assert puts_of(session, first) != puts_of(session, second)


@pytest.mark.usefixtures("by_steps")
def test_what_cannot_be_placed_is_kept_with_why(booth: Booth) -> None:
    with transaction(booth.sessions) as session:
        row = session.get_one(BoothSet, booth.draft)
        long = make_piece(session, session.get_one(Dealer, booth.dealer_id), "Long counter", (160, 150, 36))
        booth.pieces["Long counter"] = long.id
        assert row.arranged is None
    booth.ask("Long counter", "Cane chair")
    booth.work()
    with transaction(booth.sessions) as session:
        made = drafts_of(session, session.get_one(BoothSet, booth.draft))[-1]
        assert made.arranged is not None
        assert [one["piece"] for one in made.arranged["left_out"]] == [booth.pieces["Long counter"]]
        assert "Long counter" in made.arranged["left_out"][0]["why"]
        assert (made.arranged["placed"], made.arranged["wanted"]) == (1, 2)
        assert {term["name"] for term in made.arranged["terms"]} >= {"left out", "spread"}


def test_one_is_stopped_and_keeps_the_best_so_far(booth: Booth) -> None:
    booth.ask("Tall cupboard", "Pine table", "Cane chair", "Oak dresser", "Gilt mirror", "Brass lamp", seconds=100)
    with transaction(booth.sessions) as session:
        row = session.get_one(BoothSet, booth.draft)
        with pytest.raises(Refusal, match="Winter is being arranged: wait for it, or stop it"):
            ask_arrangement(session, booth.now, row, Asked((booth.pieces["Cane chair"],), WAY))
        stop_arrangement(session, booth.now, row)
    booth.work()
    with transaction(booth.sessions) as session:
        row = session.get_one(BoothSet, booth.draft)
        made = drafts_of(session, row)[0]
        assert made.arranged is not None
        assert made.arranged["stopped"]
        with pytest.raises(Refusal, match="Winter is not being arranged"):
            stop_arrangement(session, booth.now, row)
        assert session.scalars(select(AuditLog.subject_id).where(AuditLog.action == "arrangement stopped")).all() == [str(row.id)]


def test_a_set_dropped_meanwhile_is_not_arranged(booth: Booth) -> None:
    booth.ask("Cane chair")
    with transaction(booth.sessions) as session:
        row = session.get_one(BoothSet, booth.draft)
        drop_set(session, booth.now, row, version=row.version)
    booth.work()
    with transaction(booth.sessions) as session:
        assert session.scalars(select(Job.state).where(Job.kind == arranging.KIND)).one() == "done"
        assert session.scalars(select(BoothSet).where(BoothSet.arranged.is_not(None))).all() == []


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"way_in16": in16(6)}, r"The path inside is 6\": write 1' to 20'"),
        ({"seconds": 0}, "The seconds are 0: write 1 to 120"),
    ],
)
def test_what_cannot_be_asked(booth: Booth, more: dict[str, Any], sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        booth.ask("Cane chair", **more)


def test_only_own_pieces_are_arranged(booth: Booth) -> None:
    with transaction(booth.sessions) as session:
        theirs = make_piece(session, make_dealer(session, booth.now, "D02"), "Their desk").id
        row = session.get_one(BoothSet, booth.draft)
        for wanted, sentence in (((), "Choose the pieces to arrange first"), ((theirs,), "none of yours any more")):
            with pytest.raises(Refusal, match=sentence):
                ask_arrangement(session, booth.now, row, Asked(wanted, WAY))
