"""Turns (2010 ADA Standards 403.5.2), passing spaces (403.5.3) and counters (904.4.1)."""

from __future__ import annotations

import pytest

from coop.floor.domain.plan import Fixture, Plan, PlanSpace, checked_plan
from coop.floor.domain.turning import (
    counter_fault,
    counter_findings,
    passing_findings,
    passing_spaces,
    t_intersections,
    turn_complies,
    turn_findings,
)
from coop.floor.domain.walkable import Walkable
from tests.unit.floor.domain.drawing import TURNS, box, hall, outline, things, turned

SIXTEENTH = 1 / 16


def walkable(plan):
    return Walkable(checked_plan(plan))


# --- turns --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("element", "approaching", "at_turn", "leaving", "complies"),
    [
        # 403.5.2: about an element less than 48 in. wide, 42 approaching, 48 at the turn, 42 leaving.
        (40, 42, 48, 42, True),
        (40, 42 - SIXTEENTH, 48, 42, False),
        (40, 42, 48 - SIXTEENTH, 42, False),
        (40, 42, 48, 42 - SIXTEENTH, False),
        # Exception: 60 at the turn.
        (40, 36, 60, 36, True),
        (40, 36, 60 - SIXTEENTH, 36, False),
        (40, 36 - SIXTEENTH, 60, 36, False),
        (40, 36, 60, 36 - SIXTEENTH, False),
        # An element of 48 in. is none of this rule's; 36 in. stay required.
        (48, 36, 36, 36, True),
        (48 - SIXTEENTH, 36, 36, 36, False),
        (48, 36, 36 - SIXTEENTH, 36, False),
    ],
)
def test_a_turn_of_180_degrees(element, approaching, at_turn, leaving, complies):
    assert turn_complies(element * 16, approaching * 16, at_turn * 16, leaving * 16) is complies


def row_in_a_room(element, approaching, at_turn, leaving, *, kind="case"):
    """A row of cases from the left wall; the room leaves the three widths about its free end."""
    return Plan(
        box(0, 0, 300 + at_turn, approaching + element + leaving),
        spaces=(
            PlanSpace("C1", kind, box(0, approaching, 150, element)),
            PlanSpace("C2", kind, box(150, approaching, 150, element)),
        ),
    )


@pytest.mark.parametrize(
    ("widths", "tight"),
    [
        ((40, 42, 48, 42), False),
        ((40, 41, 48, 42), True),
        ((40, 42, 47, 42), True),
        ((40, 42, 48, 41), True),
        ((40, 36, 60, 36), False),
        ((40, 36, 59, 36), True),
        ((48, 36, 36, 36), False),
        ((47, 36, 36, 36), True),
        ((40, 42, 48 - SIXTEENTH, 42), True),
        # What is narrower than 36 in. is no way round.
        ((40, 36, 35, 36), False),
    ],
)
def test_the_free_end_of_a_row(widths, tight):
    findings = list(turn_findings(walkable(row_in_a_room(*widths))))
    assert [f.codes for f in findings] == ([("C2",)] if tight else [])
    for finding in findings:
        assert (finding.measured_in16, finding.required_in16) == (widths[2] * 16, 48 * 16)


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize(
    ("widths", "tight"),
    [
        ((40, 42.25, 48.25, 42.25), False),
        ((40, 36.25, 60.25, 36.25), False),
        ((40, 41, 47, 41), True),
        ((48.25, 40, 40, 40), False),
    ],
)
def test_the_end_of_a_turned_row(widths, tight, degrees):
    findings = list(turn_findings(walkable(turned(row_in_a_room(*widths), degrees))))
    assert len(findings) == tight


def test_the_sentence_of_a_turn():
    (finding,) = turn_findings(walkable(row_in_a_room(40, 41, 47, 41)))
    assert finding.sentence == (
        "The turn about the end of case C2 (3' 4\" wide) is too tight: 3' 5\", 3' 11\", 3' 5\" clear approaching, at the turn "
        'and leaving; leave 42", 48" and 42", or 60" at the turn (403.5.2).'
    )
    assert set(finding.at) == {(300 * 16, 41 * 16), (300 * 16, 81 * 16)}


def test_an_island_has_two_ends():
    plan = Plan(box(0, 0, 280, 122), spaces=(PlanSpace("C", "case", box(40, 41, 200, 40)),))
    assert len(list(turn_findings(walkable(plan)))) == 2


def test_posts_and_walls_are_nobodys_row():
    plan = row_in_a_room(40, 41, 47, 41)
    assert list(turn_findings(walkable(Plan(plan.outline, fixtures=things(*(s.outline for s in plan.spaces)))))) == []


