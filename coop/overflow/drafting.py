"""A period's floor drafted in the background: asked for, under way and stopped, dropped, and what came of it written down.

The job reads the period in one transaction, searches without one, judges what it found apart from the search, and writes in a
last one. Nothing stands before it is published (`publishing.py`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from importlib import import_module
from typing import Any, cast

from sqlalchemy import select, update
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.jobs import Job, JobRun, Later, LeaseLost, long_job, name_job
from coop.core.periods import shown_day, shown_days
from coop.core.words import joined
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.overflow.domain.answers import GRANTED, LONGEST, PARTLY, REFUSED, Answer, answers, moves
from coop.overflow.domain.checking import broken
from coop.overflow.domain.facts import PeriodFacts
from coop.overflow.domain.kept_clear import kept_clear
from coop.overflow.domain.posing import NewStay, Posed, pose, stays_of
from coop.overflow.models import OverflowDraft, OverflowRequest
from coop.overflow.period import PeriodRead, facts_of, hash_of, plan_spans, read_period
from coop.overflow.queries import WAITING
from coop.overflow.reading import bays_on
from coop.overflow.rules import rules_change
from coop.overflow.solving.outcome import Outcome
from coop.overflow.surveying import ask_survey, survey_of
from coop.shifts.drafting import stop_of
from coop.shifts.solving.outcome import Cancelled, OnProgress, Stop

KIND = "overflow.draft"
SUBJECT = "overflow draft"
WEEKS, MOST_WEEKS = 12, 52
SECONDS, MOST_SECONDS = 30, 600
SURVEY_WAIT = timedelta(seconds=2)
"""How long a draft waits for bays that are being worked out before it looks again."""
FARTHEST = timedelta(days=365)
"""A draft begins within a year."""
_SECOND = timedelta(seconds=1)
Solve = Callable[..., Outcome]


def ask_draft(
    session: Session,
    now: datetime,
    mall: Mall,
    *,
    first_day: date,
    weeks: int = WEEKS,
    seconds: int = SECONDS,
    seed: int | None = None,
    by: By | None = None,
) -> OverflowDraft:
    """A draft of so many weeks from a day on, and the job that works it out; bays that are out of date are worked out before.

    With a seed the same facts give the same draft: one search, by the solver's own count. Refuses a second draft of a mall, a
    period that begins in the past or in which the rules change, a time or seed that cannot be meant, a mall without bays, and
    one where nobody asks for floor.
    """
    lock(session, mall)
    today = today_at(session, now, mall.id)
    _require_meant(first_day, weeks, today)
    require_same_rules(session, mall, first_day, weeks)
    _require_stop(seconds, seed)
    _require_none(session, mall)
    _require_something(session, mall, today)
    row = OverflowDraft(mall_id=mall.id, first_day=first_day, weeks=weeks, seed=seed, seconds=seconds, created_at=now)
    session.add(row)
    session.flush()
    _name_draft(session, now, mall, row, by)
    return row


def redraft(
    session: Session, now: datetime, row: OverflowDraft, *, seconds: int = SECONDS, seed: int | None = None, by: By
) -> None:
    """Work a draft out anew, by what is so now; what it said before is gone. Refuses as `ask_draft`, and while it goes on."""
    mall = session.get_one(Mall, row.mall_id)
    lock(session, mall, row)
    require_draft(session, row)
    today = today_at(session, now, mall.id)
    _require_meant(row.first_day, row.weeks, today)
    require_same_rules(session, mall, row.first_day, row.weeks)
    _require_stop(seconds, seed)
    _require_something(session, mall, today)
    row.seconds, row.seed, row.outcome, row.made_of, row.stop_asked_at = seconds, seed, None, "", None
    session.flush()
    _name_draft(session, now, mall, row, by)


def stop_draft(session: Session, now: datetime, row: OverflowDraft, *, by: By) -> None:
    """Ask the search under way to end with the best it has. Refuses when there is none."""
    if not is_drafted_now(session, row):
        raise Refusal(f"The draft of {_period(row)} is not being worked out.")
    table = OverflowDraft.__table__
    # Not its version: the job that ends it has looked at the row before.
    session.execute(update(table).where(table.c.id == row.id).values(stop_asked_at=now))  # type: ignore[arg-type]
    session.expire(row, ["stop_asked_at"])
    log_draft(session, now, session.get_one(Mall, row.mall_id), row, "draft asked to stop", by)


def drop_draft(session: Session, now: datetime, row: OverflowDraft, *, by: By) -> None:
    """It will not be: nothing was given by it. Refuses one that is published."""
    mall = session.get_one(Mall, row.mall_id)
    lock(session, mall, row)
    if row.state != "draft":
        raise Refusal(f"The draft of {_period(row)} is {row.state}: only one that waits is dropped.")
    row.state = "dropped"
    session.flush()
    log_draft(session, now, mall, row, "draft dropped", by)


def take_up_draft(session: Session, now: datetime, row: OverflowDraft, *, by: By) -> None:
    """Undo `drop_draft`: it is as it was, and published while nothing has changed since it was worked out.

    Refuses where another draft of the mall waits, and one whose first day is past.
    """
    mall = session.get_one(Mall, row.mall_id)
    lock(session, mall, row)
    if row.state == "draft":
        return
    if row.state != "dropped":
        raise Refusal(f"The draft of {_period(row)} is {row.state}: only one that was dropped is taken up again.")
    _require_none(session, mall)
    _require_meant(row.first_day, row.weeks, today_at(session, now, mall.id))
    row.state = "draft"
    session.flush()
    log_draft(session, now, mall, row, "draft taken up again", by)


def _require_none(session: Session, mall: Mall) -> None:
    there = draft_of(session, mall.id)
    if there is not None:
        raise Refusal(f"A draft of {_period(there)} is there already: publish it, or drop it and draft again.")


def last_dropped(session: Session, mall_id: int, today: date) -> OverflowDraft | None:
    """The newest draft of a mall, if it was dropped and its first day is to come: it may be taken up again."""
    newest = select(OverflowDraft).where(OverflowDraft.mall_id == mall_id).order_by(OverflowDraft.id.desc()).limit(1)
    row = session.scalar(newest)
    return row if row is not None and row.state == "dropped" and row.first_day >= today else None


def group_of(row: OverflowDraft) -> str:
    return f"overflow-draft:{row.id}"


def draft_of(session: Session, mall_id: int) -> OverflowDraft | None:
    """The draft of a mall that waits to be published, if there is one."""
    return session.scalar(select(OverflowDraft).where(OverflowDraft.mall_id == mall_id, OverflowDraft.state == "draft"))


def is_drafted_now(session: Session, row: OverflowDraft) -> bool:
    """Whether it waits to be worked out, or is being worked out."""
    if row.job_id is None or row.state != "draft":
        return False
    return session.scalar(select(Job.state).where(Job.id == row.job_id)) in ("queued", "running")


def require_draft(session: Session, row: OverflowDraft) -> None:
    """Refuse one that is published or dropped, and one that is being worked out."""
    if row.state != "draft":
        raise Refusal(f"The draft of {_period(row)} is {row.state}: ask for another.")
    if is_drafted_now(session, row):
        raise Refusal(f"The draft of {_period(row)} is being worked out: wait for it, or stop it.")


def _period(row: OverflowDraft) -> str:
    return shown_days(row.first_day, last_day_of(row))


def last_day_of(row: OverflowDraft) -> date:
    return _last_day(row.first_day, row.weeks)


def _last_day(first_day: date, weeks: int) -> date:
    return first_day + timedelta(weeks=weeks, days=-1)


def _require_meant(first_day: date, weeks: int, today: date) -> None:
    if first_day < today:
        raise Refusal(f"The first day, {shown_day(first_day)}, is past: choose {shown_day(today)} or a later one.")
    last = today + FARTHEST
    if first_day > last:
        raise Refusal(f"The first day, {shown_day(first_day)}, is far off: choose {shown_day(last)} or an earlier one.")
    if not 1 <= weeks <= MOST_WEEKS:
        raise Refusal(f"The weeks are {weeks}: write 1 to {MOST_WEEKS}.")


def require_same_rules(session: Session, mall: Mall, first_day: date, weeks: int) -> None:
    """Refuse a period in which the house rules change: what begins late in it would be given by rules that are no more."""
    day = rules_change(session, mall.id, first_day, _last_day(first_day, weeks))
    if day is not None:
        raise Refusal(f"The house rules change on {shown_day(day)}: let the draft end before that day, or begin on it.")


def _require_stop(seconds: int, seed: int | None) -> None:
    if not 1 <= seconds <= MOST_SECONDS:
        raise Refusal(f"The seconds are {seconds}: write 1 to {MOST_SECONDS}.")
    if seed is not None and not 0 <= seed < 2**31:
        raise Refusal(f"The seed is {seed}: write 0 to {2**31 - 1}.")


def _require_something(session: Session, mall: Mall, today: date) -> None:
    """Refuse what would give nobody anything: no bays, as far as that is known, or nobody who asks and nothing that must move."""
    found = survey_of(session, mall, today)
    if found is not None and found.is_current and not any(row.is_lent for row in bays_on(session, mall.id, today)):
        raise Refusal(f"No bay is lent at {mall.name}. {found.note or 'Each aisle of the list of bays says why it has none.'}")
    asked = select(OverflowRequest.id).where(OverflowRequest.mall_id == mall.id, OverflowRequest.state.in_(WAITING)).limit(1)
    if session.scalar(asked) is None and not (found and found.must_move):
        raise Refusal(f"Nobody waits for floor at {mall.name}: there is nothing to draft.")


def _name_draft(session: Session, now: datetime, mall: Mall, row: OverflowDraft, by: By | None) -> None:
    found = survey_of(session, mall, today_at(session, now, mall.id))
    if found is None or not (found.is_current or found.is_under_way):
        ask_survey(session, now, mall)
    key = f"{KIND}:{row.id}:{row.version}"
    name_job(session, now, KIND, {"draft_id": row.id}, queue="rota", key=key, group_key=group_of(row))
    row.job_id = session.scalar(select(Job.id).where(Job.key == key))
    session.flush()
    log_draft(session, now, mall, row, "draft asked for", by)


def log_draft(
    session: Session, now: datetime, mall: Mall, row: OverflowDraft, action: str, by: By | None, detail: str = ""
) -> None:
    user_id, request_id = (by.user_id, by.request_id) if by else (None, "")
    said = f"{mall.code}, {row.weeks} weeks from {row.first_day}{f': {detail}' if detail else ''}"
    audit.record(session, now, action, SUBJECT, row.id, user_id=user_id, request_id=request_id, detail=said)


# --- the job --------------------------------------------------------------------------------------------------------------


@long_job(KIND, "rota")
def _draft(run: JobRun, args: dict[str, Any]) -> None:
    waits = False
    with run.transaction() as session:
        row = session.get(OverflowDraft, args["draft_id"])
        if row is None or row.state != "draft" or row.stop_asked_at is not None:
            run.finish(session)
            return
        mall, now = session.get_one(Mall, row.mall_id), run.clock()
        today = today_at(session, now, mall.id)
        waits = _waits_for_bays(session, now, mall, today)
        if not waits:
            read = read_period(session, mall, row.first_day, row.weeks, today)
            seconds, seed = row.seconds, row.seed
    if waits:
        raise Later(SURVEY_WAIT, "Bays are worked out first.")
    posed, outcome, taken_out = draft(read, stop_of(seconds, seed), cancelled=_watching(run, args["draft_id"], seconds))
    with run.transaction() as session:
        row = session.get_one(OverflowDraft, args["draft_id"], with_for_update=True)
        if row.state == "draft":
            row.made_of, row.outcome = hash_of(read), told(read, posed, outcome, taken_out, seed=seed)
        run.finish(session)


def _waits_for_bays(session: Session, now: datetime, mall: Mall, today: date) -> bool:
    """Whether the bays are out of date; then they are being worked out. Refuses when that failed."""
    found = survey_of(session, mall, today)
    if found is not None and found.is_current:
        return False
    if found is None or not found.is_under_way:
        if found is not None and found.failed:
            raise Refusal(f"The bays of {mall.name} could not be worked out ({found.failed}): ask for them again, then draft.")
        ask_survey(session, now, mall)
    return True


def draft(
    read: PeriodRead, stop: Stop, *, progress: OnProgress | None = None, cancelled: Cancelled | None = None
) -> tuple[Posed, Outcome, tuple[str, ...]]:
    """The best that is found for a period, judged apart from the search; and what was taken out of it, in sentences."""
    posed = pose(facts_of(read))
    if not posed.facts.rooms:
        raise Refusal("There are no bays: each aisle of the list of bays says why it has none.")
    # OR-Tools takes a second and 94 MB to load: whoever drafts loads it, and no web process does.
    solve = cast(Solve, import_module("coop.overflow.solving.assign").solve)
    outcome = solve(posed.problem, stop, progress=progress, cancelled=cancelled)
    if faults := broken(posed.problem, outcome.placed):
        raise Refusal(f"The draft breaks a rule ({faults[0]}): tell whoever keeps the program.")
    placed, taken_out = kept_clear(posed, outcome.placed, plan_spans(read))
    return posed, replace(outcome, placed=placed), taken_out


def _watching(run: JobRun, draft_id: int, seconds: int) -> Cancelled:
    """Says how far the draft is, and whether somebody stopped or dropped it. Asked before the search, then by the second."""
    began = run.clock()

    def is_stopped() -> bool:
        try:
            with run.transaction() as session:
                run.progress(min(seconds, (run.clock() - began) // _SECOND), seconds, session)
                which = select(OverflowDraft.stop_asked_at, OverflowDraft.state).where(OverflowDraft.id == draft_id)
                asked = session.execute(which).one()
        except LeaseLost:
            return True  # another worker has it: what is found here is not written
        except OperationalError:
            return False  # the database is busy: it is asked again in a second
        return asked.stop_asked_at is not None or asked.state != "draft"

    return is_stopped


# --- what came of it ------------------------------------------------------------------------------------------------------


NO_LEASE = (
    "Floor is lent under a lease only, and none of yours runs for a week from then: the request goes on waiting, and the "
    "manager can tell you about a lease."
)


def told(
    read: PeriodRead, posed: Posed, outcome: Outcome, taken_out: Sequence[str] = (), *, seed: int | None = None
) -> dict[str, Any]:
    """A draft as plain values: who would stand where and when, what each asker would be told, how good it is."""
    found, moved = answers(posed, outcome.placed), moves(posed, outcome.placed)
    placed = {one.unit for one in outcome.placed}
    why = {unit: said for answer in found.values() for unit, said in answer.by_unit.items()}
    why |= {key: moved[unit.stay.key] for key, unit in posed.units.items() if unit.stay}
    unit_of = {piece.key: key for key, unit in posed.units.items() if key in placed for piece in unit.pieces}
    dealers = {one.key: one.dealer for one in posed.facts.asked}
    said = [
        (key, dealers[key], _within_lease(read, key, one), _with_lease(read, key, one.sentence)) for key, one in found.items()
    ]
    said += [(key, dealer, REFUSED, NO_LEASE) for key, dealer in read.without_lease]
    return {
        "stopped": outcome.stopped,
        "seed": seed,
        "milliseconds": sum(tier.milliseconds for tier in outcome.tiers),
        "tiers": [
            {"name": t.name, "value": t.value, "bound": t.bound, "proven": t.proven, "gap_percent": t.gap_percent}
            for t in outcome.tiers
        ],
        "placements": [_placement(one, why[unit_of[one.piece]]) for one in stays_of(posed, outcome.placed)],
        "answers": [
            {"request": int(key), "dealer": dealer, "answer": answer, "sentence": sentence}
            for key, dealer, answer, sentence in said
        ],
        "moves": [
            {
                "stay": int(unit.stay.key),
                "dealer": unit.dealer,
                "from": max(unit.stay.starts_on, posed.facts.first_day).isoformat(),
                "until": unit.stay.ends_on.isoformat(),
                "placed": key in placed,
                "sentence": why[key],
            }
            for key, unit in posed.units.items()
            if unit.stay
        ],
        "later": [int(key) for key in posed.later],
        "taken_out": list(taken_out),
        "unfetched": list(_unfetched(posed.facts)),
    }


def _unfetched(facts: PeriodFacts) -> Iterator[str]:
    for stay in facts.standing:
        if stay.was_due is not None:
            yield (
                f"{stay.piece.name} of {stay.dealer} is sold, was to be fetched by {shown_day(stay.was_due)}, and may stand in "
                f"bay {stay.bay} still: its floor is given to nobody until somebody says that it was fetched."
            )


def _placement(one: NewStay, why: str) -> dict[str, Any]:
    return {
        "request": int(one.request) if one.request else None,
        "stay": int(one.stay) if one.stay else None,
        "piece": int(one.piece),
        "dealer": one.dealer,
        "bay": one.bay,
        "from_in16": one.from_in16,
        "to_in16": one.to_in16,
        "depth_in16": one.depth_in16,
        "turned": one.turned,
        "starts_on": one.starts_on.isoformat(),
        "ends_on": one.ends_on.isoformat(),
        "why": why,
    }


def _within_lease(read: PeriodRead, key: str, answer: Answer) -> str:
    """Granted for the weeks of a lease is granted in part, where more were asked for."""
    return PARTLY if answer.outcome == GRANTED and key in read.lease_ends else answer.outcome


def _with_lease(read: PeriodRead, key: str, sentence: str) -> str:
    ends = read.lease_ends.get(key)
    note = f" It was taken for no longer than the lease, which ends on {shown_day(ends)}." if ends else ""
    return sentence + note if len(sentence) + len(note) <= LONGEST else sentence


# --- in words -------------------------------------------------------------------------------------------------------------

TIER_WORDS = {
    "standing": "What stands keeps its floor",
    "fairness": "Floor shared by rent paid",
    "waiting": "Who has waited longest comes first",
    "distance": "Near the dealers' own spaces",
    "tones": "Colors that suit what stands there",
    "money": "Fees or prices",
}


def said_outcome(outcome: Mapping[str, Any]) -> list[str]:
    """What came of a draft, line by line: what is granted, what moves, and how good it is, aim by aim in their order."""
    counts = Counter(one["answer"] for one in outcome["answers"])
    said = [f"{counts[GRANTED]} of {len(outcome['answers'])} requests granted"]
    said += [f"{counts[PARTLY]} in part"] if counts[PARTLY] else []
    said += [f"{counts[REFUSED]} {'goes' if counts[REFUSED] == 1 else 'go'} on waiting"] if counts[REFUSED] else []
    said += [f"{len(outcome['later'])} not of this period yet"] if outcome["later"] else []
    lines = [f"{joined(said)}."]
    lines += [f"{one['dealer']}: {one['sentence']}" for one in outcome["moves"]]
    lines += [f"{TIER_WORDS[tier['name']]}: {_said_gap(tier)}" for tier in outcome["tiers"]]
    if outcome["stopped"]:
        lines.append("It was stopped before its time: a longer search may find better.")
    return [*lines, *outcome["taken_out"], *outcome.get("unfetched", ())]


def _said_gap(tier: Mapping[str, Any]) -> str:
    if tier["proven"]:
        return "proven, no draft is better at it."
    return f"not proven: its cost of {tier['value']:,} is at most {tier['gap_percent']}% above the least there can be."
