"""Schedules of projects: published instances to their proven least, every schedule of tiny ones, and what stands in the way."""

from __future__ import annotations

from itertools import pairwise, product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.resets.domain.hours.project import (
    ImpossibleWork,
    Project,
    Span,
    Stretch,
    Work,
    WorkInCircle,
    faults,
    stretches_of,
)
from coop.resets.domain.hours.schedule import find_schedule, lower_bound
from coop.resets.solving.schedule import solve_schedule

PUBLISHED = Path(__file__).parents[2] / "reference" / "scheduling"


def read_project(name: str) -> Project:
    """A file of the project library: followers, then minutes and needs, then what there is."""
    lines = (PUBLISHED / name).read_text(encoding="ascii").splitlines()

    def rows(title: str, skip: int, count: int) -> list[list[int]]:
        begins = next(n for n, line in enumerate(lines) if line.startswith(title)) + skip
        return [[int(word) for word in line.split()] for line in lines[begins : begins + count]]

    followers = {row[0]: row[3:] for row in rows("jobnr.    #modes", 1, 32)}
    horizon = int(next(line for line in lines if line.startswith("horizon")).split(":")[1])
    works = [
        Work(str(row[0]), row[2], tuple(row[3:]), tuple(str(key) for key, after in followers.items() if row[0] in after))
        for row in rows("jobnr. mode", 2, 32)
    ]
    return Project(tuple(works), (Stretch(0, horizon, tuple(rows("RESOURCEAVAIL", 2, 1)[0])),))


def read_job_shop(name: str) -> Project:
    """A job shop: a machine is a resource there is one of."""
    first, *jobs = (PUBLISHED / name).read_text(encoding="ascii").splitlines()
    machines, works = int(first.split()[1]), []
    for job, line in enumerate(jobs):
        numbers, after = [int(word) for word in line.split()], ()
        for step in range(machines):
            machine, minutes = numbers[2 * step : 2 * step + 2]
            works.append(Work(f"{job}.{step}", minutes, tuple(int(n == machine) for n in range(machines)), after))
            after = (f"{job}.{step}",)
    return Project(tuple(works), (Stretch(0, sum(work.minutes for work in works), (1,) * machines),))


INSTANCES = [
    # Kolisch and Sprecher 1996, set j30: the least is published with the set.
    (read_project("j301_1.sm"), 43),
    # Fisher and Thompson 1963.
    (read_job_shop("ft06.txt"), 55),
]


@pytest.mark.parametrize(("project", "least"), INSTANCES, ids=["j301_1", "ft06"])
def test_a_published_instance_is_proven_at_its_published_least(project, least):
    found = solve_schedule(project, seconds=60)
    assert faults(project, found.starts) == []
    assert (found.finish, found.bound, found.proven) == (least, least, True)


@pytest.mark.parametrize(("project", "least"), INSTANCES, ids=["j301_1", "ft06"])
def test_lists_come_near_a_published_least_and_the_bound_does_not_pass_it(project, least):
    found = find_schedule(project, seed=1, tries=100)
    assert faults(project, found.starts) == []
    assert lower_bound(project) <= least <= found.finish <= least * 26 // 25
    assert lower_bound(project) >= least * 9 // 10


# --- against every schedule -------------------------------------------------------------------------------------------------


def least_finish(project: Project) -> int | None:
    """By trying every start of every piece of work."""
    best = None
    for starts in product(range(project.horizon + 1), repeat=len(project.works)):
        named = {work.key: at for work, at in zip(project.works, starts, strict=True)}
        finish = max(at + work.minutes for work, at in zip(project.works, starts, strict=True))
        if (best is None or finish < best) and faults(project, named) == []:
            best = finish
    return best


@st.composite
def tiny_projects(draw: st.DrawFn) -> Project:
    """Three pieces of work, people who come and go over ten minutes, and a gap perhaps."""
    count, works = 3, []
    for number in range(count):
        after = tuple(str(n) for n in range(number) if draw(st.booleans()))
        needs = (draw(st.integers(1, 2)), draw(st.integers(0, 1)))
        works.append(Work(str(number), draw(st.integers(0, 3)), needs, after, draw(st.sampled_from([0, 0, 1, 4]))))
    ends = sorted(draw(st.lists(st.integers(1, 9), min_size=2, max_size=2, unique=True)))
    edges = [0, *ends, 10]
    has = [(draw(st.integers(0, 3)), draw(st.integers(0, 1))) for _ in range(3)]
    stretches = tuple(Stretch(a, b, h) for (a, b), h in zip(pairwise(edges), has, strict=True))
    return Project(tuple(works), stretches)


@settings(max_examples=80, deadline=None)
@given(tiny_projects())
def test_no_schedule_of_a_tiny_project_is_better_and_no_bound_is_wrong(project):
    least = least_finish(project)
    try:
        found, solved = find_schedule(project), solve_schedule(project, seconds=10, tries=0, workers=1)
        bound = lower_bound(project)
    except ImpossibleWork:
        assert least is None
        return
    assert (None if found is None else found.finish) == least
    assert (None if solved is None else solved.finish) == least
    if least is None or found is None or solved is None:
        return
    assert bound <= least
    assert solved.proven
    assert faults(project, found.starts) == faults(project, solved.starts) == []


# --- by hand ----------------------------------------------------------------------------------------------------------------


def one(key: str, minutes: int, hands: int = 1, *after: str) -> Work:
    return Work(key, minutes, (hands,), after)


