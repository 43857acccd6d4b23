"""A draft made stays and answers, while nothing has changed since it was worked out; its askers are told in that transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from textwrap import shorten
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import shown_day
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock, require_open_day, today_at
from coop.overflow import telling
from coop.overflow.asking import settle_state
from coop.overflow.domain.answers import GRANTED, PARTLY, REFUSED
from coop.overflow.drafting import log_draft, require_draft, require_same_rules
from coop.overflow.judging import Place, judge_place
from coop.overflow.models import BayRow, OverflowAnswer, OverflowDraft, OverflowPiece, OverflowRequest, Stay
from coop.overflow.period import hash_of, read_period
from coop.overflow.placing import flush_stay
from coop.overflow.queries import in_the_way
from coop.overflow.staying import came_by_its_last_day, is_there
from coop.overflow.surveying import ask_survey

LONGEST_WHY, LONGEST_RECALL = 400, 200
CHANGED = "Something has changed since this draft was worked out: draft it again, and publish that."
_DAY = timedelta(days=1)


def publish(session: Session, now: datetime, row: OverflowDraft, *, by: By) -> int:
    """Make a draft's placements stays and tell every asker; how many stays that are. What gets nothing goes on waiting.

    Refuses one that is not worked out, a period that has begun or in which the rules change, and one since whose facts anything
    has changed.
    """
    mall = session.get_one(Mall, row.mall_id)
    lock(session, mall, row)
    require_draft(session, row)
    if row.outcome is None:
        raise Refusal("This draft is not worked out: draft it again.")
    today = today_at(session, now, mall.id)
    if row.first_day < today:
        raise Refusal(f"The draft begins on {shown_day(row.first_day)}, which is past: drop it, and draft from a later day.")
    require_open_day(session, mall.id, row.first_day, "The draft")
    require_same_rules(session, mall, row.first_day, row.weeks)
    if hash_of(read_period(session, mall, row.first_day, row.weeks, today)) != row.made_of:
        raise Refusal(CHANGED)
    outcome = row.outcome
    why = {one.stay.id: sentence for one, sentence in in_the_way(session, mall.id, today)}
    before = _end_moved(session, now, mall, outcome, why)
    stays = _place(session, now, mall, outcome["placements"], before)
    row.state, row.published_at = "published", now
    _answer(session, now, row, outcome)
    counts = [sum(1 for one in outcome["answers"] if one["answer"] == answer) for answer in (GRANTED, PARTLY, REFUSED)]
    said = f"{len(stays)} pieces placed; {counts[0]} granted, {counts[1]} partly, {counts[2]} refused"
    log_draft(session, now, mall, row, "draft published", by, said)
    until = {one["stay"]: date.fromisoformat(one["until"]) for one in outcome["moves"]}
    for stay in stays:
        if stay.piece_id in before:
            old = before[stay.piece_id]
            _keep_days(session, mall, stay, until[old.id], today)
            code = session.get_one(BayRow, old.bay_id).code
            telling.tell_moved(session, now, stay, code, had=until[old.id], why=why.get(old.id, ""))
    ask_survey(session, now, mall)
    return len(stays)


def _end_moved(
    session: Session, now: datetime, mall: Mall, outcome: Mapping[str, Any], why: Mapping[int, str]
) -> dict[int, Stay]:
    """End what must move on the day before, or take it back where it had not begun; those that get another place, by piece.

    All are ended before any stands elsewhere: one may come where another leaves. `why`: of what is in the way now, by the id of
    its stay; its dealer is told.
    """
    begins = {one["stay"]: date.fromisoformat(one["starts_on"]) for one in outcome["placements"] if one["stay"] is not None}
    placed = {}
    for one in outcome["moves"]:
        stay = session.get_one(Stay, one["stay"], with_for_update=True)
        on, had = begins.get(stay.id, date.fromisoformat(one["from"])), stay.ends_on
        if stay.starts_on < on:
            stay.ends_on, stay.lengthened_from = on - _DAY, None
            came_by_its_last_day(stay)
        else:
            stay.state = "cancelled"
        # That it would be gone on a later day is said no more.
        is_there(stay)
        if one["placed"]:
            placed[stay.piece_id] = stay
            continue
        if stay.recalled_at is None:
            stay.recalled_from = had
        stay.recalled_at, stay.recall_why = now, shorten(why.get(stay.id, one["sentence"]), LONGEST_RECALL, placeholder=" ...")
        session.flush()
        if stay.state == "stands":
            telling.tell_recalled(session, now, stay)
        else:
            _wait_again(session, now, stay, one["sentence"])
    session.flush()
    return placed


def _wait_again(session: Session, now: datetime, stay: Stay, sentence: str) -> None:
    """A piece that was to come, and has no place any more, waits again with its request."""
    piece = session.get_one(OverflowPiece, stay.piece_id)
    if piece.request_id is not None:
        settle_state(session, session.get_one(OverflowRequest, piece.request_id))
        _tell(session, now, OverflowAnswer(request_id=piece.request_id, answer=REFUSED, sentence=sentence, at=now))


def _place(
    session: Session, now: datetime, mall: Mall, placements: Iterable[Mapping[str, Any]], before: Mapping[int, Stay]
) -> list[Stay]:
    rows = select(BayRow).where(BayRow.mall_id == mall.id, BayRow.ended_on.is_(None))
    bays = {bay.code: bay for bay in session.scalars(rows)}
    stays = []
    for one in placements:
        old = before.get(one["piece"])
        ends_on = date.fromisoformat(one["ends_on"])
        stays.append(
            Stay(
                piece_id=one["piece"],
                bay_id=bays[one["bay"]].id,
                kind=old.kind if old else "asked",
                from_in16=one["from_in16"],
                to_in16=one["to_in16"],
                depth_in16=one["depth_in16"],
                turned=one["turned"],
                starts_on=date.fromisoformat(one["starts_on"]),
                ends_on=ends_on,
                granted_until=old.granted_until if old else ends_on,
                why=shorten(one["why"], LONGEST_WHY, placeholder=" ..."),
                recalled_at=old.recalled_at if old else None,
                recall_why=old.recall_why if old else "",
                recalled_from=old.recalled_from if old else None,
                created_at=now,
            )
        )
    session.add_all(stays)
    flush_stay(session, CHANGED)
    return stays


def _keep_days(session: Session, mall: Mall, stay: Stay, until: date, today: date) -> None:
    """Let what was moved stay until the day it had floor until, beyond the period too, if its place is free then."""
    if stay.ends_on < until:
        bay, piece = session.get_one(BayRow, stay.bay_id), session.get_one(OverflowPiece, stay.piece_id)
        beyond = Place(bay, stay.from_in16, stay.ends_on + _DAY, until, stay.turned)
        try:
            judge_place(session, mall, piece, beyond, today=today, kind=stay.kind)
        except Refusal:
            return  # its dealer is told how many days it has
        stay.ends_on = until
        session.flush()


def _answer(session: Session, now: datetime, row: OverflowDraft, outcome: Mapping[str, Any]) -> None:
    for one in outcome["answers"]:
        settle_state(session, session.get_one(OverflowRequest, one["request"]))
        answer = OverflowAnswer(
            request_id=one["request"], draft_id=row.id, answer=one["answer"], sentence=one["sentence"], at=now
        )
        _tell(session, now, answer)


def _tell(session: Session, now: datetime, answer: OverflowAnswer) -> None:
    session.add(answer)
    session.flush()
    telling.tell_answer(session, now, answer)
