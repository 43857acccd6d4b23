"""A payment that came back, as its dealer learns of it: a letter without numbers, and a word on her own pages."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.mail import queue_mail
from coop.core.templating import render
from coop.dealers.models import Cooperative, Dealer
from coop.dealers.paying import details_of
from coop.payouts.models import PayoutLine, PayoutRun

STALE = "stale"
"""Why a check is kept for its dealer: it did not come back, nobody cashed it."""


def tell_came_back(session: Session, now: datetime, line: PayoutLine, run: PayoutRun, *, mail_domain: str) -> None:
    """Write to a dealer that a payment of hers came back. It holds no numbers of a bank; one without a mail address gets none."""
    dealer = session.get_one(Dealer, line.dealer_id)
    if not dealer.member.email:
        return
    coop = session.get(Cooperative, 1)
    values = {
        "dealer": dealer,
        "amount_cents": line.amount_cents,
        "on": line.returned_on,
        "by_bank": line.method == "ach",
        "coop_name": coop.name if coop else "",
    }
    queue_mail(
        session,
        now,
        key=f"payout-came-back/{dealer.code}/{run.number}",
        kind="payout came back",
        recipient=dealer.member.email,
        subject=" ".join(render("email/payout_came_back/subject.txt", **values).split())[:200],
        text_body=render("email/payout_came_back/body.txt", **values).strip() + "\n",
        html_body=render("email/payout_came_back/body.html", **values),
        mail_domain=mail_domain,
    )


def came_back(session: Session, dealer_ids: Iterable[int]) -> dict[int, PayoutLine]:
    """Of each dealer the last payment where it came back, by dealer id; of a transfer, while she is paid to the same account."""
    newest = (
        select(func.max(PayoutLine.id))
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .where(PayoutRun.state == "paid", PayoutLine.dealer_id.in_(list(dealer_ids)))
        .group_by(PayoutLine.dealer_id)
    )
    details = details_of(session)
    rows = session.scalars(
        select(PayoutLine).where(
            PayoutLine.id.in_(newest), PayoutLine.returned_on.is_not(None), PayoutLine.return_reason != STALE
        )
    )
    return {
        line.dealer_id: line
        for line in rows
        if line.method != "ach" or ((detail := details.get(line.dealer_id)) is not None and detail.id == line.detail_id)
    }
