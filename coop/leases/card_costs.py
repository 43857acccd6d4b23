"""The cost of cards, borne by the dealers where a house rule says so: a percent of what of their sales was paid by card."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from fractions import Fraction

from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.money import format_dollars, round_half_up
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases import queries
from coop.leases.domain import Rent, TermsError, plain_percent
from coop.leases.domain.figures import checked_percent
from coop.leases.posting import ChargeDraft, Due, NoLease, charged_before, hold_charges, post_due

CARD = "card"


def post_card_costs(
    session: Session, now: datetime, mall: Mall, month: Month, parts: Mapping[int, Fraction], percent: Decimal
) -> int:
    """Post each dealer's card cost of a month, once; how many charges were new. Sales that came in since post the difference.

    `parts` are exact cents by dealer id, handed in. Where the percent is zero nothing is posted, but what was charged before is
    given back. Refuses a percent outside of 0 to 100 and, naming the dealer, one who sold and has never had a lease: then nothing
    is posted.
    """
    try:
        exactly = checked_percent(percent, "the card cost")
    except TermsError as error:
        raise Refusal(str(error)) from error
    hold_charges(session, mall)
    before = charged_before(session, mall.id, month)
    leases = queries.latest_leases(session, mall.id, month.last_day)
    charged = {dealer_id for dealer_id, what in before if what == _key(dealer_id)}
    sold = {dealer_id for dealer_id, part in parts.items() if part} if exactly else set()
    due = []
    for dealer_id in sorted(charged | sold):
        if dealer_id not in leases:
            code = session.get_one(Dealer, dealer_id).code
            raise NoLease(code, mall, month)
        part = parts.get(dealer_id, Fraction(0))
        working = f"{plain_percent(percent)}% of {format_dollars(round_half_up(part))} paid by card"
        rent = Rent(round_half_up(part * exactly / 100), working)
        draft = ChargeDraft(leases[dealer_id].id, dealer_id, CARD, _key(dealer_id), "Card cost", rent, month.last_day)
        due.append(Due(draft, before.get((dealer_id, _key(dealer_id)))))
    return post_due(session, now, mall, month, due)


def _key(dealer_id: int) -> str:
    return f"{CARD}:{dealer_id}"