def test_a_chamfered_end_is_an_end():
    row = outline((0, 41), (290, 41), (300, 51), (300, 71), (290, 81), (0, 81))
    (finding,) = turn_findings(walkable(Plan(box(0, 0, 345, 122), spaces=(PlanSpace("C", "case", row),))))
    assert finding.measured_in16 == 45 * 16


# --- passing spaces -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "feet", "lacking"),
    [(59, 199, False), (59, 210, True), (60, 400, False), (60 - SIXTEENTH, 400, True), (36, 210, True), (100, 900, False)],
)
def test_a_long_way(width, feet, lacking):
    findings = list(passing_findings(walkable(hall(width, feet * 12))))
    assert len(findings) == lacking
    for finding in findings:
        assert finding.required_in16 == 200 * 192
        assert finding.measured_in16 == pytest.approx(feet * 192, abs=8 * 192)


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize(("deep", "wide", "passing"), [(60.25, 60.25, True), (60.25, 59, False), (59, 60.25, False)])
def test_one_widening_in_the_middle_halves_the_way(degrees, deep, wide, passing):
    """A hall of 40 in. and 350 ft with a bay 60 by 60 in. or a little less half way."""
    at = 175 * 12
    corners = (0, 0), (350 * 12, 0), (350 * 12, 40), (at + wide, 40), (at + wide, deep), (at, deep), (at, 40), (0, 40)
    plan = turned(Plan(outline(*corners)), degrees)
    assert (list(passing_findings(walkable(plan))) == []) is passing


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize(
    ("bar", "stem", "beyond", "fits"),
    [(36.25, 36.25, 48.25, True), (35, 36.25, 49, False), (36.25, 35, 49, False), (36.25, 36.25, 47, False)],
)
def test_a_t_of_two_ways(bar, stem, beyond, fits, degrees):
    """304.3.2's T with base and arms of 36 in. that go on 48 in. beyond the intersection."""
    left, right = beyond, beyond + stem
    corners = (0, 0), (right + beyond, 0), (right + beyond, bar), (right, bar), (right, bar + beyond), (left, bar + beyond)
    plan = turned(Plan(outline(*corners, (left, bar), (0, bar))), degrees)
    assert bool(t_intersections(walkable(plan).floor)) is fits


def test_a_t_is_a_passing_space():
    corners = (0, 0), (350 * 12, 0), (350 * 12, 40), (2140, 40), (2140, 100), (2100, 100), (2100, 40), (0, 40)
    plan = Plan(outline(*corners))
    assert not passing_spaces(walkable(plan)).is_empty
    assert list(passing_findings(walkable(plan))) == []


# --- counters -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("portions", "fault"),
    [
        # 904.4.1: a portion 36 in. long at least and 36 in. high at most.
        ([(36, 36)], None),
        ([(96, 36)], None),
        ([(96, 36 + SIXTEENTH)], "counter_high"),
        ([(60, 42), (36, 36)], None),
        ([(60, 42), (36 - SIXTEENTH, 36)], "counter_short"),
        ([(60, 42), (36, 36 + SIXTEENTH)], "counter_high"),
        # Exception: a counter that is shorter is low over its whole length.
        ([(30, 36)], None),
        ([(30, 37)], "counter_high"),
        ([(20, 36), (10, 42)], "counter_short"),
    ],
)
def test_a_counter(portions, fault):
    assert counter_fault([(length * 16, round(height * 16)) for length, height in portions]) == fault


@pytest.mark.parametrize("degrees", TURNS)
def test_counters_on_a_plan(degrees):
    def counter(code, x, length, height):
        return Fixture(code, "counter", box(x, 100, length, 24), height)

    fixtures = (
        counter("good", 100, 60, 34 * 16),
        counter("high", 200, 60, 42 * 16),
        counter("unknown", 300, 60, None),
        # One counter with a low portion 30 in. long, and one with a portion of 37 in.
        counter("a", 400, 60, 42 * 16),
        counter("b", 460, 30, 34 * 16),
        counter("c", 600, 60, 42 * 16),
        counter("d", 660, 37, 34 * 16),
    )
    plan = turned(Plan(box(0, 0, 900, 300), fixtures=fixtures), degrees)
    found = {finding.codes: finding for finding in counter_findings(walkable(plan))}
    assert {codes: finding.kind for codes, finding in found.items()} == {
        ("high",): "counter_high",
        ("unknown",): "counter_unmeasured",
        ("a", "b"): "counter_short",
    }
    assert found["high",].sentence == 'Counter high is 3\' 6" high at its lowest; lower a portion 36" long to 36" (904.4.1).'
    assert found["a", "b"].measured_in16 == pytest.approx(30 * 16, abs=2)
