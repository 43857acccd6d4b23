"""What a month-end writes in the accounts of turns: owed, worked, missed, closed; then what is beyond what is carried.

Every line and every charge stands under a key, so that posting twice writes nothing twice. What has become another amount since,
because somebody decided otherwise or owes otherwise, is written as the difference.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import func, select, true
from sqlalchemy.orm import Session

from coop.books.models import Opening, OpeningMemo
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.models import Charge, Lease, LeaseTerm
from coop.leases.turn_charges import TURN
from coop.shifts.attending import Seen, charge_no_show, missed_member, turns_in
from coop.shifts.charging import AGAIN, charge_to
from coop.shifts.domain.carried import Prices, Settled, at_leaving, beyond
from coop.shifts.domain.owed import turns_words
from coop.shifts.owing import balances, owed_of_month
from coop.shifts.planning import rota_of
from coop.shifts.rules import TurnRules, rules_on
from coop.shifts.substitutes import settle_substitute
from coop.shifts.turn_models import TurnAccount
from coop.shifts.wording import turn_said

ONE = Decimal(1)
SHOWN = 10
"""Sentences of a refusal at most."""
_OF_TURNS = ("owed", "worked", "closed", "excused", "charged")
_OF_BALANCES = ("beyond", "left")
"""How the keys begin of lines that follow from the month's turns, and of those that follow from the balance after them."""
_OF_MONEY = ("noshow", "buyout", *_OF_BALANCES)
Whose = tuple[int, str]
"""A member and a key."""


@dataclass(frozen=True)
class Line:
    """A line of an account of turns as it should be."""

    kind: str
    turns: Decimal
    working: str
    turn_id: int | None = None


@dataclass(frozen=True)
class MonthTurns:
    """What a month-end found and wrote."""

    kept: bool
    """Whether the mall has rules of turns at all."""
    published: bool = False
    owed: Decimal = Decimal(0)
    worked: Decimal = Decimal(0)
    charged_cents: int = 0
    credited_cents: int = 0
    written: int = 0
    """Lines written now."""

    @property
    def words(self) -> str:
        if not self.kept:
            return "No turns are kept here."
        said = f"{turns_words(self.owed)} owed, {turns_words(self.worked)} worked."
        if not self.published:
            said = "No rota was published: nobody owes a turn of it."
        for cents, what in ((self.charged_cents, "charged"), (self.credited_cents, "credited")):
            said += f" {format_dollars(cents)} {what} for turns." if cents else ""
        return said


def post_turns(session: Session, now: datetime, mall: Mall, month: Month) -> MonthTurns:
    """Write a month of turns in the accounts of its members, with the money that the house rules ask for. Once, by keys.

    Refuses, naming each, turns of which nobody has written down whether they were worked, where others were.
    """
    rules = rules_on(session, mall.id, month.first_day)
    if not rules.are_set:
        return MonthTurns(kept=False)
    hold_mall(session, mall.id)
    post_openings(session, now, mall)
    rota = rota_of(session, mall.id, month)
    published = rota is not None and rota.state == "published"
    seen = turns_in(session, mall, month) if published else []
    kept = any(one.came or one.decision for one in seen)
    if kept:
        _require_written(mall, seen)
    wanted: dict[Whose, Line] = {}
    if published:
        for member_id, owed in owed_of_month(session, mall, month).items():
            if owed.turns:
                wanted[member_id, f"owed:{month}"] = Line("owed", -owed.turns, owed.working)
    for one in seen:
        if kept and _is_missed(one) and not one.decision:
            _decide_by_rule(now, one, rules)
            settle_substitute(session, now, one.turn, missed_member(session, one.turn), came=one.came and one.missed is None)
        if one.decision == "charged":
            charge_no_show(session, now, one.turn, rules.no_show_cents)
        wanted.update(_lines_of(mall, one, rules, kept))
    book = _Book(session, now, mall, month)
    written = book.bring_to(wanted, _OF_TURNS)
    after, money = _after(session, mall, month, rules, book)
    written += book.bring_to(after, _OF_BALANCES)
    for (member_id, key), settled in money.items():
        _post_money(session, now, mall, month, member_id, key, settled)
    charged, credited = _money_of(session, mall, month)
    return MonthTurns(
        kept=True,
        published=published,
        owed=-sum((line.turns for line in wanted.values() if line.kind == "owed"), Decimal(0)),
        worked=sum((line.turns for line in wanted.values() if line.kind in ("worked", "closed")), Decimal(0)),
        charged_cents=charged,
        credited_cents=credited,
        written=written,
    )


