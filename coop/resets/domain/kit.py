"""What to bring for a set: felt pads, boxes and their labels, hooks, extension leads, blankets and tools; and the tags to write.

Lengths are sixteenths of an inch, weights ounces, volumes cubic inches, prices cents. What rests on common practice has no source
and is a setting.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH, format_length
from coop.core.words import joined
from coop.floor.domain.plan import Point
from coop.resets.domain.caution import CAUTION
from coop.resets.domain.piece import Arrangement, Placed
from coop.resets.domain.weight import OZ_PER_LB, format_weight


@dataclass(frozen=True)
class KitRules:
    """Each is common practice without a source, and a setting."""

    feet: int = 4
    """Of a piece, where it was not said."""
    box_in16: tuple[int, int, int] = (16 * IN16_PER_INCH, 12 * IN16_PER_INCH, 12 * IN16_PER_INCH)
    """Of a box of smalls: width, depth, height."""
    fill: Fraction = Fraction(3, 4)
    fill_fragile: Fraction = Fraction(1, 2)
    """How much of a box is filled by what is in it; fragile things are wrapped."""
    box_limit_oz: int = 40 * OZ_PER_LB
    hook_limit_oz: int = 30 * OZ_PER_LB
    two_hooks_in16: int = 24 * IN16_PER_INCH
    """What is as wide as this hangs on two."""
    leads_in16: tuple[int, ...] = tuple(feet * IN16_PER_FOOT for feet in (6, 9, 12, 15, 25))
    slack_in16: int = 12 * IN16_PER_INCH
    sockets: int = 2
    """Of one outlet."""
    two_blankets_in16: int = 48 * IN16_PER_INCH
    ladder_in16: int = 72 * IN16_PER_INCH
    """What is put higher than this is put there from a step ladder."""
    dolly_oz: int = 35 * OZ_PER_LB

    @property
    def box_cuin(self) -> int:
        return math.prod(self.box_in16) // IN16_PER_INCH**3


@dataclass(frozen=True)
class Smalls:
    """Small things of one grouping that go on one surface, counted by the piece and its volume, or by the box."""

    grouping: str
    count: int
    goes_on: str
    """Key of the piece they go on; empty: they go home."""
    volume_each_cuin: int | None = None
    boxes: int | None = None
    fragile: bool = False
    weight_each_oz: int | None = None


@dataclass(frozen=True)
class Box:
    """`number` of `of` in the whole kit. `holds`: how many things; 0 where only boxes were counted."""

    number: int
    of: int
    grouping: str
    goes_on: str
    goes_on_name: str
    holds: int
    fragile: bool

    @property
    def label(self) -> tuple[str, ...]:
        """The lines of its label."""
        things = f"{self.grouping}: {_count(self.holds, 'thing')}" if self.holds else self.grouping
        return (
            f"Box {self.number} of {self.of}",
            things,
            f"Goes on {self.goes_on_name}" if self.goes_on else "Goes home",
            *(("Fragile",) if self.fragile else ()),
        )


@dataclass(frozen=True)
class Item:
    """A thing to bring, how many, and what for."""

    what: str
    count: int
    why: str
    pieces: tuple[str, ...] = ()


@dataclass(frozen=True)
class Kit:
    items: tuple[Item, ...]
    boxes: tuple[Box, ...]
    questions: tuple[str, ...]
    """What could not be counted, each with what to do about it."""
    cautions: tuple[str, ...] = (CAUTION,)

    def count(self, what: str) -> int:
        return sum(item.count for item in self.items if item.what == what)


FELT_PADS, BOXES, HOOKS, STRAPS, MATS, BLANKETS = "felt pads", "boxes", "wall hooks", "wall straps", "non-slip mats", "blankets"
POWER_STRIPS = "power strips with a breaker"


def kit(
    arrangement: Arrangement,
    smalls: Sequence[Smalls] = (),
    *,
    outlets: Sequence[Point] = (),
    cords_in16: Mapping[str, int] | None = None,
    feet: Mapping[str, int] | None = None,
    anchored: Collection[str] = (),
    leaving: Arrangement | None = None,
    rules: KitRules | None = None,
) -> Kit:
    """Everything to bring for a set, and to get what is `leaving` home.

    `cords_in16`: of the pieces that need a socket, the length of their own cord. `feet`: of pieces with more or fewer than four.
    `anchored`: keys of what is to be strapped to a wall. Raises ValueError for a count or a volume below zero.
    """
    rules = rules or KitRules()
    questions: list[str] = []
    boxes = _boxes(arrangement, smalls, rules, questions)
    moved = (arrangement, leaving or Arrangement())
    items = [
        *_pads(arrangement, feet or {}, rules),
        *([Item(BOXES, len(boxes), f"for the smalls of {joined(sorted({box.grouping for box in boxes}))}")] if boxes else []),
        *_hooks(arrangement, rules, questions),
        *_leads(arrangement, outlets, cords_in16 or {}, rules, questions),
        *_holding(arrangement, anchored),
        *_blankets(moved, rules),
        *_tools(moved, bool(boxes), rules),
    ]
    return Kit(tuple(items), boxes, tuple(questions))


def boxes_for(smalls: Smalls, rules: KitRules | None = None) -> tuple[int, ...] | None:
    """How many things each box of them holds: zeros where only boxes were counted, None where neither was said or none fits one.

    Things are not cut: each box holds as many whole ones as its filled part takes, and as its weight limit allows.
    """
    rules = rules or KitRules()
    if smalls.count < 0 or (smalls.boxes or 0) < 0 or (smalls.volume_each_cuin or 0) < 0:
        raise ValueError("Things, boxes and volumes are zero or more.")
    if smalls.boxes is not None:
        return (0,) * smalls.boxes
    if smalls.count == 0:
        return ()
    each = smalls.volume_each_cuin
    if not each:
        return None
    per = math.floor(rules.box_cuin * (rules.fill_fragile if smalls.fragile else rules.fill) / each)
    if smalls.weight_each_oz:
        per = min(per, rules.box_limit_oz // smalls.weight_each_oz)
    if per < 1:
        return None
    full, rest = divmod(smalls.count, per)
    return (per,) * full + ((rest,) if rest else ())


def _boxes(arrangement: Arrangement, smalls: Sequence[Smalls], rules: KitRules, questions: list[str]) -> tuple[Box, ...]:
    packed: list[tuple[Smalls, str, int]] = []
    for one in smalls:
        on = arrangement.get(one.goes_on)
        if on is None and one.goes_on:
            questions.append(f"Say which piece of this set the smalls of {one.grouping} go on: {one.goes_on} is not in it.")
        name = on.piece.name if on else one.goes_on
        where = f"on {name}" if one.goes_on else "home"
        holds = boxes_for(one, rules)
        if holds is None and one.volume_each_cuin:
            questions.append(
                f"No box takes a thing of {one.grouping} that goes {where} ({one.volume_each_cuin} cu in. each). "
                "Bring larger boxes, or make each a piece of its own."
            )
        elif holds is None:
            questions.append(f"Say how large the smalls of {one.grouping} that go {where} are, or in how many boxes they go.")
        packed += [(one, name, count) for count in holds or ()]
    return tuple(
        Box(number, len(packed), one.grouping, one.goes_on, name, count, one.fragile)
        for number, (one, name, count) in enumerate(packed, start=1)
    )


def _pads(arrangement: Arrangement, feet: Mapping[str, int], rules: KitRules) -> Iterator[Item]:
    """One under every foot of whatever stands on another piece."""
    stacked = [one for one in arrangement.placed if one.on is not None]
    count = sum(feet.get(one.key, rules.feet) for one in stacked)
    if count:
        yield Item(
            FELT_PADS,
            count,
            f"one under every foot of {_count(len(stacked), 'stacked piece')}",
            tuple(one.key for one in stacked),
        )


def hooks_for(one: Placed, rules: KitRules | None = None) -> int:
    """Hooks of a wall piece: by its width, and by its weight where somebody weighed it."""
    rules = rules or KitRules()
    by_width = 2 if one.piece.width_in16 >= rules.two_hooks_in16 else 1
    return max(by_width, math.ceil(Fraction(one.piece.weight_oz or 0, rules.hook_limit_oz)))


def _hooks(arrangement: Arrangement, rules: KitRules, questions: list[str]) -> Iterator[Item]:
    hung = [one for one in arrangement.placed if one.piece.stands == "wall" and one.on is None]
    unweighed = [one.piece.name for one in hung if one.piece.weight_oz is None]
    if unweighed:
        questions.append(f"Weigh {joined(unweighed)}: hooks were counted by the width alone.")
    if hung:
        limit = format_weight(rules.hook_limit_oz)
        yield Item(
            HOOKS,
            sum(hooks_for(one, rules) for one in hung),
            f"for {_count(len(hung), 'wall piece')}, {limit} a hook",
            _keys(hung),
        )


@dataclass(frozen=True)
class Lead:
    """From an outlet to a piece: the lead it takes on top of its own cord; 0 where the cord is long enough."""

    outlet: int
    """Which of the outlets, from 0."""
    run_in16: int
    """Along the walls and up to the piece, with slack."""
    lead_in16: int


def lead_for(
    arrangement: Arrangement, key: str, cord_in16: int, outlets: Sequence[Point], rules: KitRules | None = None
) -> Lead | None:
    """The nearest outlet of a piece that needs a socket and its lead; None where there is no outlet or no lead long enough.

    A lead runs square to the walls, not slantwise over the floor, and never into another lead.
    """
    rules = rules or KitRules()
    if not outlets:
        return None
    one = arrangement[key]
    try:
        up = arrangement.bottom_in16(key)
    except ValueError:  # A stack in a circle: said where fit is judged.
        up = 0
    runs = [abs(one.x_in16 - x) + abs(one.y_in16 - y) + up + rules.slack_in16 for x, y in outlets]
    outlet = min(range(len(runs)), key=lambda n: runs[n])
    missing = runs[outlet] - cord_in16
    if missing <= 0:
        return Lead(outlet, runs[outlet], 0)
    long_enough = [length for length in sorted(rules.leads_in16) if length >= missing]
    return Lead(outlet, runs[outlet], long_enough[0]) if long_enough else None


def _leads(
    arrangement: Arrangement, outlets: Sequence[Point], cords_in16: Mapping[str, int], rules: KitRules, questions: list[str]
) -> Iterator[Item]:
    leads: dict[str, Lead] = {}
    for one in arrangement.placed:
        if one.key not in cords_in16:
            continue
        lead = lead_for(arrangement, one.key, cords_in16[one.key], outlets, rules)
        if lead is not None:
            leads[one.key] = lead
        elif outlets:
            longest = format_length(max(rules.leads_in16, default=0))
            questions.append(f"No lead of {longest} or less reaches {one.piece.name} from an outlet. Put it nearer to one.")
        else:
            questions.append(
                f"{one.piece.name} needs a socket and the booth has no outlet. Measure where one is, or leave it unlit."
            )
    for length in sorted({lead.lead_in16 for lead in leads.values()} - {0}):
        keys = tuple(key for key, lead in leads.items() if lead.lead_in16 == length)
        names = joined([arrangement[key].piece.name for key in keys])
        yield Item(f"extension leads of {format_length(length)}", len(keys), f"for {names}; never one lead into another", keys)
    crowded = [n for n, count in Counter(lead.outlet for lead in leads.values()).items() if count > rules.sockets]
    if crowded:
        keys = tuple(key for key, lead in leads.items() if lead.outlet in crowded)
        yield Item(POWER_STRIPS, len(crowded), f"more than {rules.sockets} pieces at one outlet; straight into the outlet", keys)


def _holding(arrangement: Arrangement, anchored: Collection[str]) -> Iterator[Item]:
    """What keeps pieces from tipping and sliding."""
    strapped = [one for one in arrangement.placed if one.key in anchored and not one.piece.leans]
    if strapped:
        yield Item(STRAPS, 2 * len(strapped), f"two for each of {joined([one.piece.name for one in strapped])}", _keys(strapped))
    leaning = [one for one in arrangement.placed if one.piece.leans]
    if leaning:
        names = joined([one.piece.name for one in leaning])
        yield Item(MATS, len(leaning), f"under the foot of {names}", _keys(leaning))
        yield Item("cords with hooks", len(leaning), f"to tie the top of {names}", _keys(leaning))
    glass = [one for one in arrangement.placed if one.piece.glass and one.on is not None]
    if glass:
        yield Item("packs of museum putty", 1, f"under {joined([one.piece.name for one in glass])}", _keys(glass))


def _blankets(moved: Sequence[Arrangement], rules: KitRules) -> Iterator[Item]:
    """One a piece that stands on the floor or leans, two for glass and for long ones; what leaves and what comes share them."""
    counts = []
    for arrangement in moved:
        wrapped = [one for one in arrangement.placed if one.piece.leans or (one.piece.stands == "floor") or one.piece.glass]
        count = sum(2 if one.piece.glass or _longest(one) > rules.two_blankets_in16 else 1 for one in wrapped)
        counts.append((count, _keys(wrapped)))
    count, keys = max(counts, key=lambda pair: pair[0])
    if count:
        yield Item(BLANKETS, count, "one a large piece, two for glass and for what is long", keys)


def _longest(one: Placed) -> int:
    return max(one.piece.width_in16, one.piece.depth_in16, one.piece.height_in16)


def _tools(moved: Sequence[Arrangement], packs: bool, rules: KitRules) -> Iterator[Item]:
    """Tools by what the set asks for, and what leaves."""
    arrangement = moved[0]
    everything = [one for each in moved for one in each.placed]
    if arrangement.placed:
        yield Item("tape measures", 1, "to set pieces where the plan has them")
    hung = [one for one in arrangement.placed if one.piece.stands == "wall" and one.on is None]
    if hung:
        yield Item("levels", 1, "for what hangs", _keys(hung))
        yield Item("hammers", 1, "for hooks", _keys(hung))
    heavy = [one for one in everything if (one.piece.weight_oz or 0) >= rules.dolly_oz]
    if heavy:
        yield Item("dollies", 1, f"for what weighs {format_weight(rules.dolly_oz)} or more", _keys(heavy))
    if any(one.how == "parts off" for each in everything for one in each.piece.carried):
        yield Item("sets of screwdrivers and wrenches", 1, "to take legs, mirrors and doors off; a bag for their screws")
    high = [one for each in moved for one in each.placed if _bottom(each, one) + one.piece.height_in16 > rules.ladder_in16]
    if high:
        yield Item("step ladders", 1, f"for what reaches above {format_length(rules.ladder_in16)}", _keys(high))
    if packs:
        yield Item("rolls of tape and a marker", 1, "to close and label boxes")


def _bottom(arrangement: Arrangement, one: Placed) -> int:
    try:
        return arrangement.bottom_in16(one.key)
    except ValueError:
        return 0


def _keys(placed: Iterable[Placed]) -> tuple[str, ...]:
    return tuple(one.key for one in placed)


def _count(count: int, noun: str) -> str:
    return f"1 {noun}" if count == 1 else f"{count} {noun}s"


@dataclass(frozen=True)
class Tagged:
    """A piece or small with its price; None: it has no tag."""

    key: str
    name: str
    grouping: str
    price_cents: int | None


@dataclass(frozen=True)
class Retag:
    key: str
    name: str
    grouping: str
    old_cents: int | None
    new_cents: int | None


@dataclass(frozen=True)
class Retags:
    """Tags to write and to take off, each list by grouping and then by name: written in one go, not piece by piece."""

    new: tuple[Retag, ...]
    repriced: tuple[Retag, ...]
    off: tuple[Retag, ...]

    @property
    def sentence(self) -> str:
        parts = [
            *([f"{len(self.new)} new"] if self.new else []),
            *([f"{len(self.repriced)} with another price"] if self.repriced else []),
        ]
        write = f"{_count(len(self.new) + len(self.repriced), 'tag')} to write: {joined(parts)}." if parts else "No tag to write."
        return f"{write} {_count(len(self.off), 'tag')} to take off." if self.off else write


def retags(before: Iterable[Tagged], after: Iterable[Tagged]) -> Retags:
    """What is tagged anew, repriced, and no longer tagged. A piece that leaves the set keeps its tag."""
    old = {one.key: one.price_cents for one in before}
    rows = [Retag(one.key, one.name, one.grouping, old.get(one.key), one.price_cents) for one in after]
    rows = sorted((row for row in rows if row.old_cents != row.new_cents), key=lambda row: (row.grouping, row.name, row.key))
    return Retags(
        tuple(row for row in rows if row.old_cents is None),
        tuple(row for row in rows if row.old_cents is not None and row.new_cents is not None),
        tuple(row for row in rows if row.new_cents is None),
    )
