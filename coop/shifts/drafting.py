"""A month's rota drafted in the background: asked for, under way and stopped, and what came of it written down.

The job reads the month in one transaction, searches without one, and writes in a last one, unless the rota was changed meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from importlib import import_module
from typing import Any, cast

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.jobs import Job, JobRun, long_job, name_job
from coop.core.periods import Month
from coop.core.templating import joined
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.holding import lock
from coop.shifts.domain.posing import (
    ELSEWHERE,
    EXEMPT,
    KEY,
    LEFT,
    NEVER,
    SEAT,
    SILENT,
    MonthFacts,
    Seat,
    arranged,
    pose,
    seat_members,
    why_each,
    with_members,
)
from coop.shifts.models import Post, Rota, Turn
from coop.shifts.month_facts import read_facts
from coop.shifts.planning import ensure_rota
from coop.shifts.seating import put_members
from coop.shifts.solving.outcome import Cancelled, OnProgress, Outcome, Stop
from coop.shifts.solving.problem import Problem
from coop.shifts.solving.uncovered import COULD, NOBODY_HAS_SKILL, Obstacle, Uncovered, reasons
from coop.shifts.wording import clock_span, weekday_of

KIND = "shifts.draft"
SECONDS, MOST_SECONDS = 30, 600
_NAMES_SHOWN = 5
_SECOND = timedelta(seconds=1)
Solve = Callable[..., Outcome]


def ask_draft(
    session: Session, now: datetime, rota: Rota, *, seconds: int = SECONDS, seed: int | None = None, user_id: int | None = None
) -> None:
    """Name the job that drafts a rota. With a seed the same month gives the same draft: one search, by the solver's own count.

    Refuses a published rota, a second draft at a time, and a time or seed that cannot be meant.
    """
    # The mall first, as whoever publishes the rota or moves its turns does.
    hold_mall(session, rota.mall_id)
    lock(session, rota)
    require_draftable(session, rota)
    if not 1 <= seconds <= MOST_SECONDS:
        raise Refusal(f"The seconds are {seconds}: write 1 to {MOST_SECONDS}.")
    if seed is not None and not 0 <= seed < 2**31:
        raise Refusal(f"The seed is {seed}: write 0 to {2**31 - 1}.")
    key = f"{KIND}:{rota.id}:{rota.version}"
    args = {"rota_id": rota.id, "seconds": seconds, "seed": seed}
    name_job(session, now, KIND, args, queue="rota", key=key, group_key=group_of(rota))
    rota.job_id, rota.stop_asked_at = session.scalar(select(Job.id).where(Job.key == key)), None
    _log(session, now, "draft asked for", rota, user_id)
    session.flush()


def _log(session: Session, now: datetime, action: str, rota: Rota, user_id: int | None) -> None:
    mall = session.get_one(Mall, rota.mall_id)
    audit.record(session, now, action, "rota", f"{mall.code} {Month.of(rota.first_day)}", user_id=user_id)


def require_draftable(session: Session, rota: Rota) -> None:
    """Refuse a published rota, and one of which a draft is under way."""
    month = Month.of(rota.first_day).name
    if rota.state == "published":
        raise Refusal(f"The rota of {month} is published: it is not drafted again. Move its turns one by one.")
    if is_drafted_now(session, rota):
        raise Refusal(f"A draft of {month} is under way: wait for it, or stop it.")


def group_of(rota: Rota) -> str:
    return f"rota:{rota.id}"


def is_drafted_now(session: Session, rota: Rota) -> bool:
    """Whether a draft of it waits or is going on."""
    if rota.job_id is None:
        return False
    return session.scalar(select(Job.state).where(Job.id == rota.job_id)) in ("queued", "running")


def stop_draft(session: Session, now: datetime, rota: Rota, *, user_id: int | None = None) -> None:
    """Ask the draft under way to end with the best it has. Refuses when there is none."""
    if not is_drafted_now(session, rota):
        raise Refusal(f"No draft of {Month.of(rota.first_day).name} is under way.")
    _change(session, rota.id, stop_asked_at=now)
    session.expire(rota, ["stop_asked_at"])
    _log(session, now, "draft stopped", rota, user_id)


def _change(session: Session, rota_id: int, **values: Any) -> None:
    """Change a rota's row and not its version: that counts what its turns are."""
    table = Rota.__table__
    session.execute(update(table).where(table.c.id == rota_id).values(**values))  # type: ignore[arg-type]


