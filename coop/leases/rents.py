"""What the rents of a mall's month come to, from leases, terms, shares and dated rates. Computed, not posted."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import cached_property

from sqlalchemy import CompoundSelect, func, or_, select, true, union
from sqlalchemy.orm import Session, selectinload

from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month, add_months, days_within
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases import queries
from coop.leases.domain import DatedRate, NoRateError, Rent, TermsError
from coop.leases.domain.discounts import Discount, discounted
from coop.leases.domain.percentage_rent import percentage_rent
from coop.leases.domain.rent import (
    Held,
    Piece,
    Share,
    SpaceTerms,
    joined_pieces,
    rent_of,
    rents_by_share,
    sharer_pieces,
    space_pieces,
)
from coop.leases.domain.turns import rent_less_turns
from coop.leases.models import Charge, Lease, LeaseShare, LeaseSpace, PriceIndex
from coop.leases.pricing import named
from coop.leases.terms import Escalation, PercentageTerm, Term, TurnsOff, read_term

KIND_OF_SPACE = {"booth": "rent", "case": "case", "shelf": "shelf", "wall": "wall"}
OF_RENT = ("space", "discount", "turns", "percentage")
"""What of a month's charges is computed here: the part of `what` before its colon."""
SalesBetween = Callable[[date, date], Mapping[int, int]]
"""Net sales from one day to another, in cents by dealer id."""
_DAY = timedelta(days=1)
_WHOLE = Decimal(100)


@dataclass(frozen=True)
class RentDraft:
    """One charge of a lease for a month, whole."""

    lease_id: int
    dealer_id: int
    kind: str
    what: str
    label: str
    rent: Rent
    begins_on: date
    """Its first day within the month."""


@dataclass
class OfLease:
    """A lease's month as it adds up."""

    drafts: list[RentDraft] = field(default_factory=list)
    pieces: list[Piece] = field(default_factory=list)

    @property
    def cents(self) -> int:
        return sum(draft.rent.amount_cents for draft in self.drafts)


def month_rents(
    session: Session,
    mall: Mall,
    month: Month,
    *,
    sales_between: SalesBetween | None = None,
    turns: Mapping[int, int] | None = None,
    dealer_id: int | None = None,
) -> list[RentDraft]:
    """Every rent and discount of a mall's month by lease; percentage rent, and what turns take off, where they are handed in.

    `dealer_id` asks for one dealer's alone, and then reads no more than hers and those she shares a booth with.
    The number of queries does not grow with the leases. Raises a Refusal with a sentence for each space that cannot be computed.
    """
    book = RentBook(session, mall, month, dealer_id)
    by_lease = book.spaces(month)
    drafts: list[RentDraft] = []
    # What a dealer sold, and the turns she worked, count once however many leases she has at a time.
    turns_left = dict(turns or {})
    sold_until: dict[int, date] = {}
    for lease in book.leases.values():
        of_lease = by_lease.get(lease.id)
        if of_lease is None or dealer_id not in (None, lease.dealer_id):
            continue
        drafts += of_lease.drafts
        with book.catching(lease):
            off = list(_taken_off(lease, of_lease, book.terms[lease.id], month, turns_left))
            if any(draft.what.startswith("turns:") for draft in off):
                del turns_left[lease.dealer_id]
            drafts += off
            if sales_between is not None and lease.starts_on > sold_until.get(lease.dealer_id, date.min):
                of_sales = list(book.percentage(lease, month, of_lease, sales_between))
                if of_sales:
                    sold_until[lease.dealer_id] = lease.ends_on or date.max
                drafts += of_sales
    if book.faults:
        raise Refusal(" ".join(dict.fromkeys(book.faults)))
    return drafts


