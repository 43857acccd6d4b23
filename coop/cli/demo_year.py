"""What happens in the demo's year and when: a diary, gone through in the order of its moments; each deed is told its own."""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import partial

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.cli import demo_counter, demo_floor, demo_leases, demo_money, demo_overflow, demo_resets, demo_turns, demo_waiting
from coop.cli.demo_closing import close_in_its_time
from coop.cli.demo_coop import MALLS, TIMEZONE, Demo, DemoMall, at, mall_of
from coop.cli.demo_counter import LAYAWAYS, Gifts, SetAside
from coop.cli.demo_sales import RESETS, Desk, is_shut
from coop.core.clock import local_date
from coop.core.db import transaction
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.settling import post_late_fees
from coop.sales.service import take_tickets

_DAY = timedelta(days=1)
_TOWN, _COUNTRY = MALLS
Deed = Callable[[Session, datetime], None]
MallDeed = Callable[[Session, datetime, Mall], object]


@dataclass
class Diary:
    """Deeds by their moments; a deed may write further ones down."""

    now: datetime
    _waiting: list[tuple[datetime, int, Callable[[datetime], None]]] = field(default_factory=list)
    _noted: int = 0

    def note(self, moment: datetime, deed: Callable[[datetime], None]) -> None:
        """Write a deed down, unless its moment is still to come."""
        if moment < self.now:
            self._noted += 1
            heapq.heappush(self._waiting, (moment, self._noted, deed))

    def live(self) -> None:
        """Do all, the earliest first; of one moment in the order they were written down."""
        while self._waiting:
            moment, _, deed = heapq.heappop(self._waiting)
            deed(moment)