# --- what turns make --------------------------------------------------------------------------------------------------------


def _require_written(mall: Mall, seen: list[Seen]) -> None:
    unsaid = unwritten(seen)
    if unsaid:
        told = [f"{one.who}, {_said(mall, one)}: was it worked?" for one in unsaid[:SHOWN]]
        more = f" And {len(unsaid) - SHOWN:,} more." if len(unsaid) > SHOWN else ""
        what = "1 turn was" if len(unsaid) == 1 else f"{len(unsaid):,} turns were"
        raise Refusal(f"{what} not signed in to, and nobody has written down who came. {' '.join(told)}{more}")


def unwritten(seen: list[Seen]) -> list[Seen]:
    """Turns of which nobody has written down whether they were worked."""
    return [one for one in seen if one.member is not None and one.turn.state == "standing" and one.attendance is None]


def _said(mall: Mall, one: Seen) -> str:
    return turn_said(one.post, one.turn.on_date, one.turn.starts_at, one.turn.ends_at, mall.timezone)


def _is_missed(one: Seen) -> bool:
    """Whoever had it did not come, whether or not another stood in."""
    return one.turn.state == "standing" and one.was_missed and (not one.came or one.missed is not None)


def _decide_by_rule(now: datetime, one: Seen, rules: TurnRules) -> None:
    """What nobody decided the rules decide, and it is written where a person's decision would be."""
    assert one.attendance is not None, "it was missed"
    one.attendance.decision = "charged" if rules.no_show == "charge" else "owed"
    one.attendance.decided_at = now
    one.attendance.note = one.attendance.note or "By the rules of turns."


def _lines_of(mall: Mall, one: Seen, rules: TurnRules, kept: bool) -> Iterator[tuple[Whose, Line]]:
    """The lines of a turn. Whose owed turn a substitute is paid to work off, that member's account it is."""
    turn, said = one.turn, _said(mall, one)
    if one.member is None:
        return
    account = turn.for_member_id or one.member.id
    if turn.state == "closed":
        if rules.closed == "worked":
            yield (account, f"closed:{turn.id}"), Line("closed", ONE, f"{said}: the mall stayed closed", turn.id)
        return
    if one.came:
        late = one.missed is None and one.decision
        if late not in ("owed", "charged"):
            helper = f", by {one.helper.name}" if one.helper else ""
            yield (account, f"worked:{turn.id}"), Line("worked", ONE, f"{said}{helper}", turn.id)
    elif not kept:
        yield (account, f"worked:{turn.id}"), Line("worked", ONE, f"{said}; no attendance is kept", turn.id)
    if (_is_missed(one) or (one.came and one.decision == "charged")) and kept:
        whose = one.missed.id if one.missed else account
        if one.decision == "excused":
            yield (whose, f"excused:{turn.id}"), Line("excused", ONE, f"{said}: excused", turn.id)
        elif one.decision == "charged":
            what = f"{said}: charged at {format_dollars(rules.no_show_cents)}"
            yield (whose, f"charged:{turn.id}"), Line("charged", ONE, what, turn.id)


# --- what the balance after them makes ----------------------------------------------------------------------------------------


def _after(
    session: Session, mall: Mall, month: Month, rules: TurnRules, book: _Book
) -> tuple[dict[Whose, Line], dict[Whose, Settled | None]]:
    """Lines that bring balances to what is carried, or to nothing where a member has left; and the money for each.

    None is the money of a line that was written before and is no more.
    """
    prices = Prices(rules.carry_most, rules.buy_out_cents, rules.credit_cents)
    last_days = _last_days(session, mall, month)
    lines: dict[Whose, Line] = {}
    money: dict[Whose, Settled | None] = dict.fromkeys(book.keys(_OF_BALANCES))
    for member_id, balance in sorted(book.balances().items()):
        if member_id not in last_days:
            continue  # Who never had a lease here has nothing that could be charged or credited: all is carried.
        left = last_days[member_id] <= month.last_day
        settled = at_leaving(balance, prices) if left else beyond(balance, prices)
        if settled is not None:
            whose = member_id, f"{'left' if left else 'beyond'}:{month}"
            lines[whose] = Line(settled.kind, settled.turns, settled.working)
            money[whose] = settled
    return lines, money