class RentBook:
    """The leases of a mall round a month, with all that their rents are computed of."""

    def __init__(
        self, session: Session, mall: Mall, month: Month, dealer_id: int | None = None, *, through: Month | None = None
    ) -> None:
        """`through` is the last month that is asked for, where it is another one."""
        self.session, self.mall = session, mall
        # A year back: percentage rent by the year adds up the months of a lease's year.
        rows = session.scalars(
            select(Lease)
            .where(
                Lease.mall_id == mall.id,
                true() if dealer_id is None else Lease.id.in_(_reached_from(dealer_id)),
                Lease.starts_on <= (through or month).last_day,
                (Lease.ends_on.is_(None)) | (Lease.ends_on >= month.first_day - timedelta(days=366)),
            )
            .options(selectinload(Lease.spaces), selectinload(Lease.terms))
            .order_by(Lease.dealer_id, Lease.starts_on, Lease.id)
        )
        self.leases = {lease.id: lease for lease in rows}
        self.rates = queries.rates_by_zone(session, mall.id)
        self.faults: list[str] = []
        self.terms: dict[int, list[Term]] = {}
        for lease in self.leases.values():
            self.terms[lease.id] = []
            with self.catching(lease):
                self.terms[lease.id] = [read_term(t.kind, t.terms, t.starts_on, t.ends_on) for t in lease.terms]
        self._indexes = self._read_indexes()

    @cached_property
    def _codes(self) -> dict[int, str]:
        """Every dealer's code by id; asked only where a fault is to be named."""
        return {row.id: row.code for row in self.session.execute(select(Dealer.id, Dealer.code))}

    def _named(self, lease: Lease) -> str:
        """A lease as a sentence about its fault begins."""
        return f"The lease of {self._codes[lease.dealer_id]} from {lease.starts_on}"

    def catching(self, lease: Lease, space: str = "") -> _Catching:
        """What a lease's terms, or one of its spaces, cannot be computed by is kept as a sentence, and the others go on."""
        return _Catching(self.faults, lambda: space or self._named(lease))

    def _read_indexes(self) -> dict[str, dict[date, Decimal]]:
        followed = {t.series for terms in self.terms.values() for t in terms if isinstance(t, Escalation) and t.series}
        values: dict[str, dict[date, Decimal]] = {series: {} for series in followed}
        if followed:
            for index in self.session.scalars(select(PriceIndex).where(PriceIndex.series.in_(followed))):
                values[index.series][index.first_day] = index.value
        return values

    def spaces(self, month: Month, only: int | None = None) -> dict[int, OfLease]:
        """The rent of each space, by the lease that pays it: by each of those who share it. `only` one lease's, if told."""
        by_lease: dict[int, OfLease] = {}
        for lease, spans in self._held(only):
            with self.catching(lease, named(spans[0].space)):
                self._add_space(month, lease, spans, by_lease)
        return by_lease

    def pieces(self, month: Month) -> dict[int, list[Piece]]:
        """What whole months of each lease's spaces cost, exactly, by the lease that pays it: for who asks for no rents."""
        by_lease: dict[int, list[Piece]] = {}
        for lease, spans in self._held():
            with self.catching(lease, named(spans[0].space)):
                pieces, terms = self._space(month, lease, spans)
                if terms is not None:
                    for who in dict.fromkeys(share.who for share in terms.shares):
                        by_lease.setdefault(int(who), []).extend(sharer_pieces(terms, pieces, who))
        return {lease_id: pieces for lease_id, pieces in by_lease.items() if pieces}

    def _held(self, only: int | None = None) -> Iterable[tuple[Lease, list[LeaseSpace]]]:
        """Each space's spans under each lease, or those that one lease pays of."""
        for lease in self.leases.values():
            by_space: dict[int, list[LeaseSpace]] = {}
            for span in lease.spaces:
                by_space.setdefault(span.space_id, []).append(span)
            for spans in by_space.values():
                if only in (None, lease.id) or any(share.lease_id == only for span in spans for share in span.shares):
                    yield lease, spans

    def _space(self, month: Month, lease: Lease, spans: Sequence[LeaseSpace]) -> tuple[list[Piece], SpaceTerms | None]:
        """A space's pieces of a month under a lease, and who pays which share of them; none and nobody, if it is not held."""
        space = spans[0].space
        name = named(space)
        pieces: list[Piece] = []
        shares: list[Share] = []
        for span in sorted(spans, key=lambda s: s.starts_on):
            first, last = max(span.starts_on, lease.starts_on), _earliest(span.ends_on, lease.ends_on)
            if max(first, month.first_day) > min(last, month.last_day):
                continue
            pieces += self._pieces(month, lease, span, name, first, last)
            parts = [(self.leases.get(share.lease_id), share.share_percent) for share in span.shares]
            for sharer, percent in parts or [(lease, _WHOLE)]:
                if sharer is None:
                    continue
                begins, ends = max(first, sharer.starts_on), _earliest(last, sharer.ends_on, month.last_day)
                if begins <= ends:
                    shares.append(Share(str(sharer.id), percent, begins, ends))
        if not pieces:
            return [], None
        return joined_pieces(pieces), SpaceTerms(name, space.zone, (), shares=tuple(shares))

    def _add_space(self, month: Month, lease: Lease, spans: Sequence[LeaseSpace], by_lease: dict[int, OfLease]) -> None:
        pieces, terms = self._space(month, lease, spans)
        if terms is None:
            return
        space = spans[0].space
        # By the first span of the lease's hold on it: a booth that grows keeps its charge, and posts the difference.
        what = f"space:{min(span.id for span in spans)}"
        for who, rent in rents_by_share(terms, pieces).items():
            own = sharer_pieces(terms, pieces, who)
            if not own:
                continue
            payer = self.leases[int(who)]
            of_lease = by_lease.setdefault(payer.id, OfLease())
            of_lease.pieces += own
            of_lease.drafts.append(
                RentDraft(payer.id, payer.dealer_id, KIND_OF_SPACE[space.kind], what, terms.name, rent, own[0].starts_on)
            )

    def _pieces(self, month: Month, lease: Lease, span: LeaseSpace, name: str, first: date, last: date) -> list[Piece]:
        """A held span's pieces: one way of rising after the other, each over the price on its own first day."""
        zone = span.space.zone
        rates: Mapping[str, Sequence[DatedRate]] = self.rates
        if span.agreed_price is not None and span.agreed_per is not None:
            rates = {zone: [DatedRate(span.agreed_per, span.agreed_price, date.min)]}
        rising = sorted((t for t in self.terms[lease.id] if isinstance(t, Escalation)), key=lambda t: t.starts_on)
        ways: list[tuple[date, Escalation | None]] = [(date.min, None), *((way.starts_on, way) for way in rising)]
        pieces: list[Piece] = []
        for n, (begins, way) in enumerate(ways):
            ends = ways[n + 1][0] - _DAY if n + 1 < len(ways) else date.max
            begin, end = max(first, begins), min(last, ends)
            if max(begin, month.first_day) > min(end, month.last_day):
                continue
            kept_from = None
            if way is not None:
                # A zone priced only since is kept at its first price.
                kept_from = max(way.starts_on, min((rate.starts_on for rate in rates.get(zone, ())), default=way.starts_on))
            terms = SpaceTerms(
                name,
                zone,
                (Held(begin, end, span.leased_area_sqft100 or None, span.leased_length_in16 or None),),
                lease.proration,
                () if way is None else way.raises(month.last_day, self._indexes.get(way.series, {})),
                rate_kept_from=kept_from,
            )
            pieces += space_pieces(month, terms, rates)
        return pieces

    # --- percentage rent ----------------------------------------------------------------------------------------------------

    def percentage(self, lease: Lease, month: Month, of_lease: OfLease, sales_between: SalesBetween) -> Iterable[RentDraft]:
        """Percentage rent of a lease for a month, over its rent before discounts."""
        last = min(month.last_day, lease.ends_on or date.max)
        for term in self.terms[lease.id]:
            if not isinstance(term, PercentageTerm) or not term.starts_on <= last <= (term.ends_on or date.max):
                continue
            if term.rule.period == "month":
                first = max(month.first_day, lease.starts_on, term.starts_on)
                part = Fraction(days_within(month, first, last), month.days)
                sales = sales_between(first, last).get(lease.dealer_id, 0)
                rent = percentage_rent(term.rule, sales_cents=sales, base_rent_cents=of_lease.cents, part=part)
            else:
                rent = self._by_the_year(lease, term, month, last, sales_between)
            yield RentDraft(lease.id, lease.dealer_id, "rent", f"percentage:{lease.id}", "Percentage rent", rent, month.first_day)

    def _by_the_year(self, lease: Lease, term: PercentageTerm, month: Month, last: date, sales_between: SalesBetween) -> Rent:
        years = (last.year - term.starts_on.year) + 1
        begin = max(day for n in range(years + 1) if (day := add_months(term.starts_on, 12 * n)) <= last)
        end = min(add_months(begin, 12) - _DAY, lease.ends_on or date.max)
        base, each = 0, Month.of(begin)
        while each <= Month.of(end):
            # Of a month that the year begins or ends within, the pieces of its own days.
            of_month = self.spaces(each, only=lease.id).get(lease.id, OfLease())
            base += rent_of(list(_within(of_month.pieces, begin, end))).amount_cents
            each = each.next
        part = Fraction((end - begin).days + 1, (add_months(begin, 12) - begin).days)
        charged = self.session.scalar(
            select(func.coalesce(func.sum(Charge.amount_cents), 0)).where(
                Charge.what == f"percentage:{lease.id}",
                Charge.first_day >= Month.of(begin).first_day,
                Charge.first_day < month.first_day,
            )
        )
        sales = sales_between(begin, last).get(lease.dealer_id, 0)
        return percentage_rent(
            term.rule, sales_cents=sales, base_rent_cents=base, charged_cents=max(0, int(charged or 0)), part=part
        )


