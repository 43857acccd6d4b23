"""A mall's plan as it is saved: outline, parts and spaces as plain values, from the editor's JSON or a file; what it changes.

A draft says the whole plan. What it does not name is taken away, except retired spaces, which it never holds. As JSON:
{"outline": [[x, y], ...], "required_clear_in16": 576, "tolerance_percent": "2",
 "parts": [{"code": "N", "kind": "wall", "outline": [[x, y], ...], "height_in16": 1536}],
 "spaces": [{"code": "14", "kind": "booth", "zone": "front", "outline": [[x, y], ...]}]}
Lengths are whole sixteenths of an inch. `height_in16`, a space's `outline`, `required_clear_in16` and `tolerance_percent` may be
left out: nobody measured it, it is not drawn yet, 36 in., 2. A door or an exit may have two corners, its ends; anything else has
three or more.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from coop.core.checked_json import PERCENT, check, closed, parse_json
from coop.core.geometry import IN16_PER_FOOT
from coop.floor.domain.plan import (
    LEAST_CLEAR_IN16,
    SPACE_KINDS,
    Aisle,
    Door,
    Fixture,
    Outline,
    Part,
    Plan,
    PlanFault,
    PlanSpace,
    Wall,
    plan_faults,
)

PART_KINDS = ("wall", "door", "exit", "aisle", "post", "counter", "extinguisher", "fixture")
LONGEST_CODE = 20
TOLERANCE_PERCENT = Decimal(2)
"""How far a leased area may be from the drawn one where the plan says nothing else."""
_FARTHEST_IN16 = 10_000 * IN16_PER_FOOT


@dataclass(frozen=True)
class PartDraft:
    """A wall, door, exit, aisle, post, counter, extinguisher or other fixture; a counter's height is its surface's."""

    code: str
    kind: str
    outline: Outline
    height_in16: int | None = None


@dataclass(frozen=True)
class SpaceDraft:
    """A rented space with the zone its rent goes by; no outline while it is not drawn."""

    code: str
    kind: str
    zone: str
    outline: Outline = ()


@dataclass(frozen=True)
class PlanDraft:
    """A whole plan. `required_clear_in16` holds for every aisle without a width of its own."""

    outline: Outline
    parts: tuple[PartDraft, ...] = ()
    spaces: tuple[SpaceDraft, ...] = ()
    required_clear_in16: int = LEAST_CLEAR_IN16
    tolerance_percent: Decimal = TOLERANCE_PERCENT


# --- as a plan --------------------------------------------------------------------------------------------------------------


def to_plan(draft: PlanDraft, aisle_widths_in16: Mapping[str, int] | None = None) -> Plan:
    """What is drawn of a draft. `aisle_widths_in16` are required clear widths by the code of an aisle; "" is every aisle's."""
    widths = aisle_widths_in16 or {}
    of_kind = {kind: [part for part in draft.parts if part.kind == kind] for kind in PART_KINDS}
    fixtures = [part for part in draft.parts if part.kind in ("post", "counter", "extinguisher", "fixture")]
    return Plan(
        outline=draft.outline,
        walls=tuple(Wall(part.code, part.outline) for part in of_kind["wall"]),
        doors=tuple(Door(part.code, part.outline, part.kind == "exit") for part in (*of_kind["door"], *of_kind["exit"])),
        aisles=tuple(Aisle(part.code, part.outline, widths.get(part.code)) for part in of_kind["aisle"]),
        fixtures=tuple(
            Fixture(part.code, "other" if part.kind == "fixture" else part.kind, part.outline, part.height_in16)
            for part in fixtures
        ),
        spaces=tuple(PlanSpace(space.code, space.kind, space.outline) for space in draft.spaces if space.outline),
        required_clear_in16=widths.get("", draft.required_clear_in16),
    )


def draft_faults(draft: PlanDraft) -> list[PlanFault]:
    """Why a draft cannot be saved: all of it at once, in the order of its parts. What stands badly is a finding, not a fault."""
    return [*_own_faults(draft), *_known_once(plan_faults(to_plan(draft)), draft)]


