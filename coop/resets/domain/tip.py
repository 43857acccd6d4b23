"""What may tip over: one piece or a stack, by its height, a tilt, a pull, an opened drawer; what leans; glass near an edge.

The statics are those of a stiff body that turns over an edge of its base; each piece's weight is taken to be in its middle.
Lengths are sixteenths of an inch, weights ounces; pulls are pounds-force, level, at right angles to the edge. `CAUTION` stands
beside every figure from here.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from coop.core.geometry import IN16_PER_INCH, format_length
from coop.core.words import joined
from coop.resets.domain.finding import Finding, finding
from coop.resets.domain.piece import Arrangement, Piece, Placed
from coop.resets.domain.weight import OZ_PER_LB, format_weight

PRACTICE = "common practice, no source"
CLOTHING_STORAGE = "ASTM F2057-23, 1.1, which 16 CFR 1261 makes binding for makers"
LEAN_SOURCE = "one in four: 29 CFR 1926.1053(b)(5)(i), of ladders; one in ten: common practice, no source"

CLOTHING_HEIGHT_IN16 = 27 * IN16_PER_INCH
CLOTHING_WEIGHT_OZ = 30 * OZ_PER_LB
CLOTHING_VOLUME_CUFT = Fraction(32, 10)
_IN16_CUBED_PER_CUFT = (12 * IN16_PER_INCH) ** 3

LEAN_UPRIGHT, LEAN_FLAT = Fraction(1, 10), Fraction(1, 4)
"""How far the foot of what leans stands out, at least and at most, as a part of its height."""


@dataclass(frozen=True)
class Limits:
    """From where on something is told. Each is common practice without a source, and a setting."""

    ratio: Fraction = Fraction(4)
    """Height over the shorter side of the base, or more. Steel racks are asked to be held from 6 on (ANSI MH16.1)."""
    tilt_deg: float = 10
    """Tips at a tilt below this."""
    pull_lbf: Fraction = Fraction(20)
    """Tips at a pull below this, of what weighs 30 lb or more."""
    pull_at_in16: int = 60 * IN16_PER_INCH
    """Where somebody pulls; lower where the piece itself is lower."""
    opened_share: Fraction = Fraction(2, 5)
    """Of a piece's weight that comes out when all its doors or drawers stand open, by half of what they open."""
    glass_edge_in16: int = 2 * IN16_PER_INCH
    glass_high_in16: int = 60 * IN16_PER_INCH


def tipping_pull_lbf(weight_oz: int, arm_in16: Fraction | int, at_in16: int) -> Fraction:
    """The level pull at a height that lifts the far edge: W a / h, a from the middle of the weight to the edge it turns over."""
    return Fraction(weight_oz, OZ_PER_LB) * Fraction(arm_in16) / at_in16


def tipping_angle_deg(arm_in16: float, centre_up_in16: float) -> float:
    """The tilt past which it falls: its middle is over the edge."""
    return math.degrees(math.atan2(arm_in16, centre_up_in16))


def is_clothing_storage(piece: Piece, *, closed_in16_cubed: int | None = None, free_standing: bool = True) -> bool | None:
    """Whether a piece with doors or drawers is as large as the standard of clothing storage units begins at.

    None where it is large enough and nobody weighed it. Without `closed_in16_cubed` (its closed space) its outside counts, which
    is more.
    """
    volume = piece.width_in16 * piece.depth_in16 * piece.height_in16 if closed_in16_cubed is None else closed_in16_cubed
    large = piece.height_in16 >= CLOTHING_HEIGHT_IN16 and Fraction(volume, _IN16_CUBED_PER_CUFT) >= CLOTHING_VOLUME_CUFT
    if not (free_standing and large):
        return False
    return None if piece.weight_oz is None else piece.weight_oz >= CLOTHING_WEIGHT_OZ