def _last_days(session: Session, mall: Mall, month: Month) -> dict[int, date]:
    """The last day of each member's last lease at a mall, of those whose first began before the month ended."""
    rows = session.execute(
        select(
            Dealer.member_id,
            func.max(func.coalesce(Lease.ends_on, date.max)),
            func.max(Member.left_on),
        )
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .join(Member, Member.id == Dealer.member_id)
        .where(Lease.mall_id == mall.id)
        .group_by(Dealer.member_id)
        .having(func.min(Lease.starts_on) <= month.last_day)
    )
    return {member_id: min(last, left_on or date.max) for member_id, last, left_on in rows}


def _post_money(
    session: Session, now: datetime, mall: Mall, month: Month, member_id: int, key: str, settled: Settled | None
) -> None:
    charge_to(
        session,
        now,
        mall,
        member_id,
        settled.cents if settled else 0,
        key=f"{key}:{member_id}",
        label=f"Turns of {month.name}",
        working=settled.working if settled else "nothing for these turns any more",
        on=month.last_day,
    )


def _money_of(session: Session, mall: Mall, month: Month) -> tuple[int, int]:
    """Cents charged and credited for a month's turns in all: no-shows, buy-outs, what is beyond; not a substitute's pay."""
    charges = select(Charge.dealer_id, Charge.what, Charge.amount_cents).where(
        Charge.mall_id == mall.id, Charge.first_day == month.first_day, Charge.kind == TURN
    )
    sums: dict[tuple[int, str], int] = {}
    for dealer_id, what, cents in session.execute(charges):
        key = what.removeprefix(f"{TURN}:").partition(AGAIN)[0]
        if key.partition(":")[0] in _OF_MONEY:
            sums[dealer_id, key] = sums.get((dealer_id, key), 0) + cents
    return sum(max(cents, 0) for cents in sums.values()), sum(max(-cents, 0) for cents in sums.values())


# --- the account ------------------------------------------------------------------------------------------------------------


class _Book:
    """The accounts of a mall for a month: what stands, by member and key, and what is written so that it is as it should be."""

    def __init__(self, session: Session, now: datetime, mall: Mall, month: Month) -> None:
        self.session, self.now, self.mall, self.month = session, now, mall, month
        self.before = {member_id: turns for (_, member_id), turns in balances(session, [mall.id], before=month).items()}
        self.stand: dict[Whose, tuple[Decimal, int]] = {}
        """Turns and how many lines, by member and key."""
        rows = select(TurnAccount).where(TurnAccount.mall_id == mall.id, TurnAccount.first_day == month.first_day)
        for row in session.scalars(rows):
            self._count(row.member_id, row.key, row.turns)

    def _count(self, member_id: int, key: str, turns: Decimal) -> None:
        whose = member_id, key.partition(AGAIN)[0]
        stood, lines = self.stand.get(whose, (Decimal(0), 0))
        self.stand[whose] = stood + turns, lines + 1

    def keys(self, kinds: tuple[str, ...]) -> list[Whose]:
        return [whose for whose in self.stand if whose[1].partition(":")[0] in kinds]

    def balances(self) -> dict[int, Decimal]:
        """Each member's balance after the month's turns, without what is beyond or settled."""
        found = dict(self.before)
        for (member_id, key), (turns, _) in self.stand.items():
            if key.partition(":")[0] not in _OF_BALANCES:
                found[member_id] = found.get(member_id, Decimal(0)) + turns
        return found

    def bring_to(self, wanted: Mapping[Whose, Line], kinds: tuple[str, ...]) -> int:
        """Write what is missing, and the difference where another number stands; how many lines that were."""
        written = 0
        for whose in sorted({*wanted, *self.keys(kinds)}):
            line, (stood, lines) = wanted.get(whose), self.stand.get(whose, (Decimal(0), 0))
            turns = (line.turns if line else Decimal(0)) - stood
            if not turns:
                continue
            member_id, key = whose
            working = line.working if line else "does not count any more"
            self.session.add(
                TurnAccount(
                    mall_id=self.mall.id,
                    member_id=member_id,
                    first_day=self.month.first_day,
                    kind="set right" if lines or line is None else line.kind,
                    key=f"{key}{AGAIN}{lines}" if lines else key,
                    turns=turns,
                    working=(f"{working}; {turns_words(abs(stood))} stood before" if lines and line else working)[:300],
                    turn_id=line.turn_id if line else None,
                    at=self.now,
                )
            )
            self._count(member_id, key, turns)
            written += 1
        self.session.flush()
        return written


