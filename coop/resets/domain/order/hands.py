"""What goes by hand: lifted off a piece it stands on, or off its hook; and put on or hung up again.

It needs no floor to be pushed over, only somebody who comes near: a person is a square of 18 in. who reaches 30 in. (common
practice, no source). Where nobody gets near, it is told and not refused: people reach over things. Hanging pieces bar no way here
(`hanging` tells where they would), and what is set aside by hand is counted on no staging floor. What lies flat is stepped and
pushed over: it is taken up before anything comes to stand on it, and laid once nothing from before stands there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from coop.resets.domain.fit.scene import FLAT_IN16
from coop.resets.domain.order.both import Step
from coop.resets.domain.order.boxes import Spot, spot_of, spots_overlap
from coop.resets.domain.order.reach import Reach
from coop.resets.domain.piece import Arrangement, Placed

PERSON_IN16 = 18 * 16
ARM_IN16 = 30 * 16

HandKind = Literal["out", "in", "shift", "stage"]


@dataclass(frozen=True)
class HandStep:
    """One move by hand. Its piece is on the way aside, or from there, where `aside`."""

    kind: HandKind
    key: str
    aside: bool = False
    near: bool = True
    """Somebody gets near enough without reaching over other pieces."""
    under: tuple[str, ...] = ()
    """Keys of what stands over it then, of what lies flat."""


def by_hand(placed: Placed) -> bool:
    return placed.on is not None or placed.piece.stands != "floor" or lies_flat(placed)


def lies_flat(placed: Placed) -> bool:
    """A rug: other pieces stand on it as on the floor."""
    return placed.on is None and placed.piece.stands == "floor" and placed.piece.height_in16 <= FLAT_IN16


@dataclass
class _Weaving:
    before: Arrangement
    after: Arrangement
    reach: Reach
    floor_new: dict[str, Spot]
    floor_left: list[str]
    """Keys of floor pieces that still have moves to make, once a move."""
    aside: set[str]
    up: dict[str, Placed] = field(default_factory=dict)
    """What is on a piece or a hook where it was before."""
    set_up: set[str] = field(default_factory=set)
    """What is where it will be."""
    standing: dict[str, Spot] = field(default_factory=dict)
    steps: list[Step | HandStep] = field(default_factory=list)
    hard: frozenset[str] = frozenset()
    """What nobody gets near any more once all stands."""

    def _stays(self, key: str) -> bool:
        return self.before.get(key) == self.after.get(key)

    def _hand_after(self, key: str) -> Placed | None:
        placed = self.after.get(key)
        return placed if placed and by_hand(placed) else None

    def _near(self, placed: Placed) -> bool:
        return self.reach.person_near(spot_of(placed), frozenset(self.standing.values()), PERSON_IN16, ARM_IN16)

    def _over(self, placed: Placed) -> tuple[str, ...]:
        """What stands over a piece that lies flat."""
        if not lies_flat(placed):
            return ()
        here = spot_of(placed)
        return tuple(sorted(key for key, spot in self.standing.items() if spots_overlap(spot, here)))

    def make_way(self, spot: Spot) -> None:
        """Before something comes to stand there: what lies flat there and goes is taken up, what is to lie there is laid."""
        for key in sorted(self.up):
            was = self.up[key]
            if lies_flat(was) and not self._stays(key) and not self._over(was) and spots_overlap(spot_of(was), spot):
                self._lift(key)
        self.set_down(only=[one.key for one in self.after.placed if lies_flat(one) and spots_overlap(spot_of(one), spot)])

    def _on(self, key: str) -> list[str]:
        """What is on a piece now, the topmost first."""
        found: list[str] = []
        for other in sorted({*self.up, *self.set_up}):
            placed = self.up.get(other) or self.after[other]
            if placed.on == key:
                found += [*self._on(other), other]
        return found

    def _ready(self, key: str, *, anyway: bool = False) -> bool:
        """Whether what it goes on is where it will be, and nothing from before is there. `anyway`: or over it."""
        placed = self._hand_after(key)
        if placed is None or (self._over(placed) and not anyway):
            return False
        below = placed.on
        if below is not None:
            if below in self.floor_new and (below in self.floor_left or below not in self.standing):
                return False
            if below not in self.floor_new and below not in self.set_up and not (below in self.up and self._stays(below)):
                return False
        here = spot_of(placed)
        return not any(
            other != key and was.on == below and not self._stays(other) and spots_overlap(spot_of(was), here)
            for other, was in self.up.items()
        )

    def _lift(self, key: str) -> None:
        """Off it comes: to its next place if that is ready, else out or aside."""
        was = self.up.get(key) or self.after[key]
        near, under = self._near(was), self._over(was)
        self.up.pop(key, None)
        self.set_up.discard(key)
        if key not in self.after:
            self.steps.append(HandStep("out", key, near=near, under=under))
        elif not self._stays(key) and self._ready(key):
            self.steps.append(HandStep("shift", key, near=near, under=under or self._over(self.after[key])))
            self.set_up.add(key)
        else:
            self.steps.append(HandStep("stage", key, aside=True, near=near, under=under))
            self.aside.add(key)

    def clear(self, key: str) -> None:
        for other in self._on(key):
            self._lift(other)

    def leave(self, *, anyway: bool = False) -> None:
        """What goes home comes off first, where somebody gets near."""
        for key in sorted(self.up):
            if key in self.up and key not in self.after and (anyway or self._may_leave(self.up[key])):
                self.clear(key)
                self._lift(key)

    def _may_leave(self, placed: Placed) -> bool:
        return not self._over(placed) and self._near(placed)

    def set_down(self, *, hooks: bool = False, only: Iterable[str] | None = None, anyway: bool = False) -> None:
        """Put on and hung up: all that is ready. `hooks`: what hangs alone."""
        again = True
        while again:
            again = False
            for placed in self.after.placed:
                key = placed.key
                if not by_hand(placed) or key in self.set_up or (key in self.up and self._stays(key)):
                    continue
                if (
                    (hooks and placed.on is not None)
                    or (only is not None and key not in only)
                    or not self._ready(key, anyway=anyway)
                ):
                    continue
                if key in self.up:
                    if self._on(key) or (self._over(self.up[key]) and not anyway):
                        continue
                    self._lift(key)
                else:
                    self.steps.append(HandStep("in", key, key in self.aside, self._near(placed), self._over(placed)))
                    self.aside.discard(key)
                    self.set_up.add(key)
                again = True
            if not again and anyway:
                moving = [key for key in sorted(self.up) if not self._stays(key) and key in self.after]
                if moving:
                    # Two that change places by hand: one is set aside.
                    self.clear(moving[0])
                    if moving[0] in self.up:
                        self._lift(moving[0])
                    again = True


def weave(
    reach: Reach,
    before: Arrangement,
    after: Arrangement,
    steps: tuple[Step, ...],
    waiting: Iterable[Spot] = (),
    aside: Iterable[str] = (),
) -> tuple[Step | HandStep, ...]:
    """The moves of floor pieces with those by hand between them: what stands on a piece comes off before it moves, what goes home
    first; hooks are filled before pieces come in; what stands on others goes on last, but for what nobody would get near then."""
    old = {one.key: spot_of(one) for one in before.placed if not by_hand(one)}
    new = {one.key: spot_of(one) for one in after.placed if not by_hand(one)}
    weaving = _Weaving(before, after, reach, new, [step.key for step in steps], set(aside))
    weaving.up = {one.key: one for one in before.placed if by_hand(one)}
    weaving.standing = dict(old) | {spot.key: spot for spot in waiting}
    final = frozenset(new.values())
    weaving.hard = frozenset(
        one.key for one in after.placed if by_hand(one) and not reach.person_near(spot_of(one), final, PERSON_IN16, ARM_IN16)
    )
    came = False
    for step in steps:
        weaving.leave()
        if step.kind == "in" and not came:
            weaving.set_down(hooks=True)
            came = True
        if step.key in weaving.standing and step.kind != "in":
            weaving.clear(step.key)
        if step.key in weaving.up:
            # It stood on another, and is to stand on the floor.
            weaving.clear(step.key)
            weaving._lift(step.key)
        if step.kind in ("in", "shift"):
            weaving.make_way(new[step.key])
        weaving.steps.append(step)
        weaving.floor_left.remove(step.key)
        weaving.standing.pop(step.key, None)
        if step.kind in ("in", "shift"):
            weaving.standing[step.key] = new[step.key]
            weaving.aside.discard(step.key)
        elif step.waits and step.waits.spot and step.waits.on_floor:
            weaving.standing[step.key] = step.waits.spot
        if step.kind == "out" and step.key in after:
            weaving.aside.add(step.key)
        weaving.set_down(only=weaving.hard)
    weaving.leave(anyway=True)
    weaving.set_down(anyway=True)
    return tuple(weaving.steps)