def people(*rows: tuple[int, int, int]) -> tuple[Stretch, ...]:
    return tuple(Stretch(begin, end, (count,)) for begin, end, count in rows)


@pytest.mark.parametrize(
    ("works", "stretches", "finish", "bound"),
    [
        # One person: all of it in a row.
        ((one("a", 10), one("b", 20), one("c", 30)), people((0, 100, 1)), 60, 60),
        # Two: 30 beside 10 and 20.
        ((one("a", 10), one("b", 20), one("c", 30)), people((0, 100, 2)), 30, 30),
        # What two carry never goes on beside what one of two does; the bound counts 30 minutes of hands over two.
        ((one("a", 10, 2), one("b", 10, 1)), people((0, 100, 2)), 20, 15),
        # Twice two of three: never both at once, though 40 minutes of hands over three would be over in 14.
        ((one("a", 10, 2), one("b", 10, 2)), people((0, 100, 3)), 20, 20),
        # The helper comes at 30: what takes two begins then.
        ((one("a", 10, 2), one("b", 25)), people((0, 30, 1), (30, 100, 2)), 40, 40),
        # Nothing lies across a night: 20 minutes do not begin ten before the end of the day.
        ((one("a", 50), one("b", 20, 1, "a")), people((0, 60, 1), (1440, 1500, 1)), 1460, 1460),
        ((), people((0, 60, 1)), 0, 0),
    ],
)
def test_hand_worked(works, stretches, finish, bound):
    project = Project(works, stretches)
    found = find_schedule(project)
    assert (found.finish, lower_bound(project) if works else 0) == (finish, bound)
    assert faults(project, found.starts) == []


def test_the_search_counts_who_has_gone_home():
    # Two until 13, then one: 4 and 5 by both, 5 by one of whom the other has no 5 left beside it, and 5 more: 19.
    works = (one("a", 4, 2), one("b", 5), one("c", 5, 2), one("d", 5))
    project = Project(works, people((0, 13, 2), (13, 24, 1)))
    assert lower_bound(project) == 15
    found = solve_schedule(project)
    assert (found.finish, found.proven, faults(project, found.starts)) == (19, True, [])


def test_the_same_seed_gives_the_same_schedule():
    project = INSTANCES[0][0]
    assert find_schedule(project, seed=7, tries=20) == find_schedule(project, seed=7, tries=20)


@pytest.mark.parametrize(
    ("work", "short"),
    [(one("wardrobe", 5, 3), 0), (one("clean", 70), None)],
    ids=["more hands than ever are there", "longer than anybody is there in one go"],
)
def test_what_can_never_be_done_is_named(work, short):
    with pytest.raises(ImpossibleWork) as caught:
        find_schedule(Project((work,), people((0, 60, 2), (90, 150, 2))))
    assert (caught.value.key, caught.value.short) == ("wardrobe" if short == 0 else "clean", short)


def test_work_in_a_circle_is_named_in_its_order():
    works = (one("a", 1), one("b", 1, 1, "d"), one("c", 1, 1, "b"), one("d", 1, 1, "c"))
    with pytest.raises(WorkInCircle) as caught:
        find_schedule(Project(works, people((0, 60, 1))))
    circle = caught.value.keys
    assert sorted(circle) == ["b", "c", "d"]
    assert all(first in {"b": "d", "c": "b", "d": "c"}[then] for first, then in pairwise(circle))


def test_what_does_not_fit_before_all_have_gone_has_no_schedule():
    project = Project((one("a", 40), one("b", 40)), people((0, 60, 1)))
    assert find_schedule(project) is None
    assert solve_schedule(project) is None


@pytest.mark.parametrize(
    ("starts", "said"),
    [
        ({"a": 0, "b": 10}, []),
        ({"a": 0}, ["b has no start"]),
        ({"a": 0, "b": 9}, ["b starts before a has ended", "minute 9 uses 2 of resource 0 and has 1"]),
        ({"a": 59, "b": 69}, [f"minute {m} uses 1 of resource 0 and has 0" for m in (*range(60, 69), *range(69, 79))]),
    ],
)
def test_the_checker_finds_what_is_wrong(starts, said):
    assert faults(Project((one("a", 10), one("b", 10, 1, "a")), people((0, 60, 1))), starts) == said


@pytest.mark.parametrize(
    ("works", "stretches", "said"),
    [
        ((one("a", 1), one("a", 2)), (), "one key"),
        ((one("a", 1, 1, "z"),), (), "waits for what is not"),
        ((), (Stretch(0, 10, (1,)), Stretch(9, 20, (1,))), "overlap"),
        ((one("a", 1),), (Stretch(0, 10, (1, 1)),), "different resources"),
    ],
)
def test_a_project_that_contradicts_itself_is_refused(works, stretches, said):
    with pytest.raises(ValueError, match=said):
        Project(works, stretches)


def test_people_and_rooms_that_come_and_go_become_stretches():
    found = stretches_of([[(Span(0, 60), 1), (Span(30, 90), 2)], [(Span(0, 90), 4)]])
    assert found == (Stretch(0, 30, (1, 4)), Stretch(30, 60, (3, 4)), Stretch(60, 90, (2, 4)))


def test_a_gap_where_nothing_is_there_is_left_out():
    assert stretches_of([[(Span(0, 10), 1), (Span(20, 30), 1)]]) == (Stretch(0, 10, (1,)), Stretch(20, 30, (1,)))