def post_openings(session: Session, now: datetime, mall: Mall) -> int:
    """Bring in the balances of turns from paper, once for each member: as of the month before the first kept here."""
    rows = session.execute(
        select(Dealer.member_id, func.sum(OpeningMemo.turns), func.max(Opening.first_day))
        .join(Opening, Opening.id == OpeningMemo.opening_id)
        .join(Dealer, Dealer.id == OpeningMemo.dealer_id)
        .where(OpeningMemo.mall_id == mall.id, OpeningMemo.what == "turns", Opening.state == "signed")
        .group_by(Dealer.member_id)
        .order_by(Dealer.member_id)
    ).all()
    there = select(TurnAccount.member_id).where(TurnAccount.mall_id == mall.id, TurnAccount.key == "opening")
    posted = set(session.scalars(there)) if rows else set()
    new = [
        TurnAccount(
            mall_id=mall.id,
            member_id=member_id,
            first_day=Month.of(first_day).previous.first_day,
            kind="opening",
            key="opening",
            turns=round(turns or Decimal(0), 2),
            working="carried from paper",
            at=now,
        )
        for member_id, turns, first_day in rows
        if member_id not in posted and round(turns or Decimal(0), 2)
    ]
    session.add_all(new)
    session.flush()
    return len(new)


# --- what others go by ------------------------------------------------------------------------------------------------------


def worked_by_dealer(session: Session, mall: Mall, month: Month) -> dict[int, int] | None:
    """Turns worked in a month by dealer id, for rents and commissions that they lower; None where no turns are kept.

    A member who sells under two codes has them counted once: under the one whose lease has a rule for them, or the first.
    """
    if not rules_on(session, mall.id, month.first_day).are_set:
        return None
    rows = session.execute(
        select(TurnAccount.member_id, TurnAccount.key, func.sum(TurnAccount.turns))
        .where(TurnAccount.mall_id == mall.id, TurnAccount.first_day == month.first_day)
        .group_by(TurnAccount.member_id, TurnAccount.key)
    )
    worked: dict[int, Decimal] = {}
    for member_id, key, turns in rows:
        if key.partition(":")[0] in ("worked", "closed"):
            worked[member_id] = worked.get(member_id, Decimal(0)) + turns
    dealers = dealers_of_accounts(session, mall, month)
    return {dealers[member_id]: int(turns) for member_id, turns in worked.items() if member_id in dealers and turns > 0}


def dealers_of_accounts(session: Session, mall: Mall, month: Month, *, member_id: int | None = None) -> dict[int, int]:
    """The dealer under whom a member's turns at a mall are told and counted, by member id; of one member alone, if named."""
    rows = session.execute(
        select(Dealer.member_id, Dealer.id, Dealer.code, Lease.id, Lease.ends_on)
        .join(Lease, Lease.dealer_id == Dealer.id)
        .where(
            Lease.mall_id == mall.id,
            Lease.starts_on <= month.last_day,
            true() if member_id is None else Dealer.member_id == member_id,
        )
    ).all()
    by_turns = set()
    for lease_id, terms in session.execute(
        select(LeaseTerm.lease_id, LeaseTerm.terms).where(LeaseTerm.lease_id.in_([row[3] for row in rows]))
    ):
        if terms.get("reason") == "turns" or "turns" in terms:
            by_turns.add(lease_id)
    ranked = sorted(
        ((ends_on or date.max) < month.first_day, lease_id not in by_turns, code, dealer_id, whose)
        for whose, dealer_id, code, lease_id, ends_on in rows
    )
    found: dict[int, int] = {}
    for _over, _without, _code, dealer_id, whose in ranked:
        found.setdefault(whose, dealer_id)
    return found
