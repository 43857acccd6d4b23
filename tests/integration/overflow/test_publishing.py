"""A draft of overflow published, on both databases: what is moved, what it meets meanwhile, long names."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from sqlalchemy import select

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job
from coop.dealers.models import Member
from coop.floor.planning import set_aisle_width
from coop.overflow.drafting import drop_draft
from coop.overflow.models import BayRow, OverflowDraft, OverflowRule, Stay
from coop.overflow.telling import NOTES
from tests.factories.overflow_drafted import TODAY, Floor
from tests.factories.overflow_floor import lay_piece, lay_rules, lay_stay


@pytest.fixture
def floor(sessions: Sessions, now: datetime) -> Floor:
    return Floor(sessions, now)


def test_what_is_moved_keeps_its_last_day_only_where_its_place_is_free_and_is_told(floor: Floor) -> None:
    """From November 16 on it stands in A2-2, where another has the floor from December 7 on: until the 6th, not the 20th."""
    with transaction(floor.sessions) as session:
        bays = {bay.code: bay for bay in session.scalars(select(BayRow))}
        for bay in bays.values():
            bay.is_lent = bay.code in ("A1-3", "A2-2")
        chest, other = (lay_piece(session, floor.hall.dealers[code], "Deep chest", (20, 30, 30)) for code in ("V2", "V3"))
        stay = lay_stay(session, chest, bays["A1-3"], TODAY, date(2026, 12, 20), why="Given.")
        lay_stay(session, other, bays["A2-2"], date(2026, 12, 7), date(2026, 12, 13))
        set_aisle_width(session, floor.now, floor.mall(session), "A1", date(2026, 11, 16), 60 * IN16_PER_INCH)
        stay_id = stay.id
    floor.request("V1", "Pine chest")
    floor.publish(floor.drafted())
    with transaction(floor.sessions) as session:
        old = session.get_one(Stay, stay_id)
        new = session.scalars(select(Stay).where(Stay.piece_id == old.piece_id, Stay.id != stay_id)).one()
        assert (old.ends_on, new.starts_on, new.ends_on) == (date(2026, 11, 15), date(2026, 11, 16), date(2026, 12, 6))
        (job,) = [job for job in session.scalars(select(Job).where(Job.kind == "overflow.tell")) if job.args["what"] == "moved"]
        session.get_one(Member, floor.hall.dealers["V2"].member_id).email = "otis@example.org"
        (letter,) = NOTES["moved"](session, job.args)
        assert (
            "It had floor until Dec 20, 2026: for the days after Dec 6, 2026 the new place is not free, so ask the manager, "
            "or ask for floor again."
        ) in letter.note.sentences


def test_a_period_in_which_the_rules_change_is_not_drafted_and_not_published(floor: Floor) -> None:
    """No glass from November 30 on: a draft to the 29th, or from the 30th. That floor costs something from the 23rd bars nothing."""
    request = floor.request("V1", "Pine chest", weeks=2)
    draft_id = floor.drafted()
    said = "The house rules change on Nov 30, 2026: let the draft end before that day, or begin on it."
    with transaction(floor.sessions) as session:
        lay_rules(session, floor.mall(session), date(2026, 11, 23), fee_kind="piece-week", fee_cents=5_00)
        glass = lay_rules(
            session, floor.mall(session), date(2026, 11, 30), fee_kind="piece-week", fee_cents=5_00, glass="nowhere"
        )
        glass_id = glass.id
    with pytest.raises(Refusal) as caught:
        floor.publish(draft_id)
    assert str(caught.value) == said
    with transaction(floor.sessions) as session:
        drop_draft(session, floor.now, session.get_one(OverflowDraft, draft_id), by=floor.by)
    with pytest.raises(Refusal, match="The house rules change on Nov 30, 2026"):
        floor.ask()
    shorter = floor.drafted(weeks=3)
    with transaction(floor.sessions) as session:
        session.delete(session.get_one(OverflowRule, glass_id))
    assert [one["request"] for one in floor.outcome(shorter)["placements"]] == [request]
    assert floor.publish(shorter) == 1
