"""A bay lent or kept free, and what the manager notes of it: the colours about it, a word on its place."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.periods import shown_day
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock
from coop.overflow.domain.colour import lab_of
from coop.overflow.models import BayRow

SUBJECT = "bay"
MOST_COLOURS = 8
LONGEST_NOTE = 200


def edit_bay(
    session: Session,
    now: datetime,
    row: BayRow,
    *,
    is_lent: bool | None = None,
    palette: Sequence[str] | None = None,
    note: str | None = None,
    by: By,
) -> list[str]:
    """Change what is said of a bay, and nothing else; what was changed, in words.

    What stands in one kept free stays until its last day. Refuses a bay there is no more, and, naming it, a colour that is none.
    """
    lock(session, row)
    if row.ended_on is not None:
        raise Refusal(f"Bay {row.code} is no bay since {shown_day(row.ended_on)}: choose one there is.")
    # As it is now that it is held: somebody may have changed the rest of it meanwhile.
    is_lent = row.is_lent if is_lent is None else is_lent
    colours = row.palette if palette is None else _checked_palette(palette)
    note = row.note if note is None else " ".join(note.split())
    if len(note) > LONGEST_NOTE:
        raise Refusal(f"The note has {len(note)} letters: {LONGEST_NOTE} is the most.")
    mall = session.get_one(Mall, row.mall_id)
    changes = {
        "lending of a bay": (_lending(row.is_lent), _lending(is_lent)),
        "colors of a bay": (", ".join(row.palette) or "none", ", ".join(colours) or "none"),
        "note of a bay": (row.note or "none", note or "none"),
    }
    row.is_lent, row.palette, row.note = is_lent, colours, note
    session.flush()
    subject = f"{mall.code} {row.code}"
    return audit.record_changes(session, now, SUBJECT, subject, changes, user_id=by.user_id, request_id=by.request_id)


def lend_bay(session: Session, now: datetime, row: BayRow, *, by: By) -> list[str]:
    """Lend it (again)."""
    return edit_bay(session, now, row, is_lent=True, by=by)


def keep_bay_free(session: Session, now: datetime, row: BayRow, *, by: By) -> list[str]:
    """Lend it to nobody from now on."""
    return edit_bay(session, now, row, is_lent=False, by=by)


def _lending(is_lent: bool) -> str:
    return "lent" if is_lent else "kept free"


def _checked_palette(palette: Sequence[str]) -> list[str]:
    """In small letters, each once."""
    colours = list(dict.fromkeys(colour.strip().lower() for colour in palette if colour.strip()))
    for colour in colours:
        try:
            lab_of(colour)
        except ValueError as error:
            raise Refusal(f"{colour[:20]!r} is no color: write it like #8a5a2b.") from error
    if len(colours) > MOST_COLOURS:
        raise Refusal(f"{len(colours)} colors are written for the bay: keep {MOST_COLOURS} at most.")
    return colours
