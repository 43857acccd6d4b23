"""Money that a state's rule lets out of the liabilities, posted: to the state, or to the co-op as income of the mall."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy.orm import Session

from coop.books.accounts import released_account
from coop.books.domain.entries import EntryDraft
from coop.books.rules import GOES_TO
from coop.books.service import post_entry, posting_date
from coop.core.errors import Refusal
from coop.floor.models import Mall

RELEASE = "release"
"""The kind of such an entry, and its purpose."""


def post_release(
    session: Session,
    now: datetime,
    mall: Mall,
    account_id: int,
    amount_cents: int,
    *,
    goes_to: str,
    on: date,
    source: str,
    memo: str,
) -> int:
    """Take what an account owes out of it, on a day or the first open one after; the entry's id.

    `source` is what is released, such as `line/12`: once. Refuses a place money cannot go to.
    """
    if goes_to not in GOES_TO:
        raise Refusal(f"The money goes to the {' or the '.join(GOES_TO)}, not to {goes_to!r}.")
    return post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall.id,
            business_date=posting_date(session, mall.id, on),
            kind=RELEASE,
            source_kind=RELEASE,
            source_id=source,
            purpose=RELEASE,
            postings=((account_id, amount_cents), (released_account(session, mall, goes_to), -amount_cents)),
            memo=memo,
        ),
    )
