"""A space from above with its sides numbered, and its sides in words: where people come in is said by them."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from markupsafe import Markup, escape

from coop.core.geometry import format_length
from coop.floor.domain.plan import Outline
from coop.office.floor_forms import bounds
from coop.overflow.openings import side_in16

_PLACES = ("at the top", "at the right", "at the bottom", "at the left")


def side_words(outline: Outline) -> list[str]:
    """`side 1, at the top, 12' 0" long`, as the drawing has them."""
    return [
        f"side {n + 1}, {_PLACES[_facing(outline, n)]}, {format_length(side_in16(outline, n))} long" for n in range(len(outline))
    ]


def _facing(outline: Outline, side: int) -> int:
    """Which of _PLACES a side is nearest to, seen from the middle of the space."""
    left, top, width, depth = bounds(outline)
    (ax, ay), (bx, low) = outline[side], outline[(side + 1) % len(outline)]
    across, down = (ax + bx) / 2 - left - width / 2, (ay + low) / 2 - top - depth / 2
    if abs(low - ay) > abs(bx - ax):
        return 1 if across > 0 else 3
    return 2 if down > 0 else 0


def booth_drawing(outline: Outline, openings: Sequence[tuple[int, int, int]]) -> Markup:
    """A space with its sides numbered, a dot where each begins, and its openings as gaps; no style, the ink is the page's."""
    left, top, width, depth = bounds(outline)
    size = max(width, depth) // 14
    rim = 2 * size
    points = " ".join(f"{x},{y}" for x, y in outline)
    hair = size // 8
    shapes = [f'<polygon points="{points}" fill="none" stroke="currentColor" stroke-width="{hair}"/>']
    middle = left + width / 2, top + depth / 2
    for n, (ax, ay) in enumerate(outline):
        bx, low = outline[(n + 1) % len(outline)]
        x, y = (ax + bx) / 2, (ay + low) / 2
        far = max(hypot(x - middle[0], y - middle[1]), 1)
        x, y = x + (x - middle[0]) / far * size, y + (y - middle[1]) / far * size
        shapes.append(f'<text x="{x:.0f}" y="{y + size * 0.35:.0f}" font-size="{size}" text-anchor="middle">{n + 1}</text>')
        along = side_in16(outline, n) or 1
        dx, dy = (bx - ax) / along, (low - ay) / along
        shapes.append(f'<circle cx="{ax + dx * size:.0f}" cy="{ay + dy * size:.0f}" r="{size // 4}"/>')
        for side, begin, wide in openings:
            if side == n and begin + wide <= along:
                ends = (
                    f"M{ax + dx * begin:.0f} {ay + dy * begin:.0f}L{ax + dx * (begin + wide):.0f} {ay + dy * (begin + wide):.0f}"
                )
                shapes.append(f'<path class="gap" d="{ends}" stroke="currentColor" stroke-width="{5 * hair}"/>')
    title = escape("The space from above, its sides by their numbers; thick where people come in, a dot where each side begins")
    view = f"{left - rim} {top - rim} {width + 2 * rim} {depth + 2 * rim}"
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="booth-sides" role="img" aria-labelledby="booth-title" viewBox="{view}" '
        f'width="340" height="{340 * (depth + 2 * rim) // (width + 2 * rim)}" fill="currentColor">'
        f'<title id="booth-title">{title}</title>{"".join(shapes)}</svg>'
    )
