"""A problem as a CP-SAT model: a literal for each possible turn and the hard rules; the goals are added tier by tier."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from ortools.sat.python import cp_model

from coop.shifts.solving.goals import Chosen, Goals
from coop.shifts.solving.problem import Apart, Beside, Problem, Turn
from coop.shifts.solving.sequences import Choices, Demands, PersonDays, linear_sum


@dataclass(frozen=True)
class Built:
    """The model with what is read off it. `demands` are empty unless they were asked for."""

    model: cp_model.CpModel
    chosen: Chosen
    goals: Goals
    demands: Demands


def possible_turns(problem: Problem) -> list[Turn]:
    """Every turn that no rule shuts out by itself: the kind is worked that day, its person has the skills and may."""
    shut: dict[tuple[str, int], list[frozenset[str] | None]] = defaultdict(list)
    for rule in problem.forbidden:
        shut[rule.person, rule.day].append(rule.kinds)
    return [
        Turn(person.id, day, kind.id)
        for person in problem.people
        for day in range(problem.days)
        for kind in problem.kinds_on(day)
        if kind.needs <= person.skills_on(day)
        and not any(kinds is None or kind.id in kinds for kinds in shut.get((person.id, day), ()))
    ]


def build(problem: Problem, *, ask_demands: bool = False) -> Built:
    """The model. With `ask_demands` locks and minima hold only under their literals."""
    model = cp_model.CpModel()
    demands: Demands = {}
    chosen: Chosen = {turn: model.new_bool_var(f"{turn.person} {turn.day} {turn.kind}") for turn in possible_turns(problem)}
    of_person: dict[str, Choices] = defaultdict(dict)
    for turn, choice in chosen.items():
        of_person[turn.person][turn.day, turn.kind] = choice
    for person in problem.people:
        PersonDays(model, problem, person, of_person[person.id], demands if ask_demands else None).add_rules()
    for lock in sorted(problem.locks):
        held = model.add_bool_or([chosen[lock]] if lock in chosen else [])
        if ask_demands:
            demands[lock] = model.new_bool_var(f"lock {lock}")
            held.only_enforce_if(demands[lock])
    for pair in problem.apart:
        _keep_apart(model, problem, of_person, pair)
    for rule in problem.beside:
        _keep_beside(model, problem, chosen, rule)
    return Built(model, chosen, Goals(model, problem, chosen), demands)


def _keep_apart(model: cp_model.CpModel, problem: Problem, of_person: dict[str, Choices], pair: Apart) -> None:
    kinds = problem.kind
    for (day, kind_id), choice in of_person[pair.one].items():
        for other in problem.kinds_on(day) if pair.holds_on(day) and not kinds[kind_id].elsewhere else ():
            if not other.elsewhere and (day, other.id) in of_person[pair.other] and other.overlaps(kinds[kind_id]):
                model.add_at_most_one(choice, of_person[pair.other][day, other.id])


def _keep_beside(model: cp_model.CpModel, problem: Problem, chosen: Chosen, rule: Beside) -> None:
    people = problem.person
    guides: dict[tuple[int, str], list[tuple[str, cp_model.IntVar]]] = defaultdict(list)
    for turn, choice in chosen.items():
        if rule.by in people[turn.person].skills_on(turn.day):
            guides[turn.day, turn.kind].append((turn.person, choice))
    stretches: dict[tuple[int, str], list[frozenset[str]]] = {}
    guided: dict[tuple[int, frozenset[str]], cp_model.IntVar] = {}
    for turn, choice in chosen.items():
        skills = people[turn.person].skills_on(turn.day)
        if rule.skill not in skills or problem.kind[turn.kind].elsewhere:
            continue
        at = turn.day, turn.kind
        if at not in stretches:
            stretches[at] = problem.side_by_side(turn.day, problem.kind[turn.kind], same_post=rule.same_post)
        for together in stretches[at]:
            near = [(who, guide) for kind in sorted(together) for who, guide in guides[turn.day, kind]]
            if rule.by in skills:
                model.add(choice <= linear_sum(guide for who, guide in near if who != turn.person))
                continue
            # One literal for all of them: a long sum for each trainee is most of a large mall's model.
            if (turn.day, together) not in guided:
                somebody = guided[turn.day, together] = model.new_bool_var(f"{rule.by} {turn.day} {'|'.join(sorted(together))}")
                model.add(somebody <= linear_sum(guide for _, guide in near))
            model.add_implication(choice, guided[turn.day, together])
