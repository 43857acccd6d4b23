"""What is wrong with an arrangement, all of it at once: `judge`.

| part | what it does |
| --- | --- |
| boxes, scene | rectangles as arrays; the arrangement and its booth read once, and what things are called |
| overlaps | two in one place; doors and drawers that cannot open |
| bounds | through a wall, a side or a post; in the aisle; over the height limit; larger than booth or opening |
| stacks | circles, missing carriers, loads, overhangs, weights nobody knows |
| walls | what hangs without hooks or above its wall; what leans on nothing |
| ways | the travelling disc: ways too narrow, pieces out of reach |
| sight | pieces nobody sees |

Everything is told for planning only; `caution.CAUTION` stands beside it.
"""

from __future__ import annotations

from coop.resets.domain.booth import Booth
from coop.resets.domain.finding import Finding
from coop.resets.domain.fit.bounds import bound_findings, height_findings
from coop.resets.domain.fit.overlaps import opening_findings, overlap_findings
from coop.resets.domain.fit.scene import Scene
from coop.resets.domain.fit.sight import sight_findings
from coop.resets.domain.fit.stacks import stack_findings
from coop.resets.domain.fit.walls import hanging_findings, leaning_findings
from coop.resets.domain.fit.ways import Ways, way_findings
from coop.resets.domain.piece import Arrangement


def judge(booth: Booth, arrangement: Arrangement) -> list[Finding]:
    """Every finding, those that stop a set first, then in the order of the checks.

    Of a stack that goes in a circle only that is told: nobody knows how high its pieces are. Under 50 ms of processor time for 60
    pieces (`coop bench`).
    """
    scene = Scene(booth, arrangement)
    ways = Ways(scene)
    found = [*stack_findings(scene), *overlap_findings(scene), *bound_findings(scene), *height_findings(scene)]
    opening = list(opening_findings(scene))
    found += [*opening, *hanging_findings(scene), *leaning_findings(scene)]
    found += way_findings(ways, {one.pieces[0] for one in opening})
    found += sight_findings(ways)
    return sorted(found, key=lambda one: not one.stops)
