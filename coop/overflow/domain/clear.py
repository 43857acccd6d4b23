"""What pieces standing in bays spoil, and what must move when the plan, an opening or a required width has changed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import shapely
from shapely.geometry import Polygon

from coop.floor.domain.finding import Finding, length
from coop.floor.domain.findings import newly_spoiled, ways_findings
from coop.floor.domain.plan import Aisle, Outline, Plan
from coop.floor.domain.walkable import Geometry, Walkable
from coop.overflow.domain.across import NEAR_IN16, Stood, closed_up, edge_between
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.keepouts import Opening, keepouts
from coop.overflow.domain.lent import BayRules, Lent


@dataclass(frozen=True)
class Standing:
    """A piece as it stands; its first two corners are its back (`Bay.stretch`). A lower `since` has stood there longer.

    `bay` is the code of the bay in which it was given floor.
    """

    key: str
    name: str
    outline: Outline
    since: int
    bay: str = ""


@dataclass(frozen=True)
class MustMove:
    """`reason` is a sentence: what is in its way and what is required; `aisle` is the one whose clear width is, "" for none."""

    key: str
    name: str
    reason: str
    aisle: str = ""
    bay: str = ""


def spoiled(plan: Plan, standing: Mapping[str, Outline], bays: Sequence[Bay] = ()) -> list[Finding]:
    """What pieces, by their keys, spoil in the whole mall.

    Gaps beside a piece that are no way count as covered. Where something is found, the bays of the plan in which pieces stand
    are taken for full: what spoils nothing then spoils nothing now, for the pieces take less, and floor between them is no way.
    """
    return _Mall(plan, bays).spoiled(standing.values())


def must_move(
    plan: Plan, openings: Iterable[Opening], rules: BayRules, standing: Sequence[Standing], bays: Sequence[Bay]
) -> list[MustMove]:
    """Each piece that may not stand where it is any more, in the order given. What has stood longest stays if anything can.

    `bays` are those of the plan as it is today. Of what is left, nothing spoils anything.
    """
    mall = _Mall(plan, bays)
    own = _own_faults(mall, openings, rules, standing, bays)
    reasons = dict(own)
    rest = sorted((s for s in standing if s.key not in own), key=lambda s: (s.since, s.key))
    while found := mall.spoiled(s.outline for s in rest):
        # The last comer of the fewest that spoil something: those before it do not.
        low, high = 0, len(rest)
        while high - low > 1:
            middle = (low + high) // 2
            spoils = mall.spoiled(s.outline for s in rest[:middle])
            low, high, found = (low, middle, spoils) if spoils else (middle, high, found)
        last = rest.pop(high - 1)
        sentence, aisle = found[0].sentence, found[0].parts[0].code if found[0].kind == "aisle_narrow" else ""
        reasons[last.key] = f"With {last.name} in place: {sentence[0].lower()}{sentence[1:]}", aisle
    return [MustMove(s.key, s.name, *reasons[s.key], s.bay) for s in standing if s.key in reasons]


@lru_cache(maxsize=4)
def _bare(plan: Plan) -> tuple[Stood, tuple[Finding, ...]]:
    """A plan without pieces, judged: kept, for a draft asks for a few plans many times."""
    return Stood(Walkable(plan)), tuple(ways_findings(plan))


class _Mall:
    """A plan judged once, and again with pieces in it."""

    def __init__(self, plan: Plan, bays: Sequence[Bay]) -> None:
        self.plan = plan
        self.stood, self._before = _bare(plan)
        self._bays = [(bay.corners, _grown(bay)) for bay in bays]

    def spoiled(self, pieces: Iterable[Outline]) -> list[Finding]:
        standing = list(pieces)
        found = self._spoiled(standing)
        return found if not self._bays or (found and self._spoiled(map(self._full, standing))) else []

    def _spoiled(self, outlines: Iterable[Outline]) -> list[Finding]:
        covered = closed_up(self.stood, dict.fromkeys(outlines))
        return newly_spoiled(self._before, ways_findings(self.plan, covered)) if covered else []

    def _full(self, piece: Outline) -> Outline:
        """The bay a piece stands in; of none, the piece."""
        shape = Polygon(piece)
        return next((corners for corners, room in self._bays if room.covers(shape)), piece)


def _grown(bay: Bay) -> Geometry:
    """By what rounding may take of two corners."""
    return Polygon(bay.corners).buffer(NEAR_IN16, join_style="mitre")


# --- of one piece -------------------------------------------------------------------------------------------------------


def _own_faults(
    mall: _Mall, openings: Iterable[Opening], rules: BayRules, standing: Sequence[Standing], bays: Sequence[Bay]
) -> dict[str, tuple[str, str]]:
    """By key, why a piece may not stand where it is, whatever else stands anywhere, and the aisle whose width that is about."""
    kept = keepouts(mall.stood.walkable, openings, rules.entry_in16)
    tree = shapely.STRtree([k.shape for k in kept])
    lent = Lent(mall.stood, (), rules)
    rooms = shapely.STRtree([_grown(bay) for bay in bays])
    faults = {}
    for piece in standing:
        shape = Polygon(piece.outline)
        core = shape.buffer(-NEAR_IN16, join_style="mitre")
        before = [kept[n] for n in sorted(tree.query(core, predicate="intersects").tolist())]
        in_way = mall.stood.in_way(core)
        aisles = [one.code for one in mall.plan.aisles if _is_in(one, shape)]
        said, aisle = "", ""
        if in_way:
            said = f"{piece.name} stands where {in_way} is drawn: move it."
        elif narrow := _too_wide(mall.plan, lent, piece, shape):
            said, aisle = narrow
        elif before:
            said = f"{piece.name} stands within {before[0].said}, which must stay free: move it."
            aisle = aisles[0] if aisles and before[0].is_width else ""
        elif not len(rooms.query(shape, predicate="covered_by")):
            if aisles and not any(bay.aisle in aisles for bay in bays):
                said, aisle = f"{piece.name} stands where no floor is lent any more, in aisle {aisles[0]}: move it.", aisles[0]
            else:
                said = f"{piece.name} stands wholly within no bay there is now: move it into one."
        if said:
            faults[piece.key] = said, aisle
    return faults


def _is_in(aisle: Aisle, shape: Geometry) -> bool:
    return bool(Polygon(aisle.outline).intersection(shape).area > shape.area / 2)


def _too_wide(plan: Plan, lent: Lent, piece: Standing, shape: Geometry) -> tuple[str, str] | None:
    """What a piece leaves of the clear width of an aisle it stands in, and which, where that is too little."""
    a, b, _, d = piece.outline
    edge = edge_between(a, b, d)
    deep: Any = edge.seen(shape).bounds[3]
    for aisle in plan.aisles:
        if not _is_in(aisle, shape):
            continue
        across = min((s.across for s in lent.along(edge, aisle)), default=0)
        left, required = across - deep, lent.required(aisle)
        if left < required:
            clear = (
                f"leaves {length(left)} of the {length(required)}" if left > 0 else f"leaves nothing of the {length(required)}"
            )
            return f"{piece.name} {clear} that aisle {aisle.code} must keep clear: move it.", aisle.code
    return None
