"""Whatever is offered, answered, taken, withdrawn and lapsed, in whatever order: a published rota never breaks a hard rule."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime, timedelta

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.queries import dealer_balances_before
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.shifts import lapsing, offer_limits, offering
from coop.shifts.judging import judge
from coop.shifts.models import Turn, TurnPair
from coop.shifts.offer_limits import OPEN
from coop.shifts.offering import Terms
from coop.shifts.turn_models import TurnChange, TurnOffer
from tests.factories.swaps import CODES, DECEMBER, Swaps

DAYS = (1, 2, 3, 8, 9, 10, 15)
"""Of which turns are offered: few, so that they come together."""

Step = tuple[str, int, int, int, int]
STEPS = st.lists(
    st.tuples(
        st.sampled_from(["give", "pay", "swap", "named", "take", "take", "answer", "sign", "down", "withdraw", "free", "late"]),
        st.integers(0, 3),
        st.integers(0, len(DAYS) - 1),
        st.integers(0, 1),
        st.integers(0, 5),
    ),
    min_size=4,
    max_size=14,
)


def _do(session: Session, now: datetime, yard: Swaps, step: Step) -> None:
    """One deed, by a member chosen at random, about a turn or an offer chosen at random; refused ones leave nothing."""
    deed, who, day, late, nth = step
    member = yard.members[CODES[who]]
    turn = yard.turn(session, DAYS[day], opens=not late)
    open_ones = session.scalars(select(TurnOffer).where(TurnOffer.state.in_(OPEN)).order_by(TurnOffer.id)).all()
    others = session.scalars(
        select(Turn).where(Turn.rota_id == yard.rota_id, Turn.member_id.is_not(None)).order_by(Turn.starts_at).limit(12)
    ).all()
    terms = {
        "give": Terms(),
        "pay": Terms(pays_cents=35_00),
        "swap": Terms("swap"),
        "named": Terms("swap", return_turn_id=others[nth % len(others)].id),
    }
    if deed in terms:
        # Who has it offers it: else nearly every offer would be refused for that.
        offering.offer_turn(session, now, turn, terms[deed], member_id=turn.member_id or member)
    elif deed == "free":
        offering.take_free_turn(session, now, turn, member_id=member)
    elif deed == "late":
        lapsing.lapse_offers(session, now)
    elif open_ones:
        made = open_ones[nth % len(open_ones)]
        if deed == "take":
            offering.take_offer(session, now, made, member_id=member)
        elif deed == "answer":
            offering.answer_offer(session, now, made, others[nth % len(others)], member_id=member)
        elif deed == "sign":
            offering.sign_offer(session, now, made, member_id=made.by_member_id, agreed_turn_id=made.return_turn_id or 0)
        elif deed == "down":
            offering.turn_down(session, now, made, member_id=made.by_member_id)
        else:
            offering.withdraw_offer(session, now, made, member_id=made.by_member_id)


def _hard(session: Session, yard: Swaps) -> list[str]:
    return [one.words for one in offer_limits.in_the_way(judge(session, yard.rota(session)))]


def test_whatever_follows_no_hard_rule_is_broken(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        yard = Swaps(session, now)
        one, other = sorted((yard.members["D02"], yard.members["D03"]))
        session.add(TurnPair(one_id=one, other_id=other, how="apart", starts_on=DECEMBER.first_day, ended_on=None))
    seen: set[str] = set()

    # A failure of a dozen steps reads as it is; making it smaller would take minutes.
    @settings(max_examples=30, suppress_health_check=list(HealthCheck), phases=[Phase.reuse, Phase.generate])
    @given(STEPS)
    def hold(steps: list[Step]) -> None:
        with sessions() as session:
            assert _hard(session, yard) == []
            for number, step in enumerate(steps):
                with suppress(Refusal), session.begin_nested():
                    _do(session, now + timedelta(hours=number), yard, step)
            assert _hard(session, yard) == []
            taken = session.scalar(select(func.count(TurnOffer.id)).where(TurnOffer.state == "taken"))
            seen.update(session.scalars(select(TurnOffer.state)))
            # Each taking moved one turn, or two; money only went from one dealer to another.
            moved = session.scalar(select(func.count(TurnChange.id)).where(TurnChange.offer_id.is_not(None))) or 0
            swaps = session.scalar(select(func.count(TurnOffer.id)).where(TurnOffer.state == "taken", TurnOffer.kind == "swap"))
            assert moved == (taken or 0) + (swaps or 0)
            balances = dealer_balances_before(session, yard.mall_id, DECEMBER.next.first_day)
            assert sum(balances.values(), 0) == 0
            session.rollback()

    hold()
    # It would hold of a rota that nobody changes: so they did.
    assert {"taken", "withdrawn"} <= seen