@long_job(KIND, "rota")
def _draft(run: JobRun, args: dict[str, Any]) -> None:
    with run.transaction() as session:
        rota = session.get(Rota, args["rota_id"])
        if rota is None or rota.state == "published" or rota.stop_asked_at is not None:
            run.finish(session)
            return
        mall, month = session.get_one(Mall, rota.mall_id), Month.of(rota.first_day)
        ensure_rota(session, run.clock(), mall, month)
        session.flush()
        version, facts = rota.version, read_facts(session, rota)
        drafted_before = rota.drafted_at is not None
    stop = stop_of(args["seconds"], args["seed"])
    problem, outcome = draft(facts, stop, keep=drafted_before, cancelled=_watching(run, args))
    with run.transaction() as session:
        rota = hold_unchanged(session, args["rota_id"], version)
        keep_draft(session, run.clock(), rota, facts, problem, outcome, seed=args["seed"])
        run.finish(session)


def hold_unchanged(session: Session, rota_id: int, version: int) -> Rota:
    """Hold a rota's row to write a draft down. Refuses one whose turns were changed since `version`."""
    rota = session.get_one(Rota, rota_id, with_for_update=True)
    if rota.version != version or rota.state == "published":
        month = Month.of(rota.first_day).name
        raise Refusal(f"The rota of {month} was changed while it was drafted, and the draft is left: draft it again.")
    return rota


def stop_of(seconds: int, seed: int | None) -> Stop:
    """Within a time; or, with a seed, by the solver's own count of its work, which near enough counts seconds."""
    return Stop(seconds=seconds) if seed is None else Stop.repeatable(seconds, seed=seed)


def draft(
    facts: MonthFacts,
    stop: Stop,
    *,
    keep: bool = False,
    progress: OnProgress | None = None,
    cancelled: Cancelled | None = None,
) -> tuple[Problem, Outcome]:
    """The best rota of a month that is found. `keep`: whoever has a turn keeps it unless fairness gains by the change."""
    problem = pose(facts, keep=keep)
    # OR-Tools takes a second and 94 MB to load: whoever drafts loads it, and no web process does.
    solve = cast(Solve, import_module("coop.shifts.solving.solve").solve)
    return problem, solve(problem, stop, progress=progress, cancelled=cancelled)


