"""Whether a piece may stand in a bay, why not, and what is said of a piece that is tall, slender, glass, heavy or not weighed.

Reasons are phrases that complete the piece's name: `Oak hutch` `is 2' 4" deep and the bay 1' 10".` All rules of what may stand
where are the co-op's own (`PieceRules`, common practice, no source). `CAUTION` stands wherever they are shown.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from coop.core.geometry import format_length
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.piece import AskedPiece, PieceRules

CAUTION = (
    "For planning only: it goes by what was measured and typed. Local codes, the fire marshal and licensed people decide what "
    "may stand in an aisle. Get help with anything heavy, tall, unstable or glass."
)

OZ_PER_LB = 16
ONE_PERSON_OZ = 51 * OZ_PER_LB
"""The load constant of the revised lifting equation, DHHS (NIOSH) 94-110: at best, one person lifts no more."""

_ASK = "ask the manager for floor elsewhere"


@dataclass(frozen=True)
class Stand:
    """How a piece stands in a bay: how much of it along the bay, without the gap beside it, and how far into the aisle."""

    length_in16: int
    depth_in16: int
    turned: bool


def may_stand(
    piece: AskedPiece, bay: Bay, rules: PieceRules, *, holds_before: bool, depth_in16: int | None = None
) -> Stand | str:
    """How it stands there, turned only where it does not fit otherwise; or the first reason why it may not.

    `holds_before`: its dealer holds the space behind the bay. `depth_in16`: how deep the bay may be used, where that is less.
    """
    depth = bay.depth_in16 if depth_in16 is None else depth_in16
    if refused := _nowhere_at_all(piece, rules):
        return refused
    if bay.backing != "wall" and (why := _needs_wall(piece, rules)):
        return f"{why}, and there is none behind this bay."
    if not holds_before and _hides(piece, bay, rules):
        return f"{_before(piece, rules)} ({bay.before})."
    for stand in _ways(piece):
        if _fits(stand, bay, rules, depth):
            return stand
    return _too_large(piece, bay, rules, depth)


def nowhere(piece: AskedPiece, bays: Sequence[Bay], rules: PieceRules, held: Container[str]) -> str | None:
    """Why it may stand in no bay of the mall, by the rule that is nearest to letting it; None where some bay would do.

    `held`: codes of the spaces its dealer holds.
    """
    if not bays:
        return f"has no place: no floor is lent in the aisles; {_ASK}."
    if any(isinstance(may_stand(piece, bay, rules, holds_before=bay.before in held), Stand) for bay in bays):
        return None
    if refused := _nowhere_at_all(piece, rules):
        return f"{refused.removesuffix('.')}; {_ASK}."
    large = [bay for bay in bays if any(_fits(stand, bay, rules) for stand in _ways(piece))]
    if not large:
        return _larger_than_all(piece, bays, rules)
    why = _needs_wall(piece, rules)
    if why and not any(bay.backing == "wall" for bay in large):
        return f"{why}, and no bay that is large enough has one behind it; {_ASK}."
    return f"{_before(piece, rules)}, and every bay it would fit is before one; {_ASK}."


def kept_out_by(piece: AskedPiece, bays: Sequence[Bay], rules: PieceRules) -> str:
    """Of a piece that may stand in no bay (`nowhere`), which of its fields is the one to mend."""
    if piece.height_in16 > rules.highest_in16:
        return "height_in16"
    if piece.glass and rules.glass == "nowhere":
        return "glass"
    large = [bay for bay in bays if any(_fits(stand, bay, rules) for stand in _ways(piece))]
    if not large:
        return "width_in16" if any(piece.depth_in16 <= bay.depth_in16 for bay in bays) else "depth_in16"
    is_high = piece.height_in16 > rules.wall_above_in16 or piece.slenderness >= rules.tips_from
    needs_wall = piece.glass and rules.glass == "at a wall" and not any(bay.backing == "wall" for bay in large)
    return "glass" if needs_wall and not is_high else "height_in16"


def cautions(piece: AskedPiece, rules: PieceRules) -> tuple[str, ...]:
    """Sentences that a page shows beside a piece, `CAUTION` not among them; none for a small, light one that was weighed."""
    return (*_standing_cautions(piece, rules), *_lifting_cautions(piece))


def taking_cautions(piece: AskedPiece, rules: PieceRules) -> tuple[str, ...]:
    """As `cautions`, of a piece that is to be taken from where it stands and is fastened nowhere any more."""
    held = "empty it, let a second person hold it before it is loosened from a wall, and do not carry it alone."
    is_high = piece.height_in16 > rules.wall_above_in16
    high = f"It is {_slender(piece)}, and tips easily" if piece.slenderness >= rules.tips_from else ""
    high = high or (f"It is {format_length(piece.height_in16)} high" if is_high else "")
    return (*((f"{high}: {held}",) if high else ()), *_lifting_cautions(piece))


def _standing_cautions(piece: AskedPiece, rules: PieceRules) -> Iterator[str]:
    if piece.height_in16 > rules.wall_above_in16:
        yield f"It is {format_length(piece.height_in16)} high: fasten it to the wall behind it before anything is put on it."
    if piece.slenderness >= rules.tips_from:
        yield f"It is {_slender(piece)}: it tips easily. Fasten it to a wall, the heaviest at the bottom."


def _lifting_cautions(piece: AskedPiece) -> Iterator[str]:
    if piece.glass:
        yield "It has glass: move it with a second person, and put nothing on the glass."
    if piece.weight_oz is None:
        yield "Nobody weighed it: take it to be heavy, and do not lift it alone."
    elif piece.weight_oz > ONE_PERSON_OZ:
        yield (
            f"It weighs {_pounds(piece.weight_oz)}: lift it with more than one person. One alone lifts 51 lb at best "
            "(the load constant of DHHS (NIOSH) 94-110)."
        )


def _ways(piece: AskedPiece) -> Iterator[Stand]:
    yield Stand(piece.width_in16, piece.depth_in16, turned=False)
    if piece.may_turn:
        yield _turned(piece)


def _turned(piece: AskedPiece) -> Stand:
    return Stand(piece.depth_in16, piece.width_in16, turned=True)


def _fits(stand: Stand, bay: Bay, rules: PieceRules, depth_in16: int | None = None) -> bool:
    depth = bay.depth_in16 if depth_in16 is None else depth_in16
    return stand.depth_in16 <= depth and stand.length_in16 + rules.gap_in16 <= bay.length_in16


def _nowhere_at_all(piece: AskedPiece, rules: PieceRules) -> str:
    if piece.height_in16 > rules.highest_in16:
        highest = format_length(rules.highest_in16)
        return f"is {format_length(piece.height_in16)} high, and nothing higher than {highest} stands in an aisle."
    if piece.glass and rules.glass == "nowhere":
        return "has glass, and no glass stands in an aisle."
    return ""


def _needs_wall(piece: AskedPiece, rules: PieceRules) -> str:
    """Why it stands at a wall only, or nothing."""
    if piece.height_in16 > rules.wall_above_in16:
        above = format_length(rules.wall_above_in16)
        return f"is {format_length(piece.height_in16)} high; higher than {above} it stands at a wall only, fastened to it"
    if piece.slenderness >= rules.tips_from:
        tips = f"from {_tenth(rules.tips_from)} to 1 on it tips easily"
        return f"is {_slender(piece)}; {tips} and stands at a wall only, fastened to it"
    if piece.glass and rules.glass == "at a wall":
        return "has glass, which stands at a wall only"
    return ""


def _hides(piece: AskedPiece, bay: Bay, rules: PieceRules) -> bool:
    return bool(bay.before) and piece.height_in16 > rules.before_in16


def _before(piece: AskedPiece, rules: PieceRules) -> str:
    most = format_length(rules.before_in16)
    return f"is {format_length(piece.height_in16)} high; nothing higher than {most} stands before another dealer's booth"


def _too_large(piece: AskedPiece, bay: Bay, rules: PieceRules, depth_in16: int) -> str:
    if piece.depth_in16 > depth_in16:
        said = f"is {format_length(piece.depth_in16)} deep and the bay {format_length(depth_in16)}"
    else:
        said = f"is {format_length(piece.width_in16)} wide and the bay {format_length(bay.length_in16)} long{_beside(rules)}"
    if piece.may_turn:
        return f"{said}; turned it does not fit either."
    return f"{said}. Turned it would fit: say that it may be." if _fits(_turned(piece), bay, rules, depth_in16) else f"{said}."


def _larger_than_all(piece: AskedPiece, bays: Sequence[Bay], rules: PieceRules) -> str:
    deepest = max(bay.depth_in16 for bay in bays)
    wide, deep = f"is {format_length(piece.width_in16)} wide and", f"{format_length(piece.depth_in16)} deep"
    # Of the ways in which some bay is deep enough, the one that wants the least length.
    short = [
        (stand.length_in16 - bay.length_in16, stand.turned, bay.length_in16)
        for stand in _ways(piece)
        for bay in bays
        if stand.depth_in16 <= bay.depth_in16
    ]
    if short:
        _, is_turned, longest = min(short)
        way = "turned, " if is_turned else ""
        said = f"{wide} {deep}; {way}the longest bay that is deep enough is {format_length(longest)} long{_beside(rules)}"
    else:
        said = f"{wide if piece.may_turn else 'is'} {deep}; the deepest bay is {format_length(deepest)} deep"
    if not piece.may_turn and any(_fits(_turned(piece), bay, rules) for bay in bays):
        return f"{said}; {_ASK}, or say that it may be turned: then it would fit."
    return f"{said}; {_ASK}."


def _beside(rules: PieceRules) -> str:
    return f", {format_length(rules.gap_in16)} to be kept free beside it" if rules.gap_in16 else ""


def _slender(piece: AskedPiece) -> str:
    base = format_length(min(piece.width_in16, piece.depth_in16))
    return f"{format_length(piece.height_in16)} high on a base of {base}, {_tenth(piece.slenderness)} to 1"


def _tenth(value: Fraction) -> str:
    tenths = math.floor(value * 10)
    return f"{tenths // 10}.{tenths % 10}" if tenths % 10 else f"{tenths // 10}"


def _pounds(weight_oz: int) -> str:
    pounds, ounces = divmod(weight_oz, OZ_PER_LB)
    return f"{pounds} lb {ounces} oz" if ounces else f"{pounds} lb"
