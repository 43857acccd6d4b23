"""Mails of turns: who is told what, in which words, once however often the job runs."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.config import Settings
from coop.core.db import Sessions, transaction
from coop.core.jobs import Job, claim_next, run_job
from coop.core.mail import Outbox
from coop.dealers.models import Member
from coop.shifts import lapsing, offering, reminding
from coop.shifts.models import Availability, MonthAnswer, TurnHelper
from coop.shifts.offering import Terms
from tests.factories.house import add_person
from tests.factories.swaps import DECEMBER, Swaps
from tests.factories.turns import lay_rules

LEASE = timedelta(seconds=60)


@pytest.fixture
def session(sessions: Sessions) -> Iterator[Session]:
    with sessions() as session:
        yield session


@pytest.fixture
def yard(session: Session, now: datetime) -> Swaps:
    return Swaps(session, now)


def said_by(session: Session, member_id: int, kind: str, now: datetime, **more: Any) -> None:
    row = {"starts_on": date(2026, 11, 1), "ends_on": None, "weekdays": 127, "every_weeks": 1, "from_min": 0, "to_min": 1440}
    before = now - timedelta(minutes=1)
    session.add(Availability(member_id=member_id, kind=kind, said_at=before, ended_at=None, **row | more))
    session.flush()


def tell(session: Session, now: datetime) -> dict[str, str]:
    """Write the letters of every job named so far, twice; the body of each by its address and subject."""
    for job in session.scalars(select(Job).where(Job.kind == "shifts.tell").order_by(Job.id)).all():
        for _ in range(2):
            letters = reminding.NOTES[job.args["what"]](session, job.args)
            reminding.write_letters(session, now, letters, mail_domain="example.org", web_address="https://mall.example.org")
    return mails(session)


def mails(session: Session) -> dict[str, str]:
    rows = session.scalars(select(Outbox).where(Outbox.kind == "turns").order_by(Outbox.id)).all()
    assert len({row.key for row in rows}) == len(rows)
    return {f"{row.recipient}: {row.subject}": row.text_body for row in rows}


def test_everybody_is_told_that_a_rota_is_published_with_their_own_turns(session: Session, now: datetime, yard: Swaps) -> None:
    reminding.tell_published(session, now, yard.rota(session))
    told = tell(session, now)
    assert list(told) == [f"d0{n}@example.org: Your turns in December 2026" for n in (1, 2, 3, 4)]
    assert told["d01@example.org: Your turns in December 2026"].startswith(
        "The rota of December 2026 at Lantern Yard Antiques Hall is published.\n\nYou have 10 turns in it:\n\n"
        "- Desk on Tue, Dec 1, 10 am to 2 pm\n- Desk on Thu, Dec 3, 10 am to 2 pm\n"
    )
    assert "You have no turn in it." in told["d04@example.org: Your turns in December 2026"]
    assert "https://mall.example.org/portal/turns/" in told["d04@example.org: Your turns in December 2026"]
    html = session.scalars(select(Outbox.html_body).where(Outbox.recipient == "d01@example.org")).one()
    assert "<li>Desk on Tue, Dec 1, 10 am to 2 pm</li>" in html


def test_an_offer_to_one_and_its_taking_are_told_to_both(session: Session, now: datetime, yard: Swaps) -> None:
    ruth = yard.members["D03"]
    turn = yard.turn(session, 8)
    terms = Terms(pays_cents=40_00, to_member_id=ruth, words="At <a> fair")
    made = offering.offer_turn(session, now, turn, terms, member_id=yard.members["D01"])
    told = tell(session, now)
    assert list(told) == ["d03@example.org: A turn is offered to you: Tue, Dec 8"]
    (body,) = told.values()
    assert "Ida Fenwick offers you a turn and pays $40.00: Desk on Tue, Dec 8, 10 am to 2 pm, Lantern Yard" in body
    assert "“At <a> fair”" in body
    assert "employment under local law" in body
    assert f"https://mall.example.org/portal/turns/offers/{made.id}" in body
    assert "At &lt;a&gt; fair" in session.scalars(select(Outbox.html_body)).one()
    offering.take_offer(session, now + timedelta(days=1), made, member_id=ruth)
    told = tell(session, now)
    hers, theirs = told["d01@example.org: Taken: Tue, Dec 8"], told["d03@example.org: Taken: Tue, Dec 8"]
    assert "Ruth Ambler has your turn now: Desk on Tue, Dec 8" in hers
    assert "$40.00 is charged to your account for it, and the turn counts as yours." in hers
    assert "You have Ida Fenwick’s turn now" in theirs
    assert "$40.00 is credited to your account for it; the turn counts as Ida Fenwick’s." in theirs
    both = "Both have signed: Ida Fenwick on Nov 3, 2026, Ruth Ambler on Nov 4, 2026."
    assert both in hers
    assert both in theirs


def test_an_offer_to_all_is_mailed_to_those_who_would_like_it_or_could_stand_in(
    session: Session, now: datetime, yard: Swaps
) -> None:
    """D02 could stand in, but not for all of it; D03 could; D04 would like to; nobody else is written to."""
    said_by(session, yard.members["D02"], "stand in", now, from_min=660)
    said_by(session, yard.members["D03"], "stand in", now)
    said_by(session, yard.members["D04"], "like", now)
    said_by(session, yard.members["D01"], "like", now)
    offering.offer_turn(session, now, yard.turn(session, 8), Terms(), member_id=yard.members["D01"])
    assert list(tell(session, now)) == [f"d0{n}@example.org: A turn is offered to you: Tue, Dec 8" for n in (3, 4)]


def test_a_turn_in_return_is_told_declined_and_agreed(session: Session, now: datetime, yard: Swaps) -> None:
    ida, ruth, given = yard.members["D01"], yard.members["D03"], yard.turn(session, 9)
    made = offering.offer_turn(session, now, yard.turn(session, 8), Terms("swap"), member_id=ida)
    offering.answer_offer(session, now, made, given, member_id=ruth)
    told = tell(session, now)
    assert "gives you in return: Desk on Wed, Dec 9, 10 am to 2 pm" in told["d01@example.org: Ruth Ambler answers your offer"]
    offering.turn_down(session, now, made, member_id=ida)
    assert "Everything stays as it is." in tell(session, now)["d03@example.org: Ida Fenwick declines"]
    later = now + timedelta(days=1)
    offering.answer_offer(session, later, made, given, member_id=ruth)
    offering.sign_offer(session, later + timedelta(days=1), made, member_id=ida, agreed_turn_id=given.id)
    told = tell(session, later)
    assert (
        "Both have signed: Ida Fenwick on Nov 5, 2026, Ruth Ambler on Nov 4, 2026."
        in told["d01@example.org: Swapped: Tue, Dec 8"]
    )
    assert "In return you have: Desk on Wed, Dec 9" in told["d01@example.org: Swapped: Tue, Dec 8"]
    assert "In return Ida Fenwick has yours: Desk on Wed, Dec 9" in told["d03@example.org: Swapped: Tue, Dec 8"]


def test_an_offer_nobody_took_is_told_to_who_made_it(session: Session, now: datetime, yard: Swaps) -> None:
    offering.offer_turn(session, now, yard.turn(session, 8), Terms(), member_id=yard.members["D01"])
    ends = datetime(2026, 12, 7, 16, tzinfo=UTC)
    assert lapsing.lapse_offers(session, ends) == 1
    assert "you come as planned. Desk on Tue, Dec 8" in tell(session, ends)["d01@example.org: You come as planned: Tue, Dec 8"]


def test_what_the_manager_moves_and_a_closed_day_are_told(session: Session, now: datetime, yard: Swaps) -> None:
    turn = yard.turn(session, 8)
    had, turn.member_id = turn.member_id, yard.members["D03"]
    session.flush()
    reminding.tell_moved(session, now, turn, had)
    reminding.tell_closed(session, now, [yard.turn(session, 10)])
    told = tell(session, now)
    assert "to somebody else: Desk on Tue, Dec 8" in told["d01@example.org: A turn is no longer yours"]
    assert "given you a turn, as agreed: Desk on Tue, Dec 8" in told["d03@example.org: A turn is yours now"]
    closed = told["d01@example.org: No turn on Dec 10, 2026"]
    assert "stays closed on Dec 10, 2026, and you need not come" in closed
    assert "It counts as worked." in closed


def test_a_missed_turn_calls_the_manager_and_who_could_stand_in(session: Session, now: datetime, yard: Swaps) -> None:
    add_person(session, now, "manager@example.org", ("manager",))
    said_by(session, yard.members["D03"], "stand in", now)
    reminding.tell_missed(session, now, yard.turn(session, 8))
    told = tell(session, now)
    manager = told["manager@example.org: Nobody has come: Tue, Dec 8"]
    assert "Ida Fenwick has not come: Desk on Tue, Dec 8, 10 am to 2 pm, Lantern Yard Antiques Hall." in manager
    assert "Asked to stand in: Ruth Ambler." in manager
    assert "sign in at the desk" in told["d03@example.org: Can you stand in now? Desk, 10 am to 2 pm"]
    assert len(told) == 2


def test_who_has_no_address_or_has_left_is_not_written_to(session: Session, now: datetime, yard: Swaps) -> None:
    session.get_one(Member, yard.members["D01"]).email = ""
    session.get_one(Member, yard.members["D02"]).left_on = date(2026, 12, 31)
    session.flush()
    reminding.tell_published(session, now, yard.rota(session))
    assert [one.partition(":")[0] for one in tell(session, now)] == ["d03@example.org", "d04@example.org"]


def test_reminders_come_once_as_many_days_before_as_the_rules_say(session: Session, now: datetime, yard: Swaps) -> None:
    """Two days before, at 8 am in Chicago: on December 6 that of the 8th. And with whom one is."""
    helper = TurnHelper(member_id=yard.members["D02"], name="Rufus", phone="", trained_on=None, named_at=now, ended_on=None)
    session.add(helper)
    session.flush()
    early = yard.turn(session, 8)
    yard.turn(session, 8, opens=False).helper_id = helper.id
    early.ends_at += timedelta(minutes=30)
    session.flush()
    morning = datetime(2026, 12, 6, 14, tzinfo=UTC)

    def remind(at: datetime) -> dict[str, str]:
        letters = reminding.reminders(session, at)
        reminding.write_letters(session, at, list(letters), mail_domain="example.org", web_address="")
        return mails(session)

    assert remind(morning - timedelta(days=1)) == {}
    told = remind(morning)
    assert sorted(told) == [
        "d01@example.org: Your turn in 2 days: Desk, 10 am to 2:30 pm",
        "d02@example.org: Your turn in 2 days: Desk, 2 to 6 pm",
    ]
    first, second = told.values()
    assert "With you: Amos Pell." in first
    assert "You open the mall: whoever holds a key brings it." in first
    assert "Rufus comes for you." in second
    assert "http" not in first
    # The day after: that turn once more is no mail, and Wednesday's is one.
    assert len(remind(morning + timedelta(days=1))) == 3


def test_a_turn_is_reminded_of_by_the_rules_of_its_own_month(session: Session, now: datetime, yard: Swaps) -> None:
    """December has two days before and is near at the end of November, which goes by fewer."""
    lay_rules(session, yard.mall(session), starts_on=date(2026, 11, 1), remind_days=0)
    eve = datetime(2026, 11, 29, 15, tzinfo=UTC)
    assert list(reminding.reminders(session, eve)) == []
    lay_rules(session, yard.mall(session), starts_on=date(2026, 12, 1), remind_days=2)
    assert [letter.note.subject for letter in reminding.reminders(session, eve)] == [
        "Your turn in 2 days: Desk, 10 am to 2 pm",
        "Your turn in 2 days: Desk, 2 to 6 pm",
    ]


def test_nobody_is_asked_of_a_month_whose_rota_is_published(session: Session, yard: Swaps) -> None:
    assert list(reminding.asked_for_answers(session, datetime(2026, 11, 13, 14, tzinfo=UTC))) == []


def test_who_has_said_nothing_is_asked_in_the_week_before_the_answers_close(session: Session, now: datetime) -> None:
    yard = Swaps(session, datetime(2026, 11, 25, 14, tzinfo=UTC))
    session.add(MonthAnswer(member_id=yard.members["D01"], first_day=DECEMBER.first_day, answered_at=now))
    said_by(session, yard.members["D02"], "rather not", now, starts_on=date(2026, 12, 1))
    said_by(session, yard.members["D03"], "stand in", now)

    def ask(day: int) -> dict[str, str]:
        at = datetime(2026, 11, day, 14, tzinfo=UTC)
        letters = reminding.asked_for_answers(session, at)
        reminding.write_letters(session, at, list(letters), mail_domain="example.org", web_address="")
        return mails(session)

    assert ask(12) == {}
    told = ask(13)
    assert sorted(told) == [f"d0{n}@example.org: When can you take turns in December 2026?" for n in (3, 4)]
    assert "Please say by Nov 20, 2026" in told["d03@example.org: When can you take turns in December 2026?"]
    assert "counts as one who is free at any time." in told["d03@example.org: When can you take turns in December 2026?"]
    assert len(ask(20)) == 2
    # The member who takes part from December on and has said nothing by then is asked no more, for it is too late.
    lay_rules(session, yard.mall(session), starts_on=date(2027, 1, 1), silence="never", answers_day=1)
    assert len(ask(21)) == 2
    told = ask(30)
    assert "counts as one who can at no time." in told["d04@example.org: When can you take turns in January 2027?"]


def test_a_job_writes_them_in_its_own_transaction(sessions: Sessions, now: datetime, settings: Settings) -> None:
    with transaction(sessions) as session:
        yard = Swaps(session, now)
        reminding.tell_published(session, now, yard.rota(session))
    with transaction(sessions) as session:
        claimed = claim_next(session, now, LEASE)
    assert claimed is not None
    run_job(sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: now, settings=settings)
    with transaction(sessions) as session:
        assert session.get_one(Job, claimed[0]).state == "done"
        assert session.scalar(select(func.count(Outbox.id)).where(Outbox.kind == "turns")) == 4


@pytest.fixture
def settings(database_url: str, tmp_path: Any) -> Settings:
    return Settings(data=tmp_path, database_url=database_url, secret_key="a key of the tests", mail_domain="example.org")
