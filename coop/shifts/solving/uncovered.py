"""Why hours stay uncovered: who could stand there, and which rule stands in the way of each. Needs no solver."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from coop.shifts.solving.checking import Broken, added, check
from coop.shifts.solving.outcome import Conflict
from coop.shifts.solving.problem import Cover, Problem, Turn

NOBODY_HAS_SKILL = "nobody has the skill"
NO_SUCH_TURN = "no turn of the kind that day"
COULD = "could"


@dataclass(frozen=True)
class Obstacle:
    """What keeps these people from a span: the rules that putting any one of them there would break, and nothing less would do.

    `rules` are of the checker's, `forbidden` with its reason after a colon. No rules: they could, at the price of another cover.
    """

    rules: tuple[str, ...]
    people: tuple[str, ...]


@dataclass(frozen=True)
class Uncovered:
    """A cover that misses people. `obstacles` are the nearest to mend first: fewest rules, then most people."""

    cover: Cover
    missing: int
    obstacles: tuple[Obstacle, ...]


def reasons(problem: Problem, turns: Iterable[Turn]) -> tuple[Uncovered, ...]:
    """Every cover that a draft leaves short, in the problem's order, with what stands in the way."""
    drafted = frozenset(turns)
    found = []
    for short in check(problem, drafted).short:
        if short.missing > 0:
            cover = problem.covers[short.cover]
            found.append(Uncovered(cover, short.missing, _obstacles(problem, drafted, cover)))
    return tuple(found)


def _obstacles(problem: Problem, turns: frozenset[Turn], cover: Cover) -> tuple[Obstacle, ...]:
    skilled = [person for person in problem.people if cover.skill is None or cover.skill in person.skills_on(cover.day)]
    kinds = [kind for kind in problem.kinds_on(cover.day) if kind.id in cover.kinds]
    if not kinds:
        return (Obstacle((NO_SUCH_TURN,), ()),)
    if not skilled:
        return (Obstacle((NOBODY_HAS_SKILL,), ()),)
    alike: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for person in skilled:
        places = [Turn(person.id, cover.day, kind.id) for kind in kinds]
        if any(place in turns for place in places):
            continue
        broken = [added(problem, turns, place) for place in places]
        alike[min((_named(faults) for faults in broken), key=lambda rules: (len(rules), rules))].append(person.id)
    found = [Obstacle(rules, tuple(people)) for rules, people in alike.items()]
    return tuple(sorted(found, key=lambda obstacle: (len(obstacle.rules), -len(obstacle.people), obstacle.rules)))


def _named(faults: Iterable[Broken]) -> tuple[str, ...]:
    return tuple(
        sorted({f"{fault.rule}: {fault.detail}" if fault.rule in ("forbidden", "skill") else fault.rule for fault in faults})
    )


def conflict_rules(problem: Problem, conflict: Conflict) -> tuple[Broken, ...]:
    """The rules that the locks of a conflict break among themselves; empty when it takes the rest of the rota to see it."""
    told = check(problem, conflict.locks).broken
    of_conflict = {lock.person for lock in conflict.locks}
    return tuple(
        fault for fault in told if fault.rule not in ("lock", "least turns", "least minutes") and fault.person in of_conflict
    )


def conflict_sentence(problem: Problem, conflict: Conflict) -> str:
    """A conflict in one sentence, in the problem's own names."""
    things = [f"{lock.person} on {lock.kind} on day {lock.day}" for lock in sorted(conflict.locks)]
    things += [f"the least {minimum.of} of {minimum.person}" for minimum in sorted(conflict.minima)]
    rules = sorted({fault.rule for fault in conflict_rules(problem, conflict)})
    why = f" ({', '.join(rules)})" if rules else ""
    return f"{' and '.join(things)} cannot {'all ' if len(things) > 2 else 'both ' if len(things) == 2 else ''}be{why}"