class Year:
    """The demo's months from the first day of selling to yesterday."""

    def __init__(self, demo: Demo) -> None:
        self.demo, self.months = demo, demo.months
        self.today = local_date(demo.now, TIMEZONE)
        self.diary = Diary(demo.now)
        self.gifts = Gifts()
        self.joins_on = self.months.back(3).first_day.replace(day=17)
        self.spans: dict[int, tuple[date, date]] = {demo_leases.NEWCOMER: (self.joins_on + _DAY, date.max)}
        self.desks = {
            made.code: Desk(made, demo.months, demo.seed, demo.here(made), self.spans if made is _TOWN else {}) for made in MALLS
        }
        self._slips = 0
        self._claims_seen: set[int] = set()

    def live(self) -> None:
        """Everything that happened, but the papers of the last month."""
        self._plan_weeks()
        for month in self.months.closed:
            self._plan_month(month)
        self._plan_leases()
        self._plan_counter()
        self._plan_waiting()
        self._plan_turns()
        self._plan_overflow()
        self._plan_resets()
        self.diary.live()

    def note(self, moment: datetime, deed: Deed) -> None:
        """Write a deed down that is one transaction."""

        def do(now: datetime) -> None:
            with transaction(self.demo.coop.sessions) as session:
                deed(session, now)

        self.diary.note(moment, do)

    # --- selling ----------------------------------------------------------------------------------------------------------

    def _plan_weeks(self) -> None:
        """Sales are rung up to each Sunday and each month's end; what they brought in goes to the bank on the next day."""
        first, day = self.months.first.first_day, self.months.first.first_day
        while day < self.today:
            if day.weekday() == 6 or day == Month.of(day).last_day or day == self.today - _DAY:
                for made in MALLS:
                    self.note(at(day, 19), partial(self._sell, made, first, day))
                    self.note(at(day + _DAY, 9, 30), partial(self._bank, made, day + _DAY))
                first = day + _DAY
            if day.weekday() == 3:
                for made in MALLS:
                    self.note(at(day, 11), partial(self._claim, made))
            day += _DAY

    def _sell(self, made: DemoMall, first: date, last: date, session: Session, now: datetime) -> None:
        ids = {code: dealer_id for dealer_id, code in session.execute(select(Dealer.id, Dealer.code))}
        people = {dealer.number: ids[dealer.code] for dealer in self.demo.here(made) if dealer.code in ids}
        tickets, day = [], first
        while day <= last:
            sold = list(self.desks[made.code].sold_on(day, people))
            tickets += self.gifts.use(sold, day) if made is _TOWN else sold
            day += _DAY
        take_tickets(session, now, mall_of(session, made), tickets)

    def _bank(self, made: DemoMall, on: date, session: Session, now: datetime) -> None:
        self._slips += 1
        demo_money.take_week_to_bank(session, now, mall_of(session, made), on, self._slips)

    def _claim(self, made: DemoMall, session: Session, now: datetime) -> None:
        desk, mall = self.desks[made.code], mall_of(session, made)
        demo_counter.claim_week(session, now, mall, desk, self.today, self._claims_seen)

    # --- each month -------------------------------------------------------------------------------------------------------

    def _plan_month(self, month: Month) -> None:
        """Its drawers counted on its last day, and in the month after it: bank, month-end, checks, late fees, the tax return."""
        after = month.next.first_day
        chance = random.Random(f"{self.demo.seed}:counts:{month}")
        for made in MALLS:
            off = chance.choice((-310, -125, -40, 0, 0, 15, 220))
            self.note(at(month.last_day, 20), partial(self._count, made, month.last_day, off))
        self.note(self._by_now(at(after + _DAY, 8, 30), after, 4), partial(self._reconcile, month))
        for n, made in enumerate(MALLS):
            closed_at = self._by_now(at(after + _DAY, 9, 10 + 25 * n), after, 3 - n)
            self.diary.note(closed_at, partial(self._close, made, month))
        for made, number, day in ((_TOWN, demo_leases.SLOW[0], 8), (_COUNTRY, demo_leases.SLOW[1], 14)):
            if day == 8 or month.month % 2:
                on = after.replace(day=day)
                self.note(at(on, 12), partial(self._bring_check, made, number, month, on))
        self.note(at(after.replace(day=10), 9), partial(self._approve, month))
        self.note(at(after.replace(day=11), 4), self._charge_late_fees)
        filed_on = after.replace(day=20)
        filed_at = self._by_now(at(filed_on, 10), filed_on, 1)
        self.note(filed_at, lambda session, now: demo_money.file_tax(session, now, month, filed_on))

    def _by_now(self, planned: datetime, not_before: date, seconds: int) -> datetime:
        """The moment planned, or so many seconds before now if that is earlier, from a day on: done whenever the demo is made."""
        return min(planned, max(at(not_before, 0), self.demo.now - timedelta(seconds=seconds)))

    def _count(self, made: DemoMall, on: date, off: int, session: Session, now: datetime) -> None:
        demo_money.count_month(session, now, mall_of(session, made), on, off)

    def _reconcile(self, month: Month, session: Session, now: datetime) -> None:
        demo_money.bring_bank(session, now, month)

    def _close(self, made: DemoMall, month: Month, now: datetime) -> None:
        close_in_its_time(self.demo, now, made, month, is_last=month == self.months.closed[-1])
        if made is MALLS[-1]:
            click.echo(f"  {month.name} is closed.")

    def _bring_check(self, made: DemoMall, number: int, month: Month, on: date, session: Session, now: datetime) -> None:
        demo_money.bring_check(session, now, mall_of(session, made), number, month, on)

    def _approve(self, month: Month, session: Session, now: datetime) -> None:
        pay_on = demo_money.approve_payouts(session, now, self.months, month)
        if pay_on is not None:
            self.note(at(pay_on, 12), lambda later, then: demo_money.pay_out(later, then, month))

    def _charge_late_fees(self, session: Session, now: datetime) -> None:
        for made in MALLS:
            post_late_fees(session, now, mall_of(session, made))

    # --- leases -----------------------------------------------------------------------------------------------------------

    def _plan_leases(self) -> None:
        first, months = self.months.first.first_day, self.months
        late = first + timedelta(days=33)
        for made in MALLS:
            self._lease(made, at(late, 11), lambda s, n, mall: demo_leases.take_late_deposits(s, n, mall, late))
        shared_on = max(months.back(5), months.first.next).first_day
        self._lease(_TOWN, at(shared_on - 5 * _DAY, 15), lambda s, n, mall: demo_leases.share_booth(s, n, mall, shared_on))
        self.note(at(self.joins_on, 9), self._welcome)
        given_on = months.back(7).first_day.replace(day=20)
        self._lease(_TOWN, at(given_on, 16), lambda s, n, mall: self._leave(s, n, mall, given_on))
        notice_on = months.back(1).last_day
        self._lease(
            _TOWN, at(notice_on, 16), lambda s, n, mall: demo_leases.give_notice_of(s, n, mall, demo_leases.LEAVING, notice_on)
        )
        disputed_on = months.back(1).first_day.replace(day=5)
        self.note(at(disputed_on, 13), lambda s, n: demo_leases.dispute_rent(s, months, disputed_on))
        for which in range(demo_leases.WAIT):
            on = months.back(2).first_day + timedelta(days=9 * which)
            self._lease(_TOWN, at(on, 14), partial(self._ask, on, which))
        offered_at = self.demo.now - timedelta(hours=20)
        self._lease(_TOWN, offered_at, lambda s, n, mall: demo_leases.offer_booth(s, n, mall, _TOWN, months))

    def _lease(self, made: DemoMall, moment: datetime, deed: MallDeed) -> None:
        def do(session: Session, now: datetime) -> None:
            deed(session, now, mall_of(session, made))

        self.note(moment, do)

    def _welcome(self, session: Session, now: datetime) -> None:
        demo = next(dealer for dealer in self.demo.roster if dealer.number == demo_leases.NEWCOMER)
        position = _TOWN.dealers.index(demo.number)
        space = demo_floor.space_of(position).code
        demo_leases.welcome(session, now, mall_of(session, _TOWN), demo, space, self.joins_on, self.months)

    def _leave(self, session: Session, now: datetime, mall: Mall, given_on: date) -> None:
        """Notice; on the last day the space is handed over, and the deposit goes back on the morning after."""
        number = demo_leases.LEFT
        last = demo_leases.give_notice_of(session, now, mall, number, given_on)
        self.spans[number] = (date.min, last)
        self._lease(_TOWN, at(last, 18), lambda s, n, of: demo_leases.move_out_of(s, n, of, number, last))
        self._lease(_TOWN, at(last + _DAY, 10), lambda s, n, of: demo_leases.return_deposit_of(s, n, of, number, last))

    def _ask(self, on: date, which: int, session: Session, now: datetime, mall: Mall) -> None:
        demo_leases.ask(session, now, mall, on, which)

    # --- what waits for the office -----------------------------------------------------------------------------------------

    def _plan_waiting(self) -> None:
        """Asked once the statements were read, and entered this morning: nobody has said anything to it yet."""
        last, domain = self.months.closed[-1], self.demo.coop.settings.mail_domain
        read_at = max(at(last.next.first_day + _DAY, 18), self.demo.now - timedelta(hours=26))
        self.note(read_at, lambda session, now: demo_waiting.ask_of_statement(session, now, last, domain))
        entered_at = max(at(self.today, 0), self.demo.now - timedelta(minutes=40))
        self.note(entered_at, demo_waiting.enter_by_hand)

    # --- turns ------------------------------------------------------------------------------------------------------------

    def _plan_turns(self) -> None:
        """The town's mall: begun some months ago, each month published in the one before, and who came, day by day."""
        first, demo = self.months.back(demo_turns.MONTHS_BACK), self.demo
        self.note(at(first.first_day - 14 * _DAY, 11), lambda s, n: demo_turns.begin(s, n, demo, _TOWN, first.first_day))
        month = first
        while month <= self.months.running.next:
            self.note(at(month.first_day - 14 * _DAY, 12), partial(demo_turns.answer, demo, _TOWN, month))
            self.diary.note(at(month.first_day - 8 * _DAY, 10), partial(self._publish, month))
            self.note(
                at(month.first_day.replace(day=18), 10), partial(demo_turns.judge_missed, _TOWN, month.first_day.replace(day=17))
            )
            month = month.next
        day = first.first_day
        while day <= self.today:
            evening = at(day, 20) if day < self.today else demo.now - timedelta(seconds=2)
            self.note(evening, partial(demo_turns.stand, demo, _TOWN, day))
            day += _DAY
        self.note(demo.now - timedelta(hours=5), partial(demo_turns.offer, _TOWN))
        self.note(demo.now - timedelta(seconds=1), demo_turns.leave_untold)

    def _publish(self, month: Month, now: datetime) -> None:
        demo_turns.publish_month(self.demo, now, _TOWN, month)

    # --- overflow ---------------------------------------------------------------------------------------------------------

    def _plan_overflow(self) -> None:
        """The town's mall: floor lent by the period, the running one given out, the next one drafted; and what changed since."""
        demo, today = self.demo, self.today
        begins = demo_overflow.begins_on(today, self.months.first.first_day)
        periods = demo_overflow.periods(today, begins)
        if not periods:
            return
        self.diary.note(at(begins, 10), lambda now: demo_overflow.begin(demo, now, _TOWN))
        for period in periods:
            for wish in demo_overflow.WISHES:
                if wish.period == period.number:
                    on = max(period.given_out_on - wish.days * _DAY, begins)
                    self.note(at(on, 13, wish.days), partial(demo_overflow.ask, _TOWN, wish, period.first_day))
            self.diary.note(at(period.given_out_on, 15), partial(demo_overflow.give_out, demo, _TOWN, period))
            self.note(at(period.first_day + 2 * _DAY, 17), partial(demo_overflow.walk, _TOWN))
        to_come = periods[-1]
        for days, deed in (
            (15, partial(demo_overflow.end_early, _TOWN)),
            (13, partial(demo_overflow.wait_sold, _TOWN, "Milk-can rack", 33, 6)),
            (12, partial(demo_overflow.wait_sold, _TOWN, "Sewing table", 22, 15)),
            (5, partial(demo_overflow.lengthen, _TOWN, to_come.first_day + 27 * _DAY)),
            (4, partial(demo_overflow.find_out_of_place, _TOWN)),
            (3, partial(demo_overflow.ask_back, _TOWN)),
            (2, partial(demo_overflow.widen, _TOWN, to_come.first_day + 14 * _DAY)),
        ):
            self.note(at(today - days * _DAY, 16), deed)
        self.note(demo.now - timedelta(seconds=1), partial(demo_overflow.post_rents_due, _TOWN))
        self.diary.note(demo.now - timedelta(seconds=1), partial(demo_overflow.draft, demo, _TOWN, to_come))

    # --- resets -----------------------------------------------------------------------------------------------------------

    def _plan_resets(self) -> None:
        """One dealer's booth, re-laid on the day the sales tell of; the next reset is planned, and its places are booked."""
        told = next(one for one in RESETS if one.dealer == demo_resets.DEALER).day_in(self.months)
        relaid = max(told, self.months.first.first_day + 2 * _DAY)
        self.note(at(relaid, 9), lambda s, n: demo_resets.lend(s, n, _TOWN))
        self.note(at(relaid, 19), lambda s, n: demo_resets.lay_out(s, n, _TOWN, relaid))
        self.note(at(relaid, 20), lambda s, n: demo_resets.log_work(s, n, relaid))
        planned = self.demo.now - timedelta(hours=3)
        self.note(planned, lambda s, n: demo_resets.plan_next(s, n, _TOWN, self.months.running.next))

    # --- at the desks -----------------------------------------------------------------------------------------------------

    def _plan_counter(self) -> None:
        """Gift certificates through the year and most of them in December; three layaways."""
        for month in (*self.months.closed, self.months.running):
            for day in (5, 9, 13, 16, 19, 22) if month.month == 12 else (12,):
                self._sell_certificate(month.first_day.replace(day=day))
        for one in LAYAWAYS:
            if len(self.months.closed) < one.months_back:
                continue
            agreed = self.months.back(one.months_back).first_day.replace(day=one.day)
            self._lease(_TOWN, at(agreed, 14), self._with(demo_counter.agree, one))
            self._lease(_TOWN, at(agreed + 15 * _DAY, 14), self._with(demo_counter.pay_part, one))
            if one.ends:
                ended = agreed + 41 * _DAY
                self._lease(_TOWN, at(ended, 14), self._with(demo_counter.end, one))

    @staticmethod
    def _with(deed: Callable[[Session, datetime, Mall, SetAside], object], one: SetAside) -> MallDeed:
        return lambda session, now, mall: deed(session, now, mall, one)

    def _sell_certificate(self, on: date) -> None:
        while is_shut(on):
            on += _DAY
        self._lease(_TOWN, at(on, 13), lambda s, n, mall: self.gifts.sell(s, n, mall, on))
