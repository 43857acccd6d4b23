"""A set arranged in the background: asked for, under way and stopped; what comes of it is a further draft beside the set.

The job reads the set in one transaction, searches without one, and writes the draft in a last one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from importlib import import_module
from typing import Any, cast

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_FOOT, format_length
from coop.core.jobs import Job, JobRun, long_job, name_job
from coop.floor.models import Space
from coop.leases.holding import lock, today_at
from coop.leases.pricing import named
from coop.resets.domain.arranging import Arranged
from coop.resets.domain.booth import Booth
from coop.resets.domain.piece import Arrangement, Piece
from coop.resets.models import BoothMeasure, BoothSet, PieceRow
from coop.resets.naming import name_key
from coop.resets.reading import arrangement_of, booth_of, pieces_of
from coop.resets.set_json import put_of
from coop.resets.sets import LONGEST_NAME, SUBJECT, write_puts

KIND = "resets.arrange"
SECONDS, MOST_SECONDS = 5, 120
NARROWEST_IN16, WIDEST_IN16 = IN16_PER_FOOT, 20 * IN16_PER_FOOT
MOST_PIECES = 80
_SECOND = timedelta(seconds=1)
Arrange = Callable[..., Arranged]


@dataclass(frozen=True)
class Asked:
    """What is arranged and how it is wished: the pieces by id, the path inside, whether groupings keep together, for how long."""

    piece_ids: tuple[int, ...]
    way_in16: int
    together: bool = True
    seconds: int = SECONDS


def ask_arrangement(session: Session, now: datetime, row: BoothSet, asked: Asked, *, user_id: int | None = None) -> None:
    """Name the job that arranges pieces in the booth of a set. What is locked in the set stays where it is.

    Refuses nothing to arrange, pieces of others or gone, a path or a time that cannot be meant, and a second one at a time.
    """
    before = last_job(session, row)
    if before is not None and before.state in ("queued", "running"):
        raise Refusal(f"{row.name} is being arranged: wait for it, or stop it.")
    ids = tuple(dict.fromkeys(asked.piece_ids))
    own = select(PieceRow.id).where(
        PieceRow.dealer_id == row.dealer_id, PieceRow.gone_on.is_(None), PieceRow.id.in_(ids[: MOST_PIECES + 1])
    )
    if not ids:
        raise Refusal("Choose the pieces to arrange first.")
    if len(ids) > MOST_PIECES:
        raise Refusal(f"{len(ids)} pieces are chosen: choose {MOST_PIECES} at most.")
    if set(session.scalars(own)) != set(ids):
        raise Refusal("One of the pieces is none of yours any more: open the page again and choose anew.")
    if not NARROWEST_IN16 <= asked.way_in16 <= WIDEST_IN16:
        raise Refusal(f"The path inside is {format_length(asked.way_in16)}: write 1' to 20', like 30 in.")
    if not 1 <= asked.seconds <= MOST_SECONDS:
        raise Refusal(f"The seconds are {asked.seconds}: write 1 to {MOST_SECONDS}.")
    seed = 1 + len(drafts_of(session, row))
    args = {
        "set_id": row.id,
        "pieces": list(ids),
        "way_in16": asked.way_in16,
        "together": asked.together,
        "seconds": asked.seconds,
        "seed": seed,
    }
    # Asked twice at once it is one.
    key = f"{KIND}:{row.id}:{before.id if before else 0}"
    name_job(session, now, KIND, args, queue="rota", key=key, group_key=group_of(row))
    audit.record(session, now, "arrangement asked for", SUBJECT, row.id, user_id=user_id, detail=f"{row.name}, {len(ids)} pieces")
    session.flush()


def group_of(row: BoothSet) -> str:
    return f"booth-set:{row.id}"


def last_job(session: Session, row: BoothSet) -> Job | None:
    """The newest arranging of a set: waiting, going on, or ended."""
    found = select(Job).where(Job.group_key == group_of(row), Job.kind == KIND)
    return session.scalar(found.order_by(Job.id.desc()).limit(1))


def stop_arrangement(session: Session, now: datetime, row: BoothSet, *, user_id: int | None = None) -> None:
    """Ask the arranging under way to end with the best it has. Refuses when there is none."""
    job = last_job(session, row)
    if job is None or job.state not in ("queued", "running"):
        raise Refusal(f"{row.name} is not being arranged.")
    table = Job.__table__
    wanted = update(table).where(table.c.id == job.id)  # type: ignore[arg-type]
    session.execute(wanted.values(args={**job.args, "stop": True}))
    session.expire(job, ["args"])
    audit.record(session, now, "arrangement stopped", SUBJECT, row.id, user_id=user_id, detail=row.name)


def drafts_of(session: Session, row: BoothSet) -> Sequence[BoothSet]:
    """The drafts that were arranged from a set, the oldest first."""
    found = select(BoothSet).where(BoothSet.copied_from_id == row.id, BoothSet.arranged.is_not(None))
    return session.scalars(found.order_by(BoothSet.id)).all()


def draft_of_job(session: Session, row: BoothSet, job: Job) -> BoothSet | None:
    """The draft that an arranging made; None where it made none, or it was dropped."""
    return next((one for one in drafts_of(session, row) if (one.arranged or {}).get("job") == job.id), None)


# --- the job ------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Read:
    """What the search takes, as plain values."""

    booth: Booth
    pieces: tuple[Piece, ...]
    before: Arrangement
    drafts: tuple[Arrangement, ...]


@long_job(KIND, "rota")
def _arrange(run: JobRun, args: dict[str, Any]) -> None:
    with run.transaction() as session:
        row = session.get(BoothSet, args["set_id"])
        if row is None:
            run.finish(session)
            return
        read = _read(session, row, args)
    # OR-Tools takes a second and 94 MB to load: whoever arranges loads it, and no web process does.
    search = cast(Arrange, import_module("coop.resets.solving.arrange").arrange)
    found = search(
        read.booth,
        read.pieces,
        before=read.before,
        differ_from=read.drafts,
        seed=args["seed"],
        seconds=args["seconds"],
        cancelled=_watching(run, args),
    )
    with run.transaction() as session:
        row = session.get(BoothSet, args["set_id"])
        if row is not None:
            # The booth first, as whoever names or drops a set of it does.
            lock(session, session.get_one(Space, row.space_id))
            row = session.get(BoothSet, row.id, with_for_update=True, populate_existing=True)
        if row is not None:
            keep_arranged(session, run.clock(), row, args, found, job_id=run.job_id)
        run.finish(session)


def _read(session: Session, row: BoothSet, args: Mapping[str, Any]) -> _Read:
    rows = session.scalars(
        select(PieceRow).where(PieceRow.dealer_id == row.dealer_id, PieceRow.id.in_(args["pieces"]), PieceRow.gone_on.is_(None))
    ).all()
    by_id = pieces_of(session, rows)
    pieces = [by_id[piece_id] for piece_id in args["pieces"] if piece_id in by_id]
    if not args["together"]:
        pieces = [replace(piece, grouping="") for piece in pieces]
    booth = replace(booth_of(session.get_one(BoothMeasure, row.measure_id)), way_in16=args["way_in16"])
    drafts = [one for one in drafts_of(session, row) if one.measure_id == row.measure_id]
    return _Read(booth, tuple(pieces), arrangement_of(session, row), tuple(arrangement_of(session, one) for one in drafts))


def _watching(run: JobRun, args: Mapping[str, Any]) -> Callable[[], bool]:
    """Asked once a second: says how far it is, and whether somebody wants it to stop."""
    began = run.clock()

    def is_stopped() -> bool:
        seconds = args["seconds"]
        with run.transaction() as session:
            run.progress(min(seconds, (run.clock() - began) // _SECOND), seconds, session)
            there: Mapping[str, Any] = session.scalar(select(Job.args).where(Job.id == run.job_id)) or {}
        return bool(there.get("stop"))

    return is_stopped


def keep_arranged(
    session: Session, now: datetime, row: BoothSet, args: Mapping[str, Any], found: Arranged, *, job_id: int
) -> BoothSet:
    """Write what was found down as a draft of its own, for the same dates, with what was left out and why."""
    names = {
        str(piece_id): name
        for piece_id, name in session.execute(select(PieceRow.id, PieceRow.name).where(PieceRow.id.in_(args["pieces"])))
    }
    space = session.get_one(Space, row.space_id)
    made = BoothSet(
        dealer_id=row.dealer_id,
        space_id=row.space_id,
        measure_id=row.measure_id,
        theme=row.theme,
        starts_on=row.starts_on if row.state == "draft" else today_at(session, now, space.mall_id),
        ends_on=row.ends_on if row.state == "draft" else None,
        state="draft",
        copied_from_id=row.id,
        arranged={
            "job": job_id,
            "seed": args["seed"],
            "way_in16": args["way_in16"],
            "together": args["together"],
            "wanted": len(args["pieces"]),
            "placed": len(found.arrangement.placed),
            "stopped": found.stopped,
            "terms": [{"name": term.name, "value": term.value, "bound": term.bound} for term in found.terms],
            "left_out": [{"piece": int(key), "name": names.get(key, key), "why": why} for key, why in found.left_out],
        },
        created_at=now,
        changed_at=now,
    )
    made.name = _free_name(session, row)
    made.name_key = name_key(made.name)
    session.add(made)
    session.flush()
    write_puts(session, made, [put_of(one) for one in found.arrangement.placed])
    audit.record(session, now, "set arranged", SUBJECT, made.id, detail=f"{named(space)}, {made.name}: from {row.name}")
    return made


def _free_name(session: Session, row: BoothSet) -> str:
    """`Winter, arranged 2`"""
    taken = set(
        session.scalars(select(BoothSet.name_key).where(BoothSet.dealer_id == row.dealer_id, BoothSet.space_id == row.space_id))
    )
    n = 1
    while True:
        end = f", arranged {n}"
        name = row.name[: LONGEST_NAME - len(end)] + end
        if name_key(name) not in taken:
            return name
        n += 1