def _reached_from(dealer_id: int) -> CompoundSelect[int]:
    """A dealer's leases, those she shares a booth of, and those that share a booth with any of these."""
    own = select(Lease.id).where(Lease.dealer_id == dealer_id)
    shared = (
        select(LeaseSpace.lease_id)
        .join(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
        .where(or_(LeaseShare.lease_id.in_(own), LeaseSpace.lease_id.in_(own)))
    )
    sharing = (
        select(LeaseShare.lease_id)
        .join(LeaseSpace, LeaseSpace.id == LeaseShare.lease_space_id)
        .where(or_(LeaseSpace.lease_id.in_(own), LeaseSpace.lease_id.in_(shared)))
    )
    return union(own, shared, sharing)


def _within(pieces: Iterable[Piece], first: date, last: date) -> Iterable[Piece]:
    for piece in pieces:
        begin, end = max(piece.starts_on, first), min(piece.ends_on, last)
        if begin <= end:
            yield Piece(piece.month, begin, end, piece.monthly, piece.method, piece.words)


def _taken_off(
    lease: Lease, of_lease: OfLease, terms: Sequence[Term], month: Month, turns: Mapping[int, int]
) -> Iterable[RentDraft]:
    """A lease's discounts as one line, and what turns take off as another; both below zero."""
    whole = of_lease.cents
    if whole <= 0:
        return
    kind = max(of_lease.drafts, key=lambda draft: draft.rent.amount_cents).kind
    begins_on = min(draft.begins_on for draft in of_lease.drafts)
    left = Rent(whole, f"{format_dollars(whole)} of rent")
    discounts = [term for term in terms if isinstance(term, Discount)]
    after, taken = discounted(left, of_lease.pieces, discounts) if discounts else (left, None)
    if taken:
        rent = Rent(after.amount_cents - whole, after.working)
        yield RentDraft(lease.id, lease.dealer_id, kind, f"discount:{lease.id}", "Discount", rent, begins_on)
        left = Rent(after.amount_cents, f"{format_dollars(after.amount_cents)} of rent after discounts")
    last = min(month.last_day, lease.ends_on or date.max)
    for term in terms:
        if isinstance(term, TurnsOff) and term.starts_on <= last <= (term.ends_on or date.max):
            less = rent_less_turns(left, term.rule, turns.get(lease.dealer_id, 0))
            if less.amount_cents != left.amount_cents:
                rent = Rent(less.amount_cents - left.amount_cents, less.working)
                yield RentDraft(lease.id, lease.dealer_id, kind, f"turns:{lease.id}", "Turns worked", rent, begins_on)
                left = Rent(less.amount_cents, f"{format_dollars(less.amount_cents)} of rent")


def _earliest(*days: date | None) -> date:
    return min((day for day in days if day is not None), default=date.max)


class _Catching:
    """Keeps the sentence of an error of terms; everything else goes through."""

    def __init__(self, faults: list[str], name: Callable[[], str]) -> None:
        self.faults, self.name = faults, name

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> bool:
        if isinstance(error, NoRateError):
            said = f"{self.name()} is in zone {error.zone}, and there is no rate in force on {error.day}"
            self.faults.append(f"{said}: set a rate for that zone first.")
            return True
        if isinstance(error, TermsError | ValueError):
            name = self.name()
            self.faults.append(str(error) if name in str(error) else f"{name}: {error}")
            return True
        return False