@dataclass(frozen=True)
class Balance:
    """A piece on the floor and all that stands on it, as one body."""

    foot: Placed
    above: tuple[tuple[Placed, int], ...]
    """What stands on it, with the height of each one's bottom."""
    weight_oz: int
    centre_up_in16: Fraction
    front_in16: Fraction
    """From the middle of the weight forward to the front edge of its base; below zero it stands beyond it."""
    nearest_in16: Fraction
    """To the nearest of the four edges."""
    opened_in16: Fraction
    """To the front edge with everything open."""
    top_in16: int

    @property
    def keys(self) -> tuple[str, ...]:
        return (self.foot.key, *(one.key for one, _ in self.above))

    @property
    def ratio(self) -> Fraction:
        return Fraction(self.top_in16, min(self.foot.piece.width_in16, self.foot.piece.depth_in16))

    @property
    def tilt_deg(self) -> float:
        return tipping_angle_deg(float(self.nearest_in16), float(self.centre_up_in16))

    def pull_at_in16(self, limits: Limits) -> int:
        return min(limits.pull_at_in16, self.foot.piece.height_in16)

    def pull_lbf(self, limits: Limits, *, opened: bool = False) -> Fraction:
        """Over its nearest edge, or forward with everything open, at the height somebody pulls; zero or less falls by itself."""
        arm = min(self.opened_in16, self.nearest_in16) if opened else self.nearest_in16
        return tipping_pull_lbf(self.weight_oz, arm, self.pull_at_in16(limits))


def stacked(arrangement: Arrangement, key: str) -> tuple[tuple[Placed, int], ...]:
    """Everything that stands on a piece, directly or not, with the height of its bottom above the floor, from below upwards."""
    return tuple(_stacked(arrangement, arrangement[key], arrangement[key].piece.height_in16, {key}))


def _stacked(arrangement: Arrangement, below: Placed, up_in16: int, seen: set[str]) -> Iterator[tuple[Placed, int]]:
    for one in arrangement.standing_on(below.key):
        if one.key not in seen:
            seen.add(one.key)
            yield one, up_in16
            yield from _stacked(arrangement, one, up_in16 + one.piece.height_in16, seen)


def unweighed(arrangement: Arrangement, key: str) -> tuple[Placed, ...]:
    """Of a floor piece and what stands on it, what nobody weighed."""
    together = (arrangement[key], *(one for one, _ in stacked(arrangement, key)))
    return tuple(one for one in together if one.piece.weight_oz is None)


def balance(arrangement: Arrangement, key: str, limits: Limits | None = None) -> Balance | None:
    """How a floor piece stands with what stands on it; None where something of it was not weighed or all of it weighs nothing."""
    limits = limits or Limits()
    foot, above = arrangement[key], stacked(arrangement, key)
    weight = foot.piece.weight_oz
    total = sum((one.piece.weight_oz or 0) for one, _ in above) + (weight or 0)
    if weight is None or unweighed(arrangement, key) or total == 0:
        return None
    moment = Fraction(weight * foot.piece.height_in16, 2)
    forward = side = Fraction(0)
    turn = math.radians(foot.turn_deg)
    for one, up_in16 in above:
        each = one.piece.weight_oz or 0
        moment += each * (up_in16 + Fraction(one.piece.height_in16, 2))
        dx, dy = one.x_in16 - foot.x_in16, one.y_in16 - foot.y_in16
        # The front looks along +y and turns clockwise on a drawing whose y runs down.
        forward += each * Fraction(round(dy * math.cos(turn) - dx * math.sin(turn)))
        side += each * Fraction(round(dx * math.cos(turn) + dy * math.sin(turn)))
    front = Fraction(foot.piece.depth_in16, 2) - forward / total
    back = Fraction(foot.piece.depth_in16, 2) + forward / total
    beside = Fraction(foot.piece.width_in16, 2) - abs(side) / total
    out = limits.opened_share * weight * Fraction(foot.piece.opens_in16, 2) / total
    top = max([foot.piece.height_in16, *(up + one.piece.height_in16 for one, up in above)])
    return Balance(foot, above, total, moment / total, front, min(front, back, beside), front - out, top)


@dataclass(frozen=True)
class Lean:
    """Something that leans, by its height along itself and how far its foot stands out from what it leans on."""

    height_in16: int
    foot_out_in16: int

    @property
    def angle_deg(self) -> float:
        """From the vertical."""
        return math.degrees(math.asin(min(1.0, self.foot_out_in16 / self.height_in16)))

    @property
    def grip(self) -> float:
        """Friction its foot needs on the floor, against a smooth wall: half the tangent of its angle (statics, derived)."""
        return math.tan(math.radians(self.angle_deg)) / 2

    def pull_lbf(self, weight_oz: int) -> float:
        """The level pull at its top that takes it off the wall: W tan / 2 (statics, derived)."""
        return weight_oz / OZ_PER_LB * self.grip


