"""The waiting list and its offers: every way in, whose turn it is and why, and what comes of an offer."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import event, func, select

from coop.core.errors import Refusal
from coop.core.mail import queue_mail
from coop.core.outbox import Outbox
from coop.dealers.models import Dealer, Member
from coop.leases.agreements import Terms
from coop.leases.asking import Outsider, WaitingList, Wish, ask_for_space, forget_asker, next_for, withdraw_asking
from coop.leases.holding import first_free_day
from coop.leases.leaving import give_notice, take_back_notice
from coop.leases.letters import write_offer
from coop.leases.models import Offer, Waiting
from coop.leases.offering import accept_offer, decline_offer, lapse_offers, make_offer, withdraw_offer
from coop.leases.posting import post_fee
from coop.leases.pricing import Asked
from coop.leases.rules import set_rules
from tests.integration.leases.conftest import Yard

OUTSIDER = Outsider("Mina Sorrel", email="mina@example.org", phone="555 0100", address="3 Kiln Lane\nElder")


def ask(yard: Yard, who: str | Outsider, wish: Wish | None = None, *, days_ago: int = 0) -> Waiting:
    person = yard.member(who) if isinstance(who, str) else who
    return ask_for_space(yard.session, yard.now, yard.mall, person, wish, asked_on=yard.today - timedelta(days_ago))


# --- asking -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "wish", "said"),
    [
        (Outsider(""), Wish(), "The name is empty: write who asks."),
        (Outsider("Mina Sorrel"), Wish(), "There is no mail address and no telephone number"),
        (Outsider("Mina Sorrel", email="mina"), Wish(), "'mina' is not a mail address: write it like name@example.org"),
        (OUTSIDER, Wish(kind="tent"), "The kind of space is tent: it is one of booth, case, shelf, wall"),
        (OUTSIDER, Wish(least_sqft100=-1), "The size asked for must be above zero"),
        (
            OUTSIDER,
            Wish(least_sqft100=12000, most_sqft100=8000),
            "at least 120.00 and at most 80.00 square feet: turn them round",
        ),
        (Outsider("M", phone="5" * 41), Wish(), "The telephone number has 41 letters: 40 is the most"),
        (OUTSIDER, Wish(zone="x" * 21), "The zone x+ has 21 letters"),
        (OUTSIDER, Wish(note="x" * 201), "The note has 201 letters"),
    ],
)
def test_an_asking_that_is_refused(yard: Yard, who: Outsider, wish: Wish, said: str) -> None:
    with pytest.raises(Refusal, match=said):
        ask(yard, who, wish)


def test_who_cannot_ask(yard: Yard) -> None:
    with pytest.raises(Refusal, match="The day asked, Nov 4, 2026, is to come"):
        ask(yard, "D01", days_ago=-1)
    ask(yard, "D01", days_ago=3)
    with pytest.raises(Refusal, match="Ida Fenwick waits for a booth since Oct 31, 2026 already"):
        ask(yard, "D01")
    ask(yard, "D01", Wish(kind="case"))
    yard.member("D02").left_on = date(2026, 10, 1)
    with pytest.raises(Refusal, match="Amos Pell left the co-op on Oct 1, 2026: ask as one who is no member"):
        ask(yard, "D02")


def test_who_withdraws_is_off_the_list_and_may_be_forgotten(yard: Yard) -> None:
    asked = ask(yard, OUTSIDER, Wish(note="tall pieces"))
    with pytest.raises(Refusal, match="She is on the waiting list: withdraw that first"):
        forget_asker(yard.session, yard.now, asked)
    withdraw_asking(yard.session, yard.now, asked)
    with pytest.raises(Refusal, match="This was withdrawn already"):
        withdraw_asking(yard.session, yard.now, asked)
    forget_asker(yard.session, yard.now, asked)
    assert (asked.name, asked.email, asked.phone, asked.address, asked.note) == ("", "", "", "", "")
    member = ask(yard, "D01")
    with pytest.raises(Refusal, match="This is a member"):
        forget_asker(yard.session, yard.now, member)
    assert next_for(yard.session, yard.spaces["12"], yard.today) is not None


# --- whose turn it is ---------------------------------------------------------------------------------------------------


def order(yard: Yard, code: str = "12") -> list[str]:
    return [place.called for place in WaitingList(yard.session, yard.mall.id, yard.today).places(yard.spaces[code])]


def test_neighbours_come_first_then_members_then_who_waited_longest(yard: Yard) -> None:
    """D03 holds booth 11, beside 12; D02 holds 15, across the aisle; the outsider has waited longest."""
    yard.lease("D03", "11")
    yard.lease("D02", "15")
    outsider = ask(yard, OUTSIDER, days_ago=30)
    ask(yard, "D01", days_ago=9)
    ask(yard, "D02", days_ago=10)
    ask(yard, "D03", days_ago=1)
    stranger = f"number {outsider.id} on the waiting list"
    assert order(yard) == ["D03", "D02", "D01", stranger]
    assert order(yard, "15") == ["D02", "D01", "D03", stranger]
    turn = next_for(yard.session, yard.spaces["12"], yard.today)
    assert turn is not None
    assert turn.why == (
        "Booth 12 goes to D03: a member in good standing with a space next to it, the only one of these, "
        "waiting since Nov 2, 2026."
    )
    set_rules(yard.session, yard.mall, yard.today, waiting_order=("first_come",))
    assert order(yard) == [stranger, "D02", "D01", "D03"]


def test_who_owes_for_more_than_thirty_days_is_in_no_good_standing(yard: Yard) -> None:
    lease = yard.lease("D03", "11")
    post_fee(yard.session, yard.now, lease, 50_00, key="sign", label="A sign", working="by hand", on=date(2026, 9, 30))
    ask(yard, "D03", days_ago=9)
    ask(yard, "D01", days_ago=1)
    assert order(yard) == ["D01", "D03"]
    yard.member("D01").left_on = date(2026, 11, 1)
    assert order(yard) == ["D03", "D01"]


def test_only_who_wants_such_a_space_waits_for_it(yard: Yard) -> None:
    for wish in (
        Wish(kind="case"),
        Wish(zone="back"),
        Wish(least_sqft100=12001),
        Wish(most_sqft100=11999),
    ):
        ask(yard, OUTSIDER, wish)
    assert next_for(yard.session, yard.spaces["12"], yard.today) is None
    fits = ask(yard, OUTSIDER, Wish(zone="front", least_sqft100=12000, most_sqft100=12000))
    turn = next_for(yard.session, yard.spaces["12"], yard.today)
    assert turn is not None
    assert turn.waiting is fits


def test_whose_turn_it_is_takes_as_many_queries_for_one_space_as_for_all(yard: Yard) -> None:
    yard.lease("D03", "11")
    for n, code in enumerate(("D01", "D02", "D03")):
        ask(yard, code, days_ago=n)
    yard.session.flush()
    counts = []
    for codes in (["12"], ["12", "13", "15"]):
        statements: list[str] = []

        def counted(_c: Any, _cur: Any, statement: str, *_: Any, seen: list[str] = statements) -> None:
            seen.append(statement)

        event.listen(yard.session.get_bind(), "before_cursor_execute", counted)
        waiting = WaitingList(yard.session, yard.mall.id, yard.today)
        assert all(waiting.turn(yard.spaces[code]) for code in codes)
        event.remove(yard.session.get_bind(), "before_cursor_execute", counted)
        counts.append(len(statements))
    assert counts[0] == counts[1]


# --- offers -------------------------------------------------------------------------------------------------------------


def offer(yard: Yard, asked: Waiting, code: str = "12", **days: Any) -> Offer:
    return make_offer(yard.session, yard.now, yard.spaces[code], asked, **days)


def test_an_offer_stands_for_the_house_s_days_and_begins_when_the_space_is_free(yard: Yard) -> None:
    asked = ask(yard, "D01")
    made = offer(yard, asked)
    assert (made.made_on, made.answer_by, made.starts_on) == (date(2026, 11, 3), date(2026, 11, 10), date(2026, 11, 3))
    assert made.why == "Booth 12 goes to D01: a member in good standing, the only one it can go to, waiting since Nov 3, 2026."
    assert asked.state == "offered"


def test_offers_that_are_refused(yard: Yard) -> None:
    ida, amos, case = ask(yard, "D01", days_ago=2), ask(yard, "D02"), ask(yard, "D03", Wish(kind="case"))
    with pytest.raises(Refusal, match="Booth 12 is not what was asked for: a case is waited for"):
        offer(yard, case)
    with pytest.raises(Refusal, match=r"Booth 12 goes to D01: .* To offer it to another, say why"):
        offer(yard, amos)
    with pytest.raises(Refusal, match="The deadline Nov 2, 2026 of the offer of Booth 12 is past"):
        offer(yard, ida, answer_by=date(2026, 11, 2))
    with pytest.raises(Refusal, match="Booth 12 is free from Nov 3, 2026: begin then, not on Nov 1, 2026"):
        offer(yard, ida, starts_on=date(2026, 11, 1))
    yard.lease("D03", "11")
    with pytest.raises(Refusal, match="Booth 11 is leased with no last day: wait for notice"):
        offer(yard, ida, "11")
    offer(yard, ida)
    with pytest.raises(Refusal, match="Booth 12 is offered to another: wait for the answer"):
        offer(yard, amos, reason="she mends the roof")
    with pytest.raises(Refusal, match="Booth 13 cannot be offered: that one is offered another space already"):
        offer(yard, ida, "13")
    with pytest.raises(Refusal, match="Space 12 is offered to somebody through Nov 10, 2026: wait, or withdraw that offer first"):
        yard.lease("D02", "12", starts_on=date(2026, 12, 1))
    yard.spaces["13"].retired_on = date(2027, 1, 1)
    with pytest.raises(Refusal, match="Booth 13 is not rented from Jan 1, 2027 on"):
        offer(yard, amos, "13")


def test_another_may_be_offered_it_for_a_reason_that_is_kept(yard: Yard) -> None:
    ask(yard, "D01", days_ago=2)
    made = offer(yard, ask(yard, "D02"), reason="  D01 is away until spring ")
    assert made.why == "Booth 12 goes to D02: D01 is away until spring"


def test_a_member_who_accepts_has_a_lease_by_the_house_rules(yard: Yard) -> None:
    set_rules(yard.session, yard.mall, date(2026, 1, 1), deposit_months=Decimal(2), notice_days=45, proration="thirty")
    made = offer(yard, ask(yard, "D01"), starts_on=date(2026, 12, 1))
    lease = accept_offer(yard.session, yard.now, made)
    assert yard.spans(lease) == [("12", date(2026, 12, 1), None, 12000)]
    assert (lease.dealer_id, lease.starts_on, lease.signed_on) == (yard.dealer("D01").id, date(2026, 12, 1), None)
    assert (lease.deposit_cents, lease.notice_days, lease.proration) == (540_00, 45, "thirty")
    assert (made.state, made.lease_id) == ("accepted", lease.id)
    with pytest.raises(Refusal, match="The offer of Booth 12 was accepted already"):
        accept_offer(yard.session, yard.now, made)
    with pytest.raises(Refusal, match="A lease was made of this already"):
        withdraw_asking(yard.session, yard.now, yard.session.get_one(Waiting, made.waiting_id))


def test_an_outsider_who_accepts_becomes_a_member_and_a_dealer(yard: Yard) -> None:
    asked = ask(yard, OUTSIDER)
    asked_space = Asked(yard.spaces["12"], area_sqft100=11500, agreed_per="flat", agreed_price=Decimal("200"))
    lease = accept_offer(
        yard.session, yard.now, offer(yard, asked), asked=asked_space, terms=Terms(term_ends_on=date(2027, 4, 30))
    )
    dealer = yard.session.get_one(Dealer, lease.dealer_id)
    member = dealer.member
    assert dealer.code == "D04"
    assert (member.name, member.email, member.phone, member.address, member.joined_on) == (
        "Mina Sorrel",
        "mina@example.org",
        "555 0100",
        "3 Kiln Lane\nElder",
        yard.today,
    )
    assert (asked.member_id, asked.name, asked.email, asked.state) == (member.id, "", "", "leased")
    assert yard.spans(lease) == [("12", yard.today, None, 11500)]
    assert lease.term_ends_on == date(2027, 4, 30)


def test_a_member_without_a_code_gets_one_and_no_second_self(yard: Yard) -> None:
    member = Member(name="Nell Garrow", joined_on=date(2026, 1, 1))
    yard.session.add(member)
    yard.session.flush()
    asked = ask_for_space(yard.session, yard.now, yard.mall, member)
    lease = accept_offer(yard.session, yard.now, offer(yard, asked), code="n1")
    assert yard.session.get_one(Dealer, lease.dealer_id).code == "N1"
    assert yard.session.scalar(select(func.count(Member.id))) == 4


def test_an_answer_is_her_own_and_in_time(yard: Yard) -> None:
    made = offer(yard, ask(yard, "D01"))
    with pytest.raises(Refusal, match="This offer is somebody else's: only she can answer it"):
        accept_offer(yard.session, yard.now, made, member_id=yard.member("D02").id)
    with pytest.raises(Refusal, match="This offer is somebody else's"):
        decline_offer(yard.session, yard.now, made, member_id=yard.member("D02").id)
    with pytest.raises(Refusal, match="The answer of Nov 4, 2026 is to come"):
        accept_offer(yard.session, yard.now, made, answered_on=date(2026, 11, 4))
    with pytest.raises(Refusal, match="Booth 13 is not what was offered: Booth 12 was"):
        accept_offer(yard.session, yard.now, made, asked=Asked(yard.spaces["13"]))
    yard.on(date(2026, 11, 11))
    with pytest.raises(Refusal, match="The offer of Booth 12 ran out on Nov 10, 2026: make a new offer"):
        accept_offer(yard.session, yard.now, made)


def test_who_declines_keeps_her_place_but_is_not_asked_for_it_again(yard: Yard) -> None:
    ida, amos = ask(yard, "D01", days_ago=5), ask(yard, "D02")
    made = offer(yard, ida)
    decline_offer(yard.session, yard.now, made, member_id=yard.member("D01").id)
    assert (made.state, ida.state) == ("declined", "waiting")
    turn = next_for(yard.session, yard.spaces["12"], yard.today)
    assert turn is not None
    assert turn.waiting is amos
    assert order(yard, "13") == ["D01", "D02"]
    withdraw_asking(yard.session, yard.now, amos)
    with pytest.raises(Refusal, match="Booth 12 was turned down by this one before: say why it is offered again"):
        offer(yard, ida)


def test_an_offer_runs_out_on_the_day_after_its_last(yard: Yard) -> None:
    """The day is the mall's: at 3 in the morning UTC on the 11th it is still the 10th in Chicago."""
    asked = ask(yard, "D01")
    made = offer(yard, asked)
    yard.on(date(2026, 11, 11))
    yard.now -= timedelta(hours=12)
    assert lapse_offers(yard.session, yard.now) == 0
    yard.now += timedelta(hours=12)
    assert lapse_offers(yard.session, yard.now) == 1
    assert (made.state, asked.state) == ("lapsed", "waiting")
    assert lapse_offers(yard.session, yard.now) == 0
    with pytest.raises(Refusal, match="The offer of Booth 12 ran out: make a new offer"):
        accept_offer(yard.session, yard.now, made)


