"""What an arrangement of turns breaks: the whole rota, or what one more turn of a member would. Needs no solver."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.templating import joined
from coop.shifts.domain.posing import (
    COVER,
    ELSEWHERE,
    EXEMPT,
    KEY,
    LEFT,
    NEVER,
    SILENT,
    MonthFacts,
    Seat,
    arranged,
    pose,
    with_members,
)
from coop.shifts.models import Post, Rota, Turn
from coop.shifts.month_facts import moved_elsewhere, read_facts
from coop.shifts.solving import problem as solving
from coop.shifts.solving.checking import Broken as Fault
from coop.shifts.solving.checking import check
from coop.shifts.solving.problem import Problem
from coop.shifts.wording import clock_span, weekday_of

UNCOVERED = "uncovered"


@dataclass(frozen=True)
class Broken:
    """A rule that an arrangement breaks, in a sentence. One that is not hard is told, and keeps nothing from being done."""

    turn_id: int | None
    member_id: int | None
    rule: str
    words: str
    hard: bool = True


class Judge:
    """A rota's month with its problem, made once for many questions."""

    def __init__(self, session: Session, rota: Rota, facts: MonthFacts | None = None) -> None:
        self.facts = facts or read_facts(session, rota)
        self.posts: dict[int, str] = {
            row.id: row.name for row in session.execute(select(Post.id, Post.name).where(Post.mall_id == rota.mall_id))
        }

    @cached_property
    def problem(self) -> Problem:
        return pose(self.facts)

    @cached_property
    def names(self) -> dict[int, str]:
        return {person.id: person.name for person in self.facts.people}

    @cached_property
    def _seats(self) -> dict[int, Seat]:
        return {seat.id: seat for seat in self.facts.seats}

    def broken(self, moved: Mapping[int, int | None] | None = None) -> list[Broken]:
        """Everything the rota breaks, with other members in some turns (by turn's id) if so: by day, then by member."""
        facts = with_members(self.facts, moved or {})
        report = check(self.problem, arranged(facts))
        # Locks are the draft's: whoever moves a locked turn means it.
        found = [self._fault(facts, fault) for fault in report.broken if fault.rule != "lock"]
        found += [self._strange(seat) for seat in facts.seats if seat.member_id is not None and seat.member_id not in self.names]
        for short in report.short:
            cover = self.problem.covers[short.cover]
            if cover.tier == COVER and short.missing > 0:
                found.append(self._short(facts, cover, short.missing))
        return sorted(found, key=lambda one: (not one.hard, self._day(one), one.rule, one.words))

    def more_broken(self, moved: Mapping[int, int | None]) -> list[Broken]:
        """What a move would break that holds now."""
        before = set(self.broken())
        return [one for one in self.broken(moved) if one not in before]

    def _day(self, one: Broken) -> int:
        return self._seats[one.turn_id].day if one.turn_id in self._seats else 0

    def _fault(self, facts: MonthFacts, fault: Fault) -> Broken:
        member = int(fault.person)
        days = [day for day in fault.days if 0 <= day < facts.days]
        on = [seat for seat in facts.seats if seat.member_id == member and seat.day in days]
        seat = on[-1] if on else None
        said = joined([self._on(day) for day in sorted({seat.day for seat in on})]) or "this month"
        # What a member says oneself one may waive by taking a turn, so it is told apart from what the house forbids.
        rule = fault.detail if fault.rule == "forbidden" else fault.rule
        return Broken(seat.id if seat else None, member, rule, self._sentence(fault, member, said, seat))

    def _sentence(self, fault: Fault, member: int, said: str, seat: Seat | None) -> str:
        name, house = self.names[member], self.facts.house
        if fault.rule == "forbidden":
            reasons = {
                LEFT: f"{name} has no lease here on {said}",
                EXEMPT: f"{name} is exempt on {said}",
                NEVER: f"{name} said never for {said}{self._hours(seat)}",
                SILENT: f"{name} has not said when turns are possible, and silence is no here: {said}",
                ELSEWHERE: f"{name} has a turn at another mall too near to {said}{self._hours(seat)}",
            }
            return reasons[fault.detail] + "."
        if fault.rule == "apart":
            other = self.names.get(int(fault.detail), fault.detail) if fault.detail.isdigit() else fault.detail
            return f"{name} and {other} are not to work together, and are on {said}."
        sentences = {
            "at the same time": f"{name} has two turns at the same time on {said}.",
            "turns a day": f"{name} has more than {_turns(house.most_day)} on {said}.",
            "turns a week": f"{name} has more than {_turns(house.most_week)} in the week of {said}.",
            "rest": f"{name} has less rest than the house rules ask between turns, {said}.",
            "longest run": f"{name} has turns on more than {house.most_in_row} days in a row, {said.replace(' and ', ' to ')}.",
            "beside": f"{name} is not trained yet, and nobody trained is there on {said}{self._hours(seat)}.",
        }
        return sentences.get(fault.rule, f"{name}: {fault.rule}, {said}.")

    def _strange(self, seat: Seat) -> Broken:
        where = f"{self._on(seat.day)}{self._hours(seat)}"
        return Broken(seat.id, seat.member_id, LEFT, f"Whoever has the turn on {where} has no lease here in the month.")

    def _short(self, facts: MonthFacts, cover: solving.Cover, missing: int) -> Broken:
        seats = [seat for seat in facts.seats if seat.day == cover.day and seat.kind in cover.kinds]
        first = next((seat for seat in seats if seat.member_id is None), seats[0])
        where = f"{self._on(cover.day)}, {self.posts.get(first.post_id, 'a post')}{self._hours(first)}"
        if cover.skill == KEY:
            at = f" at {cover.name.removeprefix('keys at ')}" if cover.name != "keys" else ""
            return Broken(first.id, None, "keys", f"{where}: nobody there holds a key{at}.", hard=all(s.member_id for s in seats))
        if cover.name == "least people":
            words = f"{where}: fewer than {facts.house.least_people} people are there."
            return Broken(first.id, None, "least people", words, hard=False)
        return Broken(first.id, None, UNCOVERED, f"{where}: {missing} of {cover.required} uncovered.", hard=False)

    def _on(self, day: int) -> str:
        return weekday_of(_date(self.facts, day))

    @staticmethod
    def _hours(seat: Seat | None) -> str:
        return f", {clock_span(seat.starts_min, seat.ends_min)}" if seat else ""