def _own_faults(draft: PlanDraft) -> Iterator[PlanFault]:
    for n, part in enumerate(draft.parts, 1):
        named = Part(part.kind if part.kind in PART_KINDS else "part", part.code or f"no. {n}")
        yield from _code_faults(named, part.code)
        if part.kind not in PART_KINDS:
            yield PlanFault(named, "kind", f"is {part.kind!r}; it is one of {', '.join(PART_KINDS)}.")
        if part.height_in16 is not None and part.height_in16 <= 0 and part.kind in ("wall", "door", "exit", "aisle"):
            yield PlanFault(named, "height_in16", "must be above zero; leave it empty where nobody measured it.")
    for n, space in enumerate(draft.spaces, 1):
        named = Part("space", space.code or f"no. {n}")
        yield from _code_faults(named, space.code)
        if space.kind not in SPACE_KINDS:
            yield PlanFault(named, "kind", f"is {space.kind!r}; it is one of {', '.join(SPACE_KINDS)}.")
        if not space.zone.strip():
            yield PlanFault(named, "zone", "is empty; name the zone its rent goes by, such as front.")
        elif len(space.zone) > LONGEST_CODE:
            yield PlanFault(named, "zone", f"is longer than {LONGEST_CODE} characters; shorten it.")
    for kind, codes in (("part", [part.code for part in draft.parts]), ("space", [space.code for space in draft.spaces])):
        for code in sorted({code for code in codes if code.strip() and codes.count(code) > 1}):
            yield PlanFault(Part(kind, code), "code", f"is used {codes.count(code)} times; give each {kind} its own.")
    if draft.tolerance_percent < 0 or draft.tolerance_percent > 100:
        yield PlanFault(Part("plan", ""), "tolerance_percent", "must be from 0 to 100.")


def _code_faults(named: Part, code: str) -> Iterator[PlanFault]:
    if not code.strip():
        yield PlanFault(named, "code", "is empty; give it one.")
    elif len(code) > LONGEST_CODE or code != code.strip() or not code.isprintable():
        yield PlanFault(named, "code", f"must be 1 to {LONGEST_CODE} characters without blanks before or after.")


def _known_once(faults: Iterator[PlanFault], draft: PlanDraft) -> Iterator[PlanFault]:
    """Without those that a draft's own rules say already: codes and the kinds of spaces."""
    called = {part.code: part.kind for part in draft.parts}
    for fault in faults:
        if fault.field == "code" or (fault.part.kind == "space" and fault.field == "kind"):
            continue
        named = fault.part if fault.part.kind in ("space", "plan") else Part(called[fault.part.code], fault.part.code)
        # Walls and doors have outlines here, whatever else the plan knows.
        yield PlanFault(named, "outline" if fault.field == "points" else fault.field, fault.reason)


# --- what it changes --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PlanChange:
    """What saving a draft changes, each named as `booth 14`; `changed` says what of it."""

    added: tuple[str, ...]
    changed: tuple[str, ...]
    removed: tuple[str, ...]

    def __bool__(self) -> bool:
        return bool(self.added or self.changed or self.removed)


def plan_change(before: PlanDraft | None, after: PlanDraft) -> PlanChange:
    """The difference between the plan there is (None: none yet) and a draft."""
    changed = []
    was = before or PlanDraft(())
    for field, name in (
        ("outline", "the outline"),
        ("required_clear_in16", "the clear width of aisles"),
        ("tolerance_percent", "the tolerance of areas"),
    ):
        if before and getattr(before, field) != getattr(after, field):
            changed.append(name)
    old: dict[tuple[str, str], Any] = _by_code(was)
    new: dict[tuple[str, str], Any] = _by_code(after)
    for key, thing in new.items():
        fields = [field for field in _FIELDS if key in old and _told(old[key], field) != _told(thing, field)]
        if fields:
            changed.append(f"{thing.kind} {thing.code} ({', '.join(f.removesuffix('_in16') for f in fields)})")
    return PlanChange(
        added=tuple(f"{thing.kind} {thing.code}" for key, thing in new.items() if key not in old),
        changed=tuple(changed),
        removed=tuple(f"{thing.kind} {thing.code}" for key, thing in old.items() if key not in new),
    )


_FIELDS = ("kind", "zone", "outline", "height_in16")


def _told(thing: PartDraft | SpaceDraft, field: str) -> Any:
    """What of a thing is compared: the same corners are the same outline, whichever comes first and whichever way round."""
    value = getattr(thing, field, None)
    if field != "outline" or not value:
        return value
    first = value.index(min(value))
    ring = value[first:] + value[:first]
    return min(ring, (ring[0], *reversed(ring[1:])))