def test_a_space_that_is_offered_is_promised(yard: Yard) -> None:
    """Notice cannot be taken back while the space is offered; once the offer is withdrawn it can."""
    lease = yard.lease("D03", "12")
    give_notice(yard.session, yard.now, lease, by="dealer", given_on=yard.today)
    assert first_free_day(yard.session, yard.spaces["12"], yard.today) == date(2027, 1, 1)
    made = offer(yard, ask(yard, "D01"))
    assert made.starts_on == date(2027, 1, 1)
    with pytest.raises(Refusal, match="Booth 12 is promised to another after Dec 31, 2026: the notice cannot be taken back"):
        take_back_notice(yard.session, yard.now, lease)
    withdraw_offer(yard.session, yard.now, made)
    take_back_notice(yard.session, yard.now, lease)
    assert yard.spans(lease) == [("12", date(2026, 6, 1), None, 12000)]


def test_forgetting_reaches_the_mail_of_her_offers(yard: Yard) -> None:
    asked = ask(yard, OUTSIDER)
    letter = write_offer(yard.session, yard.now, offer(yard, asked))
    assert "Mina" not in str(letter.value)
    assert "Kiln" not in str(letter.value)
    mail = queue_mail(
        yard.session,
        yard.now,
        key="letter/1",
        kind="letter",
        recipient=asked.email,
        subject="s",
        text_body="t",
        mail_domain="example.org",
    )
    letter.outbox_id = mail.id
    withdraw_asking(yard.session, yard.now, asked)
    forget_asker(yard.session, yard.now, asked)
    yard.session.expire_all()
    assert yard.session.scalars(select(Outbox.recipient)).all() == [""]
