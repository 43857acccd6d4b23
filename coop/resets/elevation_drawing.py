"""A side of a booth seen square on, as SVG: what stands before it and hangs on it, in the units and manner of `drawing.py`."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from markupsafe import escape

from coop.core.geometry import IN16_PER_FOOT, format_length
from coop.core.words import joined
from coop.resets.domain.elevation import Elevation, Standing

SEEN_IN16 = 8 * IN16_PER_FOOT
"""Height that is drawn where nobody measured any."""


def elevation_svg(
    seen: Elevation,
    *,
    name: str,
    numbers: Mapping[str, int],
    colours: Mapping[str, str] | None = None,
    marked: Collection[str] = (),
    scale: int = 24,
    text_in16: int = 72,
) -> str:
    """One side with its pieces by their numbers. `scale`, `name` and `marked` are as `booth_svg` has them.

    `colours` are the main colours of pieces by key. Its text alternative names all that is drawn, from the left.
    """
    height = max(seen.top_in16, min(SEEN_IN16, seen.height_in16 or SEEN_IN16))
    left = min([0, *(one.left_in16 for one in seen.standing)]) - text_in16 // 2
    right = max([seen.width_in16, *(one.right_in16 for one in seen.standing)]) + text_in16 // 2
    top, bottom = -height - text_in16 * (3 if seen.limit_in16 else 1) // 2, 2 * text_in16
    # A side that was measured lower than what may stand before it is drawn as high as it is.
    body = [*_side(seen, height if seen.height_in16 is None else seen.height_in16, text_in16)]
    for one in seen.standing:
        body.append(_standing(one, numbers.get(one.key), (colours or {}).get(one.key, ""), text_in16, one.key in marked))
    body += _limits(seen, text_in16)
    said = escape(elevation_said(seen, numbers))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="booth elevation" role="img" aria-labelledby="{name}-title {name}-desc" '
        f'viewBox="{left} {top} {right - left} {bottom - top}" '
        f'width="{(right - left) / 16 / scale:.3f}in" height="{(bottom - top) / 16 / scale:.3f}in">'
        f'<title id="{name}-title">{escape(seen.name[:1].upper() + seen.name[1:])}, seen from inside</title>'
        f'<desc id="{name}-desc">{said}</desc>{"".join(body)}</svg>'
    )


def elevation_said(seen: Elevation, numbers: Mapping[str, int]) -> str:
    """What an elevation shows, in a sentence or two."""
    wide = f"It is {format_length(seen.width_in16)} wide" + (
        f" and {format_length(seen.height_in16)} high." if seen.height_in16 else "."
    )
    there = sorted(seen.standing, key=lambda one: (one.left_in16, one.bottom_in16))
    if not there:
        return f"{wide} Nothing stands before it."
    return f"{wide} From the left: {joined([_piece_said(one, numbers.get(one.key)) for one in there])}."


def _piece_said(one: Standing, number: int | None) -> str:
    called = f"{number} {one.name}" if number else one.name
    up = f" from {format_length(one.bottom_in16)}" if one.bottom_in16 else ""
    return f"{called}{up} to {format_length(one.top_in16)} high"


def _side(seen: Elevation, height: int, text: int) -> Iterator[str]:
    dashes = ' stroke-dasharray="24 18"' if seen.kind in ("open", "neighbour", "window") else ""
    yield (
        f'<rect class="elevation-side" x="0" y="{-height}" width="{seen.width_in16}" height="{height}" fill="currentColor" '
        f'fill-opacity="0.04" stroke="currentColor" stroke-width="4"{dashes}/>'
    )
    yield f'<line x1="0" y1="0" x2="{seen.width_in16}" y2="0" stroke="currentColor" stroke-width="14"/>'
    yield _text(seen.width_in16 // 2, round(1.4 * text), format_length(seen.width_in16), text)


def _standing(one: Standing, number: int | None, colour: str, text: int, is_marked: bool) -> str:
    fill = f'fill="{escape(colour or "currentColor")}" fill-opacity="{"0.3" if colour else "0.12"}"'
    dashed = ' stroke-dasharray="20 12"' if one.hangs else ""
    heavy = 18 if is_marked else 8
    label = ""
    if number is not None:
        size = max(24, min(text, one.width_in16, one.height_in16))
        label = _text(one.left_in16 + one.width_in16 // 2, -one.bottom_in16 - one.height_in16 // 2 + size // 3, str(number), size)
    return (
        f'<g class="booth-piece{" marked" if is_marked else ""}" data-key="{escape(one.key)}">'
        f'<rect x="{one.left_in16}" y="{-one.top_in16}" width="{one.width_in16}" height="{one.height_in16}" {fill} '
        f'stroke="currentColor" stroke-width="{heavy}"{dashed}/>{label}</g>'
    )


def _limits(seen: Elevation, text: int) -> Iterator[str]:
    """The booth's height limit as a line across, where there is one."""
    if seen.limit_in16 is not None:
        yield (
            f'<line class="elevation-limit" x1="{-text}" y1="{-seen.limit_in16}" x2="{seen.width_in16 + text}" '
            f'y2="{-seen.limit_in16}" stroke="currentColor" stroke-width="8" stroke-dasharray="40 20"/>'
        )
        yield _text(seen.width_in16 // 2, -seen.limit_in16 - text // 2, f"no higher than {format_length(seen.limit_in16)}", text)


def _text(x: int, y: int, words: str, size: int) -> str:
    return f'<text x="{x}" y="{y}" font-size="{size}" text-anchor="middle" fill="currentColor">{escape(words)}</text>'
