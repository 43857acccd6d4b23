"""Two who do something at once, in an order that does not hang on the clock."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal

Seen = TypeVar("Seen")
Done = TypeVar("Done")
_WAITS_S = 0.5
"""Long enough that the second stands before what the first holds; sooner or later, the answer is the same."""


def act_late(
    sessions: Sessions,
    look: Callable[[Session], Seen],
    meanwhile: Callable[[Session], object],
    act: Callable[[Session, Seen], Done],
) -> Done:
    """Somebody looks; another changes it and is done; then the first acts on what was seen.

    On PostgreSQL alone: SQLite has one at a time, and the other would wait for ever.
    """
    with transaction(sessions) as session:
        seen = look(session)
        with transaction(sessions) as other:
            meanwhile(other)
        return act(session, seen)


def told_second(sessions: Sessions, first: Callable[[Session], object], second: Callable[[Session], object]) -> str:
    """What somebody is told who comes while the first has done it and not yet committed; empty when it was done as well."""
    told: list[str | BaseException] = []

    def run() -> None:
        try:
            with transaction(sessions) as session:
                second(session)
        except Refusal as refusal:
            told.append(str(refusal))
        except BaseException as error:
            told.append(error)
        else:
            told.append("")

    thread = threading.Thread(target=run, daemon=True)
    with transaction(sessions) as session:
        first(session)
        session.flush()
        thread.start()
        thread.join(_WAITS_S)
    thread.join(60)
    (answer,) = told
    if isinstance(answer, BaseException):
        raise answer
    return answer