def _date(facts: MonthFacts, day: int) -> date:
    return facts.first_day + timedelta(days=day)


def _turns(count: int) -> str:
    return "1 turn" if count == 1 else f"{count} turns"


def judge(session: Session, rota: Rota) -> list[Broken]:
    """Everything a rota breaks as it stands, hard rules first."""
    return Judge(session, rota).broken()


def would_break(
    session: Session, turn: Turn, member_id: int | None, *, also: Mapping[int, int | None] | None = None
) -> list[Broken]:
    """What giving a turn to a member (with other turns moved at once: id to member) would break that holds now.

    Turns of other months and malls in `also` are judged in their own rotas, each with the others as they are then.
    """
    moved = {turn.id: member_id, **(also or {})}
    turns = session.scalars(select(Turn).where(Turn.id.in_(list(moved)))).all()
    found: list[Broken] = []
    for rota_id in sorted({one.rota_id for one in turns}):
        rota = session.get_one(Rota, rota_id)
        here = {one.id: moved[one.id] for one in turns if one.rota_id == rota_id}
        others = {one: moved[one.id] for one in turns if one.rota_id != rota_id}
        judge_now = Judge(session, rota)
        if not others:
            found += judge_now.more_broken(here)
            continue
        before = set(judge_now.broken())
        judge_then = Judge(session, rota, moved_elsewhere(session, judge_now.facts, others))
        found += [one for one in judge_then.broken(here) if one not in before]
    return found


def hard_ones(broken: Sequence[Broken]) -> list[Broken]:
    """Those that keep a rota from being published, and an offer from being taken."""
    return [one for one in broken if one.hard]
