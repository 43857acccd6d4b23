"""Spaces that share floor, leave the outline or stand over something; touching is neither."""

from __future__ import annotations

import pytest

from coop.floor.domain.overlaps import overlap_findings
from coop.floor.domain.plan import Door, Fixture, Part, Plan, PlanSpace, Wall, checked_plan
from coop.floor.domain.walkable import Walkable
from tests.unit.floor.domain.drawing import TURNS, box, outline, turned

SIXTEENTH = 1 / 16
ROOM = box(0, 0, 600, 400)


def found(plan):
    return list(overlap_findings(Walkable(checked_plan(plan))))


def booth(code, *rectangle, kind="booth"):
    return PlanSpace(code, kind, box(*rectangle))


@pytest.mark.parametrize(("shared", "overlaps"), [(0, False), (-6, False), (SIXTEENTH, False), (2 * SIXTEENTH, True), (6, True)])
def test_two_booths(shared, overlaps):
    plan = Plan(ROOM, spaces=(booth("14", 100, 100, 96, 120), booth("15", 196 - shared, 100, 96, 120)))
    findings = found(plan)
    assert len(findings) == overlaps
    for finding in findings:
        assert finding.kind == "overlap"
        assert finding.parts == (Part("booth", "14"), Part("booth", "15"))
        assert finding.codes == ("14", "15")
        assert finding.measured_in16 == shared * 16


def test_the_sentence_says_what_and_how_to_mend_it_and_where():
    (finding,) = found(Plan(ROOM, spaces=(booth("14", 100, 100, 96, 120), booth("15", 190, 100, 96, 120))))
    assert finding.sentence == 'Booth 14 and booth 15 overlap by 6"; move one of them or draw it smaller.'
    assert finding.closed
    assert set(finding.at) == set(box(190, 100, 6, 120))


@pytest.mark.parametrize("degrees", TURNS)
def test_turned_booths(degrees):
    touching = Plan(ROOM, spaces=tuple(booth(str(n), 100 + 96.0625 * n, 100, 96, 120) for n in range(4)))
    assert found(turned(touching, degrees)) == []
    sharing = Plan(ROOM, spaces=(booth("14", 100, 100, 96, 120), booth("15", 190, 100, 96, 120)))
    (finding,) = found(turned(sharing, degrees))
    assert finding.measured_in16 == pytest.approx(96, abs=2)


def test_a_booth_within_another_overlaps_by_its_whole_depth():
    (finding,) = found(Plan(ROOM, spaces=(booth("1", 100, 100, 96, 120), booth("2", 110, 110, 20, 30, kind="case"))))
    assert finding.parts == (Part("booth", "1"), Part("case", "2"))
    assert finding.measured_in16 == 20 * 16


@pytest.mark.parametrize("kind", ["shelf", "wall"])
def test_shelves_and_walls_may_be_in_a_booth_share_an_outline_or_have_none(kind):
    spaces = (
        booth("1", 100, 100, 96, 120),
        booth("S1", 100, 100, 36, 12, kind=kind),
        booth("S2", 100, 100, 36, 12, kind=kind),
        PlanSpace("S3", kind),
    )
    assert found(Plan(ROOM, spaces=spaces, walls=(Wall("w", box(90, 100, 20, 30)),)))[0].codes == ("1", "w")
    assert len(found(Plan(ROOM, spaces=spaces, walls=(Wall("w", box(90, 100, 20, 30)),)))) == 1


@pytest.mark.parametrize(("beyond", "outside"), [(0, False), (SIXTEENTH, False), (2 * SIXTEENTH, True), (10, True), (96, True)])
def test_a_booth_outside_the_outline(beyond, outside):
    findings = found(Plan(ROOM, spaces=(booth("1", 600 - 96 + beyond, 100, 96, 120),)))
    assert [(f.kind, f.measured_in16) for f in findings] == ([("outside", beyond * 16)] if outside else [])


def test_a_booth_beside_a_room_that_is_an_l():
    room = outline((0, 0), (600, 0), (600, 200), (300, 200), (300, 400), (0, 400))
    (finding,) = found(Plan(room, spaces=(booth("1", 290, 190, 96, 120),)))
    assert (finding.kind, finding.codes) == ("outside", ("1",))
    assert finding.sentence == "Booth 1 stands 7' 2\" outside the mall's outline; move it in or mend the outline."


@pytest.mark.parametrize(
    ("part", "kind", "rectangle", "over"),
    [
        ("walls", "over_wall", (100, 100, 4, 300), True),
        ("walls", "over_wall", (96, 100, 4, 300), False),
        ("posts", "over_fixture", (150, 150, 12, 12), True),
        ("posts", "over_fixture", (196, 150, 12, 12), False),
        ("posts", "over_fixture", (195, 150, 12, 12), True),
    ],
)
def test_a_booth_over_a_wall_or_a_post(part, kind, rectangle, over):
    walls = (Wall("w", box(*rectangle)),) if part == "walls" else ()
    posts = (Fixture("P", "post", box(*rectangle)),) if part == "posts" else ()
    findings = found(Plan(ROOM, walls=walls, fixtures=posts, spaces=(booth("1", 100, 100, 96, 120),)))
    assert [f.kind for f in findings] == ([kind] if over else [])


def test_a_booth_may_stand_in_the_opening_of_a_wall_but_not_over_its_door():
    wall = Wall("w", outline((0, 200), (600, 200)), 96)
    door = Door("d", box(100, 197, 40, 6))
    spaces = (booth("1", 100, 150, 40, 80),)
    assert [f.kind for f in found(Plan(ROOM, (wall,), (door,), spaces=spaces))] == ["over_door"]


@pytest.mark.parametrize(
    ("rectangle", "over"),
    [((0, 100, 60, 40), True), ((0, 50, 60, 51), True), ((0, 40, 60, 60), False), ((1, 100, 60, 40), False)],
)
def test_a_booth_against_a_door_drawn_as_a_line_stands_over_it(rectangle, over):
    door = Door("front", outline((0, 100), (0, 136)), True)
    findings = found(Plan(ROOM, doors=(door,), spaces=(booth("1", *rectangle),)))
    assert [(f.kind, f.codes) for f in findings] == ([("over_door", ("1", "front"))] if over else [])


def test_a_shelf_may_not_stand_over_an_extinguisher():
    fixtures = (Fixture("X", "extinguisher", box(0, 100, 8, 8)), Fixture("P", "post", box(0, 120, 8, 8)))
    findings = found(Plan(ROOM, fixtures=fixtures, spaces=(booth("S", 0, 90, 12, 60, kind="shelf"),)))
    assert [f.codes for f in findings] == [("S", "X")]
    assert "extinguisher" in findings[0].sentence


def test_an_empty_plan_has_none():
    assert found(Plan(ROOM)) == []
