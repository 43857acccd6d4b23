"""What stands on what: circles, missing carriers, loads, tops that are too small, weights nobody knows."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

import numpy as np
import shapely

from coop.resets.domain.finding import Finding, finding
from coop.resets.domain.fit.scene import HAIR_IN16, Scene, amount, length, listed
from coop.resets.domain.piece import Placed
from coop.resets.domain.weight import format_weight


def stack_findings(scene: Scene) -> Iterator[Finding]:
    for circle in scene.circles:
        names = [scene.names[key] for key in circle]
        on = " on ".join([*names, names[0]]) if len(names) > 1 else f"{names[0]} on itself"
        sentence = f"Stacks go round in a circle: {on}; put one of them on the floor."
        at = scene.arrangement[circle[0]].footprint
        yield finding("stack circle", sentence, circle, at)
    yield from _unsupported(scene)
    yield from _loads(scene)
    yield from _overhangs(scene)


def _unsupported(scene: Scene) -> Iterator[Finding]:
    for n, one in enumerate(scene.placed):
        if one.on is not None and one.on not in scene.arrangement:
            said = "is to stand on a piece that is not in this set; put it on another piece or bring that one into the set"
        elif one.on is None and one.piece.stands == "table":
            said = "is a table-top piece and stands on the floor; put it on another piece"
        elif one.on is None and one.piece.stands == "floor" and one.up_in16 > 0:
            said = f"is {length(one.up_in16)} above the floor with nothing below it; put it on the floor or on another piece"
        else:
            continue
        yield finding("nothing below", f"{scene.name(n)} {said}.", [one.key], scene.shapes[n])


def above(scene: Scene, key: str) -> list[Placed]:
    """Everything that stands on a piece, on itself and on what stands on it."""
    found, todo = [], [key]
    while todo:
        on = scene.carried_by.get(todo.pop(), [])
        found += on
        todo += [one.key for one in on]
    return found


def _loads(scene: Scene) -> Iterator[Finding]:
    """`carries_oz` against everything that stands on a piece. A load over it is told though more is not weighed."""
    for key in sorted(scene.carried_by, key=lambda k: scene.index[k]):
        carrier, load = scene.arrangement[key], above(scene, key)
        keys = [key, *(one.key for one in load)]
        names = listed([scene.names[one.key] for one in load])
        name, at = scene.names[key], scene.shapes[scene.index[key]]
        if carrier.piece.carries_oz is None:
            direct = scene.carried_by[key]
            which = listed([scene.names[one.key] for one in direct])
            sentence = f"Nothing may stand on {name}, and {which} {_does(direct)}; put it elsewhere, or say what {name} carries."
            yield finding("too heavy below", sentence, [key, *(one.key for one in direct)], at)
            continue
        known = sum(one.piece.weight_oz or 0 for one in load)
        if known > carrier.piece.carries_oz:
            over = known - carrier.piece.carries_oz
            weigh = "weighs" if len(load) == 1 else "weigh"
            sentence = (
                f"{name} carries {format_weight(carrier.piece.carries_oz)}, and {names} on it {weigh} {format_weight(known)}; "
                f"take {format_weight(over)} or more off it."
            )
            yield finding("too heavy below", sentence, keys, at)
            continue
        unweighed = [one for one in load if one.piece.weight_oz is None]
        if unweighed:
            which = listed([scene.names[one.key] for one in unweighed])
            sentence = (
                f"Nobody knows whether {name} carries what is on it: {which} {'is' if len(unweighed) == 1 else 'are'} not "
                f"weighed, and {name} has {format_weight(carrier.piece.carries_oz - known)} left to carry. "
                f"Weigh {'it' if len(unweighed) == 1 else 'them'}."
            )
            yield finding("not weighed", sentence, [key, *(one.key for one in unweighed)], at, stops=False)


def _does(many: list[Placed]) -> str:
    return "does" if len(many) == 1 else "do"


def _overhangs(scene: Scene) -> Iterator[Finding]:
    """Corners of what stands on a piece that lie beyond its top, which is in its middle and turned as it is."""
    for one in chain.from_iterable(scene.carried_by.values()):
        n, m = scene.index[one.key], scene.index[one.on or ""]
        carrier = scene.placed[m].piece
        width, depth = carrier.top_in16 or (carrier.width_in16, carrier.depth_in16)
        from_middle = scene.boxes[[n]].corners[0] - scene.boxes.middle[m]
        across = np.abs(from_middle @ scene.boxes.across[m]) - width / 2
        ahead = np.abs(from_middle @ scene.boxes.ahead[m]) - depth / 2
        over = float(max(across.max(), ahead.max()))
        if over <= HAIR_IN16:
            continue
        measured = amount(over)
        piece = one.piece
        straight = min(piece.width_in16, piece.depth_in16) <= min(width, depth)
        fits = straight and max(piece.width_in16, piece.depth_in16) <= max(width, depth)
        sentence = (
            f"{scene.name(n)} overhangs {scene.name(m)}, whose top is {length(width)} by {length(depth)}, by {length(measured)}; "
            + ("move it to the middle or turn it." if fits else "it is larger than that top: put it elsewhere.")
        )
        at = shapely.difference(scene.shapes[n], scene.shapes[m])
        at = scene.shapes[n] if at.is_empty else at
        yield finding("overhangs", sentence, [one.key, one.on or ""], at, measured_in16=measured, required_in16=0)
