"""Who has which turn, written: the one place where a turn's member changes hands."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.shifts.models import Turn
from coop.shifts.queries import said


def put_members(session: Session, wanted: Mapping[Turn, int | None]) -> None:
    """Give turns to members, or to nobody; whose turn each works off, and a helper who was to come, are forgotten.

    First nobody has any of them, for a member cannot have two at once even for a moment. Raises Refusal, naming a turn, where one
    of them overlaps a turn that its member was given elsewhere at this very moment; then none is changed.
    """
    try:
        with session.begin_nested():
            for turn in wanted:
                turn.member_id = turn.for_member_id = turn.helper_id = None
            session.flush()
            for turn, member_id in wanted.items():
                turn.member_id = member_id
            session.flush()
    except IntegrityError as error:
        if "overlap" in str(error):
            raise Refusal(
                f"{said(session, next(iter(wanted)))} overlaps a turn that was just given elsewhere: look again."
            ) from error
        raise