def _by_code(draft: PlanDraft) -> dict[tuple[str, str], PartDraft | SpaceDraft]:
    parts: dict[tuple[str, str], PartDraft | SpaceDraft] = {("part", part.code): part for part in draft.parts}
    return parts | {("space", space.code): space for space in draft.spaces}


# --- JSON -------------------------------------------------------------------------------------------------------------------

_LENGTH = {"type": "integer", "minimum": -_FARTHEST_IN16, "maximum": _FARTHEST_IN16, "examples": [1440]}
_HEIGHT = {**_LENGTH, "minimum": 1}
_OUTLINE = {
    "type": "array",
    "items": {"type": "array", "items": _LENGTH, "minItems": 2},
    "minItems": 2,
    "examples": [[[0, 0], [1440, 0], [1440, 1920], [0, 1920]]],
}
_TEXT = {"type": "string", "examples": ["14"]}
SCHEMA = closed(
    {
        "outline": _OUTLINE,
        "required_clear_in16": _HEIGHT,
        "tolerance_percent": PERCENT,
        "parts": {
            "type": "array",
            "items": closed(
                {"code": _TEXT, "kind": _TEXT, "outline": _OUTLINE, "height_in16": _HEIGHT}, ("code", "kind", "outline")
            ),
        },
        "spaces": {
            "type": "array",
            "items": closed({"code": _TEXT, "kind": _TEXT, "zone": _TEXT, "outline": _OUTLINE}, ("code", "kind", "zone")),
        },
    },
    ("outline", "parts", "spaces"),
    "A mall's whole plan, lengths in sixteenths of an inch",
)


def read_draft(text: str) -> PlanDraft:
    """The draft that a JSON text says. Raises ValueError with a sentence that names the path of the first thing wrong."""
    return draft_of_json(parse_json(text))


def draft_of_json(value: Any) -> PlanDraft:
    """The draft of a JSON value that was parsed already. Raises ValueError as `read_draft` does."""
    check(value, SCHEMA)
    return PlanDraft(
        outline=_outline(value["outline"], "outline"),
        parts=_each(value, "parts", _part),
        spaces=_each(value, "spaces", _space),
        required_clear_in16=value.get("required_clear_in16", LEAST_CLEAR_IN16),
        tolerance_percent=Decimal(value.get("tolerance_percent", TOLERANCE_PERCENT)),
    )


def _each(value: Mapping[str, Any], key: str, read: Callable[[Mapping[str, Any], str], Any]) -> tuple[Any, ...]:
    return tuple(read(item, f"{key}[{n}].outline") for n, item in enumerate(value[key]))


def _part(item: Mapping[str, Any], path: str) -> PartDraft:
    return PartDraft(item["code"], item["kind"], _outline(item["outline"], path), item.get("height_in16"))


def _space(item: Mapping[str, Any], path: str) -> SpaceDraft:
    return SpaceDraft(item["code"], item["kind"], item["zone"], _outline(item.get("outline", []), path))


def _outline(corners: Sequence[Sequence[int]], path: str) -> Outline:
    for n, corner in enumerate(corners):
        if len(corner) != 2:
            raise ValueError(f"{path}[{n}] has {len(corner)} numbers; a corner is [x, y].")
    return tuple((corner[0], corner[1]) for corner in corners)


def draft_value(draft: PlanDraft) -> dict[str, Any]:
    """A draft as the JSON value that `draft_of_json` reads."""
    parts: list[dict[str, Any]] = []
    for part in draft.parts:
        parts.append({"code": part.code, "kind": part.kind, "outline": [list(corner) for corner in part.outline]})
        if part.height_in16 is not None:
            parts[-1]["height_in16"] = part.height_in16
    spaces: list[dict[str, Any]] = []
    for space in draft.spaces:
        spaces.append({"code": space.code, "kind": space.kind, "zone": space.zone})
        if space.outline:
            spaces[-1]["outline"] = [list(corner) for corner in space.outline]
    return {
        "outline": [list(corner) for corner in draft.outline],
        "required_clear_in16": draft.required_clear_in16,
        "tolerance_percent": format(draft.tolerance_percent.normalize(), "f"),
        "parts": parts,
        "spaces": spaces,
    }