def _watching(run: JobRun, args: Mapping[str, Any]) -> Cancelled:
    """Asked once a second: says how far the draft is, and whether somebody wants it to stop."""
    began = run.clock()

    def is_stopped() -> bool:
        seconds = args["seconds"]
        with run.transaction() as session:
            run.progress(min(seconds, (run.clock() - began) // _SECOND), seconds, session)
            asked = session.scalar(select(Rota.stop_asked_at).where(Rota.id == args["rota_id"]))
        return asked is not None

    return is_stopped


# --- what came of it ------------------------------------------------------------------------------------------------------


def keep_draft(
    session: Session,
    now: datetime,
    rota: Rota,
    facts: MonthFacts,
    problem: Problem,
    outcome: Outcome,
    *,
    seed: int | None = None,
) -> None:
    """Write a draft down: who has which turn and why, and how it went. Without a draft the turns stay as they are.

    A member who has another turn at the time is left out, and the turn stays uncovered: one got meanwhile at another mall, or
    one that stays by a lock which the draft could not keep.
    """
    posts = {row.id: row.name for row in session.execute(select(Post.id, Post.name).where(Post.mall_id == rota.mall_id))}
    had = {seat.id: seat.member_id for seat in facts.seats}
    if outcome.found:
        seated = _seat(session, rota, facts, seat_members(facts, outcome.turns))
        rota.drafted_at = now
    else:
        seated = dict(had)
    missing = reasons(problem, arranged(with_members(facts, seated))) if outcome.found else ()
    rota.outcome = {
        "found": outcome.found,
        "stopped": outcome.stopped,
        "seed": seed,
        "milliseconds": outcome.milliseconds,
        "tiers": [
            {"name": t.name, "value": t.value, "bound": t.bound, "proven": t.proven, "gap_percent": t.gap_percent}
            for t in outcome.tiers
        ],
        "turns": len(facts.seats),
        "covered": sum(member is not None for member in seated.values()),
        "moved": sum(1 for seat, member in seated.items() if had[seat] not in (None, member)),
        "uncovered": [_told(facts, posts, one) for one in _worth_telling(missing)],
        "conflicts": [
            _conflict(facts, posts, [(int(lock.person), lock.day, lock.kind) for lock in sorted(conflict.locks)])
            for conflict in outcome.conflicts
        ],
    }
    session.flush()


def _seat(session: Session, rota: Rota, facts: MonthFacts, seated: Mapping[int, int | None]) -> dict[int, int | None]:
    """Write who is to have which turn, and why; who has it then."""
    turns = session.scalars(select(Turn).where(Turn.rota_id == rota.id, Turn.id.in_(list(seated)))).all()
    elsewhere = _elsewhere_now(session, rota, [member for member in seated.values() if member is not None])
    for turn in turns:
        if turn.locked and turn.member_id is not None:
            elsewhere.setdefault(turn.member_id, []).append((turn.starts_at, turn.ends_at))

    def is_free(turn: Turn, member: int | None) -> bool:
        return not any(begins < turn.ends_at and ends > turn.starts_at for begins, ends in elsewhere.get(member or 0, ()))

    moving = [turn for turn in turns if turn.member_id != seated[turn.id] and not turn.locked]
    put_members(session, {turn: seated[turn.id] if is_free(turn, seated[turn.id]) else None for turn in moving})
    found = {turn.id: turn.member_id for turn in turns}
    why = why_each(facts, found)
    for turn in turns:
        turn.why = why.get(turn.id, "") if turn.member_id is not None else ""
    session.flush()
    return found


def _elsewhere_now(session: Session, rota: Rota, members: Iterable[int]) -> dict[int, list[tuple[datetime, datetime]]]:
    first = rota.first_day - timedelta(days=1)
    rows = select(Turn.member_id, Turn.starts_at, Turn.ends_at).where(
        Turn.rota_id != rota.id,
        Turn.state == "standing",
        Turn.member_id.in_(set(members)),
        Turn.on_date.between(first, first + timedelta(days=33)),
    )
    found: dict[int, list[tuple[datetime, datetime]]] = {}
    for member_id, starts_at, ends_at in session.execute(rows):
        found.setdefault(cast(int, member_id), []).append((starts_at, ends_at))
    return found


# --- in words -------------------------------------------------------------------------------------------------------------

_STANDS = {
    f"forbidden: {NEVER}": "said never",
    f"forbidden: {SILENT}": "said nothing of the month",
    f"forbidden: {LEFT}": "no lease on that day",
    f"forbidden: {EXEMPT}": "exempt",
    f"forbidden: {ELSEWHERE}": "at another mall",
    "at the same time": "on another turn then",
    "turns a day": "on another turn that day",
    "turns a week": "at the limit of turns in that week",
    "longest run": "at the limit of days in a row",
    "rest": "too little rest before or after",
    "apart": "kept apart from somebody there",
    "beside": "not trained, and nobody trained is there",
    NOBODY_HAS_SKILL: "nobody holds a key",
}


def _worth_telling(missing: Sequence[Uncovered]) -> list[Uncovered]:
    """What is missing, without the keys and the company that whoever takes an uncovered turn would bring: each hour once."""
    seats = [one for one in missing if one.cover.name == SEAT]
    open_then = {(one.cover.day, kind) for one in seats for kind in one.cover.kinds}
    return [
        one
        for one in missing
        if one.cover.name == SEAT or open_then.isdisjoint((one.cover.day, kind) for kind in one.cover.kinds)
    ]


def _told(facts: MonthFacts, posts: Mapping[int, str], one: Uncovered) -> dict[str, Any]:
    """Hours that are uncovered, and the nearest reasons, as plain values."""
    seat = next(s for s in facts.seats if s.day == one.cover.day and s.kind in one.cover.kinds)
    return {
        "day": (facts.first_day + timedelta(days=one.cover.day)).isoformat(),
        "post": posts.get(seat.post_id, ""),
        "hours": clock_span(seat.starts_min, seat.ends_min),
        "what": "key holder" if one.cover.skill == KEY else "least people" if one.cover.name == "least people" else "turn",
        "missing": one.missing,
        "why": [_obstacle(facts, obstacle) for obstacle in one.obstacles[:3]],
    }


def _obstacle(facts: MonthFacts, obstacle: Obstacle) -> dict[str, Any]:
    names = {str(person.id): person.name for person in facts.people}
    rules = [_STANDS.get(rule, rule) for rule in obstacle.rules]
    return {
        "words": ", ".join(rules) if rules else COULD,
        "names": [names.get(person, person) for person in obstacle.people[:_NAMES_SHOWN]],
        "more": max(0, len(obstacle.people) - _NAMES_SHOWN),
    }


def _conflict(facts: MonthFacts, posts: Mapping[int, str], locks: Iterable[tuple[int, int, str]]) -> str:
    """Locks that contradict each other, or a rule, in a sentence: the draft left them out."""
    names = {person.id: person.name for person in facts.people}
    said = []
    for member, day, kind in locks:
        seat = next((s for s in facts.seats if s.day == day and s.kind == kind), None)
        on = weekday_of(facts.first_day + timedelta(days=day))
        where = _where(facts, posts, seat) if seat else f"{on}, at another mall"
        said.append(f"{names[member]} on {where}")
    if not said:
        return "What is asked of some members cannot be had together with the rest."
    cannot = "cannot be" if len(said) == 1 else "cannot all be"
    return f"{'; '.join(said)}: {cannot}, by the rules. Unlock one of them."


def _where(facts: MonthFacts, posts: Mapping[int, str], seat: Seat) -> str:
    on = weekday_of(facts.first_day + timedelta(days=seat.day))
    return f"{on}, {posts.get(seat.post_id, 'a post')}, {clock_span(seat.starts_min, seat.ends_min)}"


def said_outcome(outcome: Mapping[str, Any]) -> list[str]:
    """What came of a draft, line by line: what is covered, how good each tier is, what is not covered and why."""
    if not outcome.get("found"):
        return ["No draft was found in this time, and the turns are as they were: give it more."]
    lines = [f"{outcome['covered']} of {outcome['turns']} turns covered, {outcome['moved']} moved from who had them"]
    for tier in outcome["tiers"]:
        gap = "proven" if tier["proven"] else f"at most {tier['gap_percent']}% above the best"
        lines.append(f"{tier['name']:<12} cost {tier['value']}, {gap}")
    for one in outcome["uncovered"]:
        whom = {"turn": "uncovered", "key holder": "without a key holder", "least people": "with too few people"}[one["what"]]
        why = "; ".join(_said_obstacle(obstacle) for obstacle in one["why"]) or "no reason found"
        lines.append(f"{one['day']} {one['post']}, {one['hours']}: {one['missing']} {whom} ({why})")
    return lines + [f"left out: {conflict}" for conflict in outcome["conflicts"]]


def _said_obstacle(obstacle: Mapping[str, Any]) -> str:
    names = [*obstacle["names"], *([f"{obstacle['more']} more"] if obstacle["more"] else [])]
    return f"{obstacle['words']}: {joined(names)}" if names else str(obstacle["words"])
