"""Dealers entered from a file: every row judged against who is there, shown, then all of them entered or none."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.templating import day as written
from coop.dealers.dealer_file import FileRow
from coop.dealers.details import Details, enter_dealer
from coop.dealers.membership import hold_coop
from coop.dealers.models import Dealer


@dataclass(frozen=True)
class Proposed:
    """A row with the code and the day it would be entered under; or why it is refused."""

    row: int
    details: Details
    code: str
    joined_on: date
    fault: str

    @property
    def taken(self) -> bool:
        return not self.fault


class RowsRefused(Refusal):
    """Rows that cannot be entered, all of them in one sentence; so none is."""

    def __init__(self, proposed: Sequence[Proposed]) -> None:
        self.proposed = proposed
        rows = [str(one.row) for one in proposed if not one.taken]
        which = f"{'Row' if len(rows) == 1 else 'Rows'} {', '.join(rows)}"
        super().__init__(f"{which} cannot be entered, so nothing was: mend the file and bring it again.")


def propose_dealers(session: Session, rows: Sequence[FileRow], today: date) -> list[Proposed]:
    """Each row as it would be entered on a day. One query, whatever the rows.

    Refused, beside what its reading found, is a code that is taken or stands twice in the file, and a name that is there already
    with the same mail address or with one of the two lacking: a file brought twice enters nobody twice.
    """
    dealers = session.scalars(select(Dealer).order_by(Dealer.code)).all()
    codes = {dealer.code: f"is taken by {dealer.member.name}" for dealer in dealers}
    people: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for dealer in dealers:
        people[dealer.member.name.casefold()].append((dealer.member.email.casefold(), f"is dealer {dealer.code} already"))
    given = {row.code for row in rows if row.code} | set(codes)
    next_number = max((int(code[1:]) for code in given if code[:1] == "D" and code[1:].isdecimal()), default=0) + 1
    found = []
    for row in rows:
        faults = [row.fault] if row.fault else []
        name, mail = row.details.name.casefold(), row.details.email.casefold()
        there = next((said for known, said in people[name] if not known or not mail or known == mail), None)
        if name and there:
            faults.append(f"{row.details.name} {there}: take the row out, or write the name so that the two can be told apart.")
        if row.code in codes:
            faults.append(f"Code {row.code} {codes[row.code]}: choose another, or leave it empty.")
        if row.joined_on is not None and row.joined_on > today:
            faults.append(f"Joined {written(row.joined_on)} is still to come: write the day of joining.")
        code = row.code
        if not code and not faults:
            code, next_number = f"D{next_number:02d}", next_number + 1
        if code:
            codes.setdefault(code, f"stands in row {row.row} too")
        people[name].append((mail, f"stands in row {row.row} too"))
        found.append(Proposed(row.row, row.details, code, row.joined_on or today, " ".join(faults)))
    return found


def enter_dealers(
    session: Session, now: datetime, rows: Sequence[FileRow], *, today: date, user_id: int | None = None
) -> list[Dealer]:
    """Enter every row of a file. Raises RowsRefused, with all of them, when one cannot be: then none is."""
    hold_coop(session)
    proposed = propose_dealers(session, rows, today)
    if not all(one.taken for one in proposed):
        raise RowsRefused(proposed)
    return [enter_dealer(session, now, one.details, code=one.code, joined_on=one.joined_on, user_id=user_id) for one in proposed]