def lean_range_in16(height_in16: int) -> tuple[int, int]:
    """How far the foot of what leans should stand out, at least and at most, in whole sixteenths on the safe side."""
    return math.ceil(height_in16 * LEAN_UPRIGHT), math.floor(height_in16 * LEAN_FLAT)


def checks(
    arrangement: Arrangement,
    *,
    anchored: Collection[str] = frozenset(),
    feet_out_in16: Mapping[str, int] | None = None,
    limits: Limits | None = None,
) -> tuple[Finding, ...]:
    """What of a set may tip, leans badly, or is glass too near an edge, in the order of its pieces. None of it stops a set.

    `anchored`: keys of what is fastened to a wall or tied. `feet_out_in16`: of what leans, how far its foot stands out.
    """
    limits = limits or Limits()
    feet_out_in16 = feet_out_in16 or {}
    found: list[Finding] = []
    for one in arrangement.placed:
        if one.piece.leans:
            found += _leaning(one, feet_out_in16.get(one.key), one.key in anchored)
        elif one.on is None and one.piece.stands != "wall" and not one.up_in16:
            found += _standing(arrangement, one, one.key in anchored, limits)
        if one.on is not None and one.piece.glass and one.key not in anchored:
            found += _glass(arrangement, one, limits)
    return tuple(found)


def _standing(arrangement: Arrangement, one: Placed, anchored: bool, limits: Limits) -> Iterator[Finding]:
    """Of a floor piece with what stands on it."""
    for below, above in _heavier(arrangement, one):
        weights = f"{format_weight(above.piece.weight_oz or 0)} on {format_weight(below.piece.weight_oz or 0)}"
        yield finding(
            "may tip",
            f"{above.piece.name} is heavier than {below.piece.name} under it ({weights}). Put the heaviest at the bottom.",
            (above.key, below.key),
            above.footprint,
            stops=False,
            source=PRACTICE,
        )
    if anchored:
        return
    top = max([one.piece.height_in16, *(up + above.piece.height_in16 for above, up in stacked(arrangement, one.key))])
    if top >= CLOTHING_HEIGHT_IN16:
        missing = unweighed(arrangement, one.key)
        if missing:
            names = joined([each.piece.name for each in missing])
            yield finding(
                "not weighed",
                f"Weigh {names}: without {'its weight' if len(missing) == 1 else 'their weights'} nothing is said of whether "
                f"{one.piece.name} tips.",
                [each.key for each in missing],
                one.footprint,
                stops=False,
            )
        yield from _tipping(arrangement, one, top, limits)
    if one.piece.opens_in16 and is_clothing_storage(one.piece):
        yield finding(
            "may tip",
            f"{one.piece.name} has doors or drawers and is as large as the standard of clothing storage units begins at "
            f"(27 in. high, 30 lb, 3.2 cu ft; its outside was counted). Anchor it to a wall, and sell it with what anchors it.",
            (one.key,),
            one.footprint,
            stops=False,
            source=CLOTHING_STORAGE,
        )


def _heavier(arrangement: Arrangement, foot: Placed) -> Iterator[tuple[Placed, Placed]]:
    """Pairs of a stack where what is above is heavier than what it stands on."""
    for above, _ in stacked(arrangement, foot.key):
        below = arrangement[above.on] if above.on else foot
        if above.piece.weight_oz and below.piece.weight_oz is not None and above.piece.weight_oz > below.piece.weight_oz:
            yield below, above


def _tipping(arrangement: Arrangement, one: Placed, top_in16: int, limits: Limits) -> Iterator[Finding]:
    """One finding of all the ways in which it may tip."""
    ratio = Fraction(top_in16, min(one.piece.width_in16, one.piece.depth_in16))
    reasons = []
    if ratio >= limits.ratio:
        base = format_length(min(one.piece.width_in16, one.piece.depth_in16))
        reasons.append(f"it is {format_length(top_in16)} high on a base of {base}, {_tenth(ratio)} to 1")
    whole = balance(arrangement, one.key, limits)
    if whole is not None:
        reasons += _weighed_reasons(whole, limits)
    if reasons:
        on_it = [above.piece.name for above, _ in stacked(arrangement, one.key)]
        with_it = f" with {joined(on_it)} on it" if on_it else ""
        mend = "Anchor or strap it to a wall, put the heaviest at the bottom" + (", take down what stands on it" if on_it else "")
        yield finding(
            "may tip",
            f"{one.piece.name}{with_it} may tip: {joined(reasons)}. {mend}, or keep it out of reach.",
            (one.key, *(above.key for above, _ in stacked(arrangement, one.key))),
            one.footprint,
            measured_in16=top_in16,
            required_in16=math.ceil(min(one.piece.width_in16, one.piece.depth_in16) * limits.ratio) - 1,
            stops=False,
            source=PRACTICE,
        )


