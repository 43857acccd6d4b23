"""Mails of lent floor by the clock on both databases: once each, to who has an address; and the queries of what waits."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.config import Settings
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job, claim_next, name_job, run_job
from coop.core.mail import Outbox
from coop.dealers.models import Member
from coop.overflow import telling
from coop.overflow.models import OverflowAnswer
from coop.overflow.placing import place_piece, place_request, place_sold
from coop.overflow.queries import (
    must_move,
    overdue_sold,
    own_requests,
    own_stays,
    past_stays,
    request_row,
    requests_waiting,
    waiting_counts,
)
from coop.overflow.recalling import recall, take_back_recall
from coop.overflow.staying import (
    cancel_stay,
    end_stay,
    lengthen_stay,
    move_stay,
    said_moved_in,
    stand_again,
    take_back_end,
    take_back_lengthening,
)
from coop.overflow.survey_asking import survey_row
from coop.overflow.walking import begin_walk, finish_walk, mark
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, mails, piece, told, write

DAY, LEASE = timedelta(days=1), timedelta(seconds=60)
HALL = "Lantern Yard Antiques Hall"


def morning(now: datetime, on: date) -> datetime:
    return now + (on - TODAY)


def remind(session: Session, now: datetime, *days: date) -> list[str]:
    """The mails of these mornings, each written twice; only those that were not there before."""
    before = set(mails(session))
    for day in days:
        for _ in range(2):
            write(session, morning(now, day), telling.reminders(session, morning(now, day)))
    return [key for key in mails(session) if key not in before]


def test_a_piece_is_told_of_before_it_moves_in_and_before_its_last_day(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(height=66), piece("Pine bench"))
    stay = place_piece(session, now, aisles.mall(session), hutch, aisles.place(session), by=aisles.by)
    place_piece(session, now, aisles.mall(session), bench, aisles.place(session, at=50), by=aisles.by)
    assert remind(session, now, MONDAY - 2 * DAY) == []
    sunday = remind(session, now, MONDAY - DAY)
    assert sunday == [f"d01@example.org: {name} moves in tomorrow" for name in ("Oak hutch", "Pine bench")]
    assert remind(session, now, MONDAY, MONDAY + DAY, SUNDAY - 4 * DAY) == []
    body = mails(session)["d01@example.org: Oak hutch moves in tomorrow"]
    assert f'Oak hutch has floor at {HALL} from tomorrow on: bay A1-1, 0" to 3\' 4" along it, Nov 9 to Dec 6, 2026.' in body
    assert "It is 5' 6\" high: fasten it to the wall behind it before anything is put on it." in body
    assert "The manager finds somebody to lift with you" in body
    assert "The manager finds" not in mails(session)["d01@example.org: Pine bench moves in tomorrow"]
    recall(session, morning(now, MONDAY), stay, why="Painting.", by=aisles.by)
    last = MONDAY + 7 * DAY
    assert remind(session, now, last - 4 * DAY, last - 3 * DAY, last) == [
        "d01@example.org: The last day of Oak hutch is on Nov 16, 2026"
    ]
    body = mails(session)["d01@example.org: The last day of Oak hutch is on Nov 16, 2026"]
    assert "It was asked back: Painting." in body
    assert "Take it away by the end of that day." in body
    assert remind(session, now, SUNDAY) == ["d01@example.org: The last day of Pine bench is today"]


def test_what_is_taken_away_has_other_cautions_than_what_moves_in(session: Session, now: datetime, aisles: Aisles) -> None:
    """Who takes a piece home fastens it to no wall of the mall."""
    _, (hutch,) = aisles.ask(session, now, piece(height=66))
    stay = place_piece(session, now, aisles.mall(session), hutch, aisles.place(session), by=aisles.by)
    recall(session, morning(now, MONDAY), stay, why="Painting.", by=aisles.by)
    remind(session, now, MONDAY + 7 * DAY)
    bodies = told(session, morning(now, MONDAY))
    for subject in ("Oak hutch must go by Nov 16, 2026", "The last day of Oak hutch is "):
        (body,) = [text for key, text in bodies.items() if subject in key]
        assert "It is 5' 6\" high on a base of 1' 6\", 3.6 to 1, and tips easily: empty it, let a second person hold it" in body
        assert "asten it to" not in body
        assert "The manager finds somebody to lift with you" in body


def test_a_mail_of_several_pieces_says_of_which_its_cautions_are(session: Session, now: datetime, aisles: Aisles) -> None:
    request, (hutch, bench) = aisles.ask(session, now, piece(height=66), piece("Pine bench"))
    places = [(hutch, aisles.place(session)), (bench, aisles.place(session, at=50))]
    place_request(session, now, request, places, by=aisles.by)
    (body,) = told(session, now).values()
    assert "\nOak hutch. It is 5' 6\" high: fasten it to the wall behind it before anything is put on it. It is 5' 6\"" in body
    assert "Pine bench. " not in body
    one, (chest,) = aisles.ask(session, now, piece("Tall chest", height=61), code="D02")
    place_request(session, now, one, [(chest, aisles.place(session, "A2-1"))], by=aisles.by)
    assert "\nIt is 5' 1\" high: fasten it" in next(text for key, text in told(session, now).items() if key.startswith("d02"))


def test_a_walk_s_list_is_announced_by_no_colon_that_other_words_follow(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(height=66), piece("Pine bench"))
    stays = [
        place_piece(session, now, aisles.mall(session), one, aisles.place(session, at=at), by=aisles.by)
        for one, at in ((hutch, 0), (bench, 50))
    ]
    then = morning(now, MONDAY)
    walk = begin_walk(session, then, aisles.mall(session), by=aisles.by)
    for stay in stays:
        mark(session, then, walk, stay, "out of place", by=aisles.by)
    finish_walk(session, then, walk, by=aisles.by)
    body = told(session, then)["d01@example.org: Out of place: 2 pieces"]
    assert f"Somebody walked the aisles of {HALL} on Nov 9, 2026, and found of yours what is listed below.\n" in body
    assert "\nOak hutch. It is 5' 6\" high: fasten it to the wall" in body


def test_who_has_moved_in_or_has_no_address_gets_no_mail(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    place = aisles.place(session, first=TODAY, last=MONDAY)
    stay = place_piece(session, now, aisles.mall(session), hutch, place, by=aisles.by)
    said_moved_in(session, now, stay, on=TODAY, by=aisles.by)
    assert remind(session, now, TODAY) == []
    session.get_one(Member, aisles.dealer(session).member_id).email = ""
    assert remind(session, now, MONDAY) == []


def test_what_is_gone_has_no_last_day_to_be_told_of(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    place = aisles.place(session, first=MONDAY, last=SUNDAY)
    stay = place_piece(session, now, aisles.mall(session), hutch, place, by=aisles.by)
    end_stay(session, morning(now, MONDAY), stay, on=MONDAY, by=aisles.ida)
    assert remind(session, now, MONDAY) == []
    take_back_end(session, morning(now, MONDAY), stay, by=aisles.ida)
    assert remind(session, now, MONDAY) == ["d01@example.org: Oak hutch moves in today"]


def test_what_was_undone_before_its_mail_was_written_is_not_told(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch,) = aisles.ask(session, now)
    stay = place_piece(session, now, aisles.mall(session), hutch, aisles.place(session), by=aisles.by)
    move_stay(session, now, stay, aisles.bay(session, "A2-1"), 0, by=aisles.by)
    cancel_stay(session, now, stay, by=aisles.ida)
    assert told(session, now) == {}
    stand_again(session, now, stay, by=aisles.ida)
    lengthen_stay(session, now, stay, until=SUNDAY + DAY, by=aisles.by)
    take_back_lengthening(session, now, stay, by=aisles.by)
    lengthen_stay(session, now, stay, until=SUNDAY + 2 * DAY, by=aisles.by)
    for _ in range(2):
        recall(session, morning(now, MONDAY), stay, why="Painting.", by=aisles.by)
        take_back_recall(session, morning(now, MONDAY), stay, by=aisles.by)
    recall(session, morning(now, MONDAY), stay, why="Painting.", by=aisles.by)
    assert sorted(told(session, now)) == [
        "d01@example.org: Oak hutch has floor until Nov 16, 2026",
        "d01@example.org: Oak hutch is to stand in bay A2-1",
        "d01@example.org: Oak hutch must go by Nov 16, 2026",
    ]


def test_a_sold_piece_that_nobody_fetched_is_told_of_and_counted_until_somebody_says_so(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    """Seven days from today, so November 9 is the last; of four, one is fetched on it, one lengthened, one moved."""
    mall, amos, bay = aisles.mall(session), aisles.dealer(session, "D02"), aisles.bay(session)
    table, stool, chair, lamp = (
        place_sold(session, now, mall, amos, piece(name, 20), bay, by=aisles.by) for name in ("Table", "Stool", "Chair", "Lamp")
    )
    assert remind(session, now, MONDAY - 3 * DAY)[0] == "d02@example.org: The last day of Table is on Nov 9, 2026"
    assert (
        "have it fetched, or ask the manager for more days"
        in mails(session)["d02@example.org: The last day of Table is on Nov 9, 2026"]
    )
    monday = morning(now, MONDAY)
    end_stay(session, monday, stool, on=MONDAY, by=aisles.by)
    lengthen_stay(session, monday, chair, until=SUNDAY, by=aisles.by)
    moved = move_stay(session, monday, lamp, aisles.bay(session, "A2-1"), 0, by=aisles.by)
    assert overdue_sold(session, mall.id, MONDAY) == []
    tuesday = MONDAY + DAY
    assert [one.piece.name for one in overdue_sold(session, mall.id, tuesday)] == ["Table", "Lamp"], "each once, moved or not"
    lengthen_stay(session, morning(now, tuesday), moved, until=SUNDAY, by=aisles.by)
    assert [one.piece.name for one in overdue_sold(session, mall.id, tuesday)] == ["Table"]
    assert remind(session, now, tuesday, tuesday + DAY) == ["d02@example.org: Table was to be fetched by Nov 9, 2026"]
    assert waiting_counts(session, mall.id, tuesday).overdue_sold == 1
    with pytest.raises(Refusal, match="Table of D02 is sold, was to be fetched by Nov 9, 2026, and may stand there still: say"):
        place_sold(session, morning(now, tuesday), mall, amos, piece("Bench", 20), bay, by=aisles.by, from_in16=table.from_in16)
    end_stay(session, morning(now, tuesday), table, on=MONDAY, by=aisles.by)
    assert overdue_sold(session, mall.id, tuesday) == []
    take_back_end(session, morning(now, tuesday), table, by=aisles.by)
    assert [one.stay.id for one in overdue_sold(session, mall.id, tuesday)] == [table.id], "it was not gone after all"
    end_stay(session, morning(now, tuesday), moved, on=tuesday, by=aisles.by)
    assert [one.stay.id for one in overdue_sold(session, mall.id, tuesday + DAY)] == [table.id], "gone from where it was moved to"
    assert [one.stay.id for one in past_stays(session, [amos.id], tuesday)] == [stool.id, table.id, lamp.id]


def test_an_answer_that_gives_nothing_says_that_it_waits(session: Session, now: datetime, aisles: Aisles) -> None:
    request, _ = aisles.ask(session, now)
    answer = OverflowAnswer(request_id=request.id, answer="refused", sentence="Every bay is taken.", at=now)
    session.add(answer)
    session.flush()
    for _ in range(2):
        telling.tell_answer(session, now, answer)
    letters = told(session, now)
    assert list(letters) == [f"d01@example.org: No floor this time: {HALL}"]
    (body,) = letters.values()
    assert body.startswith("Every bay is taken.\n\nWhat has no floor goes on waiting, and counts as waiting longer.\n")
    assert "https://mall.example.org/portal/overflow/" in body


def test_the_jobs_write_the_mails_and_are_done(sessions: Sessions, now: datetime, tmp_path: Path, database_url: str) -> None:
    settings = Settings(data=tmp_path, database_url=database_url, secret_key="a key of the tests", mail_domain="example.org")
    with transaction(sessions) as session:
        aisles = Aisles(session, now)
        request, (hutch,) = aisles.ask(session, now)
        place_request(session, now, request, [(hutch, aisles.place(session, first=TODAY))], by=aisles.by)
        name_job(session, now, telling.REMIND, {}, queue="default")
    for _ in range(2):
        with transaction(sessions) as session:
            claimed = claim_next(session, now, LEASE, queues=("default",))
        assert claimed is not None
        run_job(sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: now, settings=settings)
    with transaction(sessions) as session:
        states = session.execute(select(Job.kind, Job.state).where(Job.kind.in_((telling.TELL, telling.REMIND))))
        assert sorted(tuple(row) for row in states) == [(telling.REMIND, "done"), (telling.TELL, "done")]
        assert session.scalar(select(func.count(Outbox.id)).where(Outbox.kind == telling.MAIL)) == 2


# --- what pages ask -------------------------------------------------------------------------------------------------------


def test_requests_come_with_pieces_floor_and_last_answer(session: Session, now: datetime, aisles: Aisles) -> None:
    first, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    second, _ = aisles.ask(session, now, code="D02")
    third, (box,) = aisles.ask(session, now, piece("Tin box"))
    place_request(session, now, first, [(hutch, aisles.place(session))], by=aisles.by)
    place_request(session, now, third, [(box, aisles.place(session, "A2-1"))], by=aisles.by)
    waiting = requests_waiting(session, aisles.mall_id)
    assert [(row.request.id, row.dealer.code, len(row.pieces)) for row in waiting] == [
        (first.id, "D01", 2),
        (second.id, "D02", 1),
    ]
    assert ([one.name for one in waiting[0].waiting], waiting[0].days_waited(MONDAY)) == (["Pine bench"], 6)
    assert waiting[0].answer is not None
    assert (waiting[0].answer.answer, waiting[1].answer) == ("partly", None)
    assert waiting[0].stays[hutch.id].bay.code == "A1-1"
    ida = aisles.dealer(session)
    assert [row.request.id for row in own_requests(session, [ida.id])] == [first.id, third.id], "what waits comes first"
    assert [one.piece.id for one in own_stays(session, [ida.id], TODAY)] == [hutch.id, box.id]
    assert own_stays(session, [ida.id], SUNDAY + DAY) == []
    assert request_row(session, 0) is None
    assert bench.id not in waiting[0].stays


def test_what_must_move_is_counted_until_it_is_asked_back(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    mall = aisles.mall(session)
    one, other = (
        place_piece(session, now, mall, row, aisles.place(session, at=at, first=TODAY), by=aisles.by)
        for row, at in ((hutch, 0), (bench, 50))
    )
    assert must_move(session, mall.id, TODAY) == []
    survey_row(session, mall.id).value = {"must_move": {str(one.id): "It stands before an exit.", "99": "Gone."}}
    session.flush()
    assert [(found.stay.id, why) for found, why in must_move(session, mall.id, TODAY)] == [(one.id, "It stands before an exit.")]
    counts = waiting_counts(session, mall.id, TODAY)
    assert (counts.requests, counts.must_move, counts.overdue_sold, counts.unmarked) == (0, 1, 0, 0)
    recall(session, now, one, why="Exit", by=aisles.by, days=0, for_safety=True)
    assert must_move(session, mall.id, TODAY) == []
    assert other.recalled_at is None
