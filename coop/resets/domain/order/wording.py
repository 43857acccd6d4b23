"""What each move says."""

from __future__ import annotations

from collections.abc import Sequence

from coop.core.words import joined
from coop.resets.domain.order.moves import How, MoveKind

_HELD: dict[How, str] = {
    "upright": "",
    "tilted": ", tilted",
    "on end": ", stood on its end",
    "parts off": ", with its loose parts off",
    "by hand": ", by hand",
}


def sentence_of(
    name: str,
    kind: MoveKind,
    how: How,
    *,
    area: str = "",
    off: Sequence[str] = (),
    below: str = "",
    hold: str = "",
    hangs: bool = False,
) -> str:
    """`area`: the staging floor it goes to or comes from; `off`: what was lifted off it; `below`: what it stands on, by hand;
    `hold`: why it does not go home."""
    held = _HELD[how]
    where = f"on {below}" if below else "on its hook" if hangs else "in its place"
    told = {
        "out": f"carry it to {area}{held}: it is {hold} and does not go home" if hold else f"carry it out of the booth{held}",
        "stage": f"put it on the staging floor {area} for now{held}" if area else f"set it aside for now{held}",
        "shift": f"put it {where}{held}" if how == "by hand" else f"move it straight to its next place{held}",
        "in": f"put it {where}{held}" if how == "by hand" else f"carry it in to its place{held}",
    }[kind]
    if kind == "in" and area:
        told = f"bring it from the staging floor {area} and {told}"
    first = f" {joined(list(off))} {'is' if len(off) == 1 else 'are'} off it." if off else ""
    return f"{name}: {told}.{first}"
