"""What is typed when a booth is measured: as width by depth with its four sides, or corner by corner."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any, cast

from flask_wtf import FlaskForm
from wtforms import BooleanField, Field, FieldList, FormField, StringField
from wtforms import Form as PlainForm

from coop.core.fields import ChoiceField, DayField, LengthField, Needed, is_written, stripped, told
from coop.floor.domain.plan import Outline
from coop.resets.domain.booth import WAY_IN16, Booth, Side
from coop.resets.measuring import MOST_CORNERS, MOST_OUTLETS, MOST_POSTS
from coop.resets.wording import SIDE_WORDS, extent

NAMED = ("back", "right", "front", "left")
"""The sides of a rectangle in the order they run."""
BY = ("sides", "corners")
"""How a booth is measured."""


class SideForm(PlainForm):  # type: ignore[misc]
    kind = ChoiceField("What it is", choices=SIDE_WORDS, default="wall")
    hooks = BooleanField("Takes hooks")
    height = LengthField("Height of the wall")

    @property
    def side(self) -> Side:
        return Side(self.kind.data, self.hooks.data, self.height.data)


class PlaceForm(PlainForm):  # type: ignore[misc]
    """A place in the booth, as one looks in."""

    x = LengthField("From the left")
    y = LengthField("From the back")

    @property
    def is_empty(self) -> bool:
        return not is_written(field for field in self if isinstance(field, LengthField))

    @property
    def at(self) -> tuple[int, int]:
        return (self.x.data or 0, self.y.data or 0)

    def ask_both(self) -> None:
        for field in (self.x, self.y):
            if field.data is None and not field.errors:
                told(field, "Write how far it is, 0 where it is nothing.")


class CornerForm(PlaceForm, SideForm):
    """A corner, and the side from it to the next one."""

    @property
    def is_empty(self) -> bool:
        return not is_written((self.x, self.y))


class PostForm(PlaceForm):
    width = LengthField("Width")
    depth = LengthField("Depth")

    @property
    def outline(self) -> Outline:
        (x, y), width, depth = self.at, self.width.data or 0, self.depth.data or 0
        return ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))


class MeasureForm(FlaskForm):  # type: ignore[misc]
    width = LengthField("Width")
    depth = LengthField("Depth")
    back = FormField(SideForm)
    right = FormField(SideForm)
    front = FormField(SideForm)
    left = FormField(SideForm)
    corners = FieldList(FormField(CornerForm), max_entries=MOST_CORNERS)
    posts = FieldList(FormField(PostForm), max_entries=MOST_POSTS)
    outlets = FieldList(FormField(PlaceForm), max_entries=MOST_OUTLETS)
    height_limit = LengthField("Height limit")
    way = LengthField("Path inside")
    aisle = LengthField("Depth of the aisle")
    measured_on = DayField("Measured on", validators=[Needed("Write the day it was measured, like 2026-11-03.")])
    measured_by = StringField("Measured by", filters=[stripped])

    @property
    def named_sides(self) -> list[tuple[str, FormField]]:
        return [(name, self[name]) for name in NAMED]

    @classmethod
    def of(cls, booth: Booth, by: str, *, measured_on: date, measured_by: str) -> MeasureForm:
        """A form that shows a booth, with room for a few more corners, posts and outlets."""
        width, depth = extent(booth.outline)
        data: dict[str, Any] = {
            "width": width,
            "depth": depth,
            "posts": [_post(post) for post in booth.posts],
            "outlets": [{"x": x, "y": y} for x, y in booth.outlets],
            "height_limit": booth.height_limit_in16,
            "way": booth.way_in16,
            "aisle": booth.aisle_in16 or None,
            "measured_on": measured_on,
            "measured_by": measured_by,
        }
        sides = [{"kind": side.kind, "hooks": side.hooks, "height": side.height_in16} for side in booth.sides]
        if by == "corners":
            data["corners"] = [{"x": x, "y": y, **side} for (x, y), side in zip(booth.outline, sides, strict=True)]
        elif is_rectangle(booth):
            data |= dict(zip(NAMED, sides, strict=True))
        form = cls(formdata=None, data=data)
        form.give_room(by)
        return form

    def give_room(self, by: str) -> None:
        """Empty rows for one more post, two more outlets and, by corners, two more of those."""
        lists = ((self.posts, 1), (self.outlets, 2), *(((self.corners, 2),) if by == "corners" else ()))
        for rows, more in lists:
            for _ in range(min(more, rows.max_entries - len(rows.entries))):
                rows.append_entry()

    def read(self, by: str) -> Booth | None:
        """The booth as it was written; None where something could not be read, and each field says what."""
        is_good = self.validate()
        outline, sides = self._by_corners() if by == "corners" else self._by_sides()
        posts = [cast(PostForm, row) for row in self._used(self.posts)]
        outlets = self._used(self.outlets)
        for row in (*posts, *outlets):
            row.ask_both()
        if not is_good or any(field.errors for field in self._leaves(by)):
            return None
        return Booth(
            outline,
            sides,
            posts=tuple(row.outline for row in posts),
            outlets=tuple(row.at for row in outlets),
            height_limit_in16=self.height_limit.data,
            way_in16=WAY_IN16 if self.way.data is None else self.way.data,
            aisle_in16=self.aisle.data or 0,
        )

    def _by_sides(self) -> tuple[Outline, tuple[Side, ...]]:
        for field, words in ((self.width, "across its front, like 10'"), (self.depth, "from the aisle to the back, like 12'")):
            if not field.data and not field.errors:
                told(field, f"Write it {words}.")
        width, depth = self.width.data or 0, self.depth.data or 0
        sides = tuple(cast(SideForm, field.form).side for _, field in self.named_sides)
        return ((0, 0), (width, 0), (width, depth), (0, depth)), sides

    def _by_corners(self) -> tuple[Outline, tuple[Side, ...]]:
        rows = [cast(CornerForm, row) for row in self._used(self.corners)]
        for row in rows:
            row.ask_both()
        if len(rows) < 3:
            told(self._used_or_first(self.corners, 0).x, "Write three corners or more, going round the booth.")
        return tuple(row.at for row in rows), tuple(row.side for row in rows)

    def _used(self, rows: FieldList) -> list[PlaceForm]:
        return [row.form for row in rows.entries if not row.form.is_empty]

    def _used_or_first(self, rows: FieldList, n: int) -> Any:
        used = self._used(rows)
        return used[n] if n < len(used) else rows.entries[0].form

    def tell(self, faults: Mapping[str, str], by: str) -> None:
        """Put what a measuring is refused for at its fields."""
        for key, sentence in faults.items():
            told(self._field_of(key, by), sentence)

    def _field_of(self, key: str, by: str) -> Field:
        word, _, number = key.partition(" ")
        n = int(number or 1) - 1
        if word == "outline":
            return self._used_or_first(self.corners, 0).x if by == "corners" else self.width
        if word == "side":
            return self._used_or_first(self.corners, n).kind if by == "corners" else self.named_sides[n][1].form.kind
        if word in ("post", "outlet"):
            return self._used_or_first(self.posts if word == "post" else self.outlets, n).x
        return self[key]

    def wrong(self, by: str) -> bool:
        return any(field.errors for field in self._leaves(by))

    def _leaves(self, by: str) -> Iterator[Field]:
        left_out = (*NAMED, "width", "depth") if by == "corners" else ("corners",)
        for field in self:
            if field.short_name not in left_out:
                yield from _leaves_of(field)


def _leaves_of(field: Field) -> Iterator[Field]:
    if isinstance(field, FormField):
        for one in field.form:
            yield from _leaves_of(one)
    elif isinstance(field, FieldList):
        for one in field.entries:
            yield from _leaves_of(one)
    else:
        yield field


def is_rectangle(booth: Booth) -> bool:
    """Whether width and depth say all of its outline."""
    width, depth = extent(booth.outline)
    return booth.outline == ((0, 0), (width, 0), (width, depth), (0, depth))


def _post(corners: Sequence[tuple[int, int]]) -> dict[str, int]:
    """The rectangle round a post."""
    xs, ys = zip(*corners, strict=True)
    return {"x": min(xs), "y": min(ys), "width": max(xs) - min(xs), "depth": max(ys) - min(ys)}