def _weighed_reasons(whole: Balance, limits: Limits) -> Iterator[str]:
    if whole.nearest_in16 <= 0:
        yield "the middle of its weight is not over its base"
        return
    if whole.tilt_deg < limits.tilt_deg:
        yield f"it falls past a tilt of {whole.tilt_deg:.1f} degrees"
    if whole.opened_in16 <= 0:
        yield "it falls forward by itself when everything is open"
        return
    if whole.weight_oz < CLOTHING_WEIGHT_OZ:
        return
    at = format_length(whole.pull_at_in16(limits))
    closed, opened = whole.pull_lbf(limits), whole.pull_lbf(limits, opened=True)
    if closed < limits.pull_lbf:
        yield f"a pull of {_tenth(closed)} lb at {at} is enough"
    elif opened < limits.pull_lbf:
        yield f"with everything open a pull of {_tenth(opened)} lb at {at} is enough"


def _tenth(value: Fraction) -> str:
    """To a tenth, rounded down: a pull that is enough is never told as more than it is."""
    tenths = math.floor(value * 10)
    return f"{tenths // 10}.{tenths % 10}"


def _leaning(one: Placed, foot_out_in16: int | None, tied: bool) -> Iterator[Finding]:
    least, most = lean_range_in16(one.piece.height_in16)
    name = one.piece.name
    hold = "a mat that does not slip under its foot, and a cord or hook at its top"
    if foot_out_in16 is not None and foot_out_in16 < least:
        said = f"{name} stands too upright: its foot is {format_length(foot_out_in16)} out, and a touch takes it off the wall."
    elif foot_out_in16 is not None and foot_out_in16 > most:
        said = f"{name} leans too flat: its foot is {format_length(foot_out_in16)} out, and it may slide."
    elif foot_out_in16 is None or not tied:
        pull = ""
        if foot_out_in16 is not None and one.piece.weight_oz is not None:
            lbf = Lean(one.piece.height_in16, foot_out_in16).pull_lbf(one.piece.weight_oz)
            pull = f" A pull of {lbf:.1f} lb at its top takes it off the wall."
        said = f"{name} leans.{pull}"
    else:
        return
    yield finding(
        "leans badly",
        f"{said} Set its foot {format_length(least)} to {format_length(most)} out, with {hold}.",
        (one.key,),
        one.footprint,
        measured_in16=foot_out_in16,
        required_in16=most if foot_out_in16 is not None and foot_out_in16 > most else least,
        stops=False,
        source=LEAN_SOURCE,
    )


def _glass(arrangement: Arrangement, one: Placed, limits: Limits) -> Iterator[Finding]:
    """Glass that stands on another piece: near its edge, or high."""
    below = arrangement.get(one.on or "")
    if below is None:
        return
    edge = below.footprint.exterior.distance(one.footprint) if below.footprint.contains(one.footprint) else 0
    try:
        up_in16 = arrangement.bottom_in16(one.key)
    except ValueError:  # A stack in a circle: said where fit is judged.
        return
    if edge < limits.glass_edge_in16:
        said = f"{one.piece.name} is glass and stands {format_length(math.floor(edge))} from the edge of {below.piece.name}"
    elif up_in16 > limits.glass_high_in16:
        said = f"{one.piece.name} is glass and stands {format_length(up_in16)} up"
    else:
        return
    yield finding(
        "glass",
        f"{said}. Move it in or lower, and hold it with museum putty or a mat.",
        (one.key, below.key),
        one.footprint,
        measured_in16=math.floor(edge),
        required_in16=limits.glass_edge_in16,
        stops=False,
        source=PRACTICE,
    )
