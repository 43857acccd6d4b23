"""Reads a staff-scheduling instance as text: the format of the published benchmark instances.

Curtois, T. and Qu, R. (2014), Computational results on new staff scheduling benchmark instances. Sections begin with
`SECTION_...`; `#` begins a comment; the horizon starts on a Monday.
"""

from __future__ import annotations

from collections.abc import Container, Iterator

from coop.core.errors import Refusal
from coop.shifts.solving.problem import DAY_MINUTES, Cover, Forbidden, Kind, Limits, Person, Problem, Request

SECTIONS = ("HORIZON", "SHIFTS", "STAFF", "DAYS_OFF", "SHIFT_ON_REQUESTS", "SHIFT_OFF_REQUESTS", "COVER")


class InstanceRefused(Refusal):
    """The text is no instance: the sentence names section, line and mend."""


class _Row:
    """One line of a section, cut at its commas."""

    def __init__(self, section: str, line: int, text: str) -> None:
        self.section, self.line = section, line
        self.cells = [cell.strip() for cell in text.split(",")]

    def refuse(self, sentence: str) -> InstanceRefused:
        return InstanceRefused(f"SECTION_{self.section}, line {self.line}: {sentence}")

    def has(self, *names: str) -> None:
        if len(self.cells) != len(names):
            raise self.refuse(f"{len(names)} fields are needed ({', '.join(names)}), {len(self.cells)} are there.")

    def new(self, at: int, what: str, taken: Container[str]) -> str:
        text = self.cells[at]
        if not text:
            raise self.refuse(f"the {what} is empty. Name it.")
        if text in taken:
            raise self.refuse(f"the {what} {text!r} is there twice. Keep one.")
        return text

    def known(self, at: int, what: str, names: Container[str]) -> str:
        text = self.cells[at]
        if text not in names:
            raise self.refuse(f"there is no {what} {text!r}. Name it in its own section first.")
        return text

    def number(self, at: int, what: str, *, text: str | None = None, least: int = 0, most: int | None = None) -> int:
        text = self.cells[at] if text is None else text
        value = int(text) if text.isascii() and text.isdigit() else -1
        if value < least or (most is not None and value > most):
            limits = f"a whole number from {least}" + (f" to {most}" if most is not None else "")
            raise self.refuse(f"the {what} is {text!r}. Write {limits}.")
        return value


def _sections(text: str) -> dict[str, list[_Row]]:
    found: dict[str, list[_Row]] = {}
    current: str | None = None
    for number, whole in enumerate(text.splitlines(), 1):
        line = whole.split("#", 1)[0].strip()
        if not line:
            continue
        if line.startswith("SECTION_"):
            current = line.removeprefix("SECTION_")
            if current not in SECTIONS:
                raise InstanceRefused(f"Line {number}: there is no section {line}. The sections are {', '.join(SECTIONS)}.")
            if current in found:
                raise InstanceRefused(f"Line {number}: {line} is there twice. Put its lines together.")
            found[current] = []
        elif current is None:
            raise InstanceRefused(f"Line {number}: {line[:40]!r} stands before the first section. Begin with SECTION_HORIZON.")
        else:
            found[current].append(_Row(current, number, line))
    missing = [section for section in ("HORIZON", "SHIFTS", "STAFF", "COVER") if not found.get(section)]
    if missing:
        raise InstanceRefused(f"SECTION_{missing[0]} is missing or empty. Without it there is nothing to solve.")
    return found


def _shifts(rows: list[_Row]) -> dict[str, Kind]:
    names = {row.cells[0]: row for row in rows}
    kinds: dict[str, Kind] = {}
    for row in rows:
        row.has("ShiftID", "length in minutes", "shifts that cannot follow")
        name = row.new(0, "shift", kinds)
        barred = frozenset(part.strip() for part in row.cells[2].split("|") if part.strip())
        if unknown := sorted(barred - set(names)):
            raise row.refuse(f"there is no shift {unknown[0]!r} that could not follow. Name it in this section.")
        kinds[name] = Kind(name, row.number(1, "length in minutes", least=1, most=DAY_MINUTES), bars_next_day=barred)
    return kinds


def _staff(rows: list[_Row], kinds: dict[str, Kind]) -> dict[str, Person]:
    people: dict[str, Person] = {}
    for row in rows:
        row.has(
            "ID",
            "MaxShifts",
            "MaxTotalMinutes",
            "MinTotalMinutes",
            "MaxConsecutiveShifts",
            "MinConsecutiveShifts",
            "MinConsecutiveDaysOff",
            "MaxWeekends",
        )
        name = row.new(0, "employee", people)
        most: dict[str, int] = {}
        for part in (part.strip() for part in row.cells[1].split("|") if part.strip()):
            kind, _, count = (piece.strip() for piece in part.partition("="))
            if kind not in kinds or kind in most:
                raise row.refuse(f"MaxShifts has {part!r}. Write each shift of SECTION_SHIFTS once, as D=14.")
            most[kind] = row.number(1, f"most of {kind}", text=count)
        least = row.number(3, "MinTotalMinutes")
        longest = row.number(4, "MaxConsecutiveShifts", least=1)
        limits = Limits(
            most_by_kind=tuple(most.items()),
            most_minutes=row.number(2, "MaxTotalMinutes", least=least),
            least_minutes=least,
            longest_run_days=longest,
            shortest_run_days=row.number(5, "MinConsecutiveShifts", least=1, most=longest),
            shortest_break_days=row.number(6, "MinConsecutiveDaysOff", least=1),
            most_weekends=row.number(7, "MaxWeekends"),
        )
        people[name] = Person(name, limits)
    return people


def _requests(rows: list[_Row], days: int, kinds: Container[str], people: Container[str], *, wanted: bool) -> Iterator[Request]:
    for row in rows:
        row.has("EmployeeID", "Day", "ShiftID", "Weight")
        yield Request(
            row.known(0, "employee", people),
            row.number(1, "day", most=days - 1),
            frozenset({row.known(2, "shift", kinds)}),
            wanted,
            row.number(3, "weight"),
        )


def _covers(rows: list[_Row], days: int, kinds: Container[str]) -> Iterator[Cover]:
    seen = set()
    for row in rows:
        row.has("Day", "ShiftID", "Requirement", "Weight for under", "Weight for over")
        day, kind = row.number(0, "day", most=days - 1), row.known(1, "shift", kinds)
        if (day, kind) in seen:
            raise row.refuse(f"the cover of day {day} and shift {kind!r} is there twice. Keep one.")
        seen.add((day, kind))
        required, under, over = (row.number(at, what) for at, what in ((2, "requirement"), (3, "weight"), (4, "weight")))
        yield Cover(day, frozenset({kind}), required, under, over, name=f"day {day} {kind}")


def read_instance(text: str) -> Problem:
    """The problem that an instance states: one tier named `cost`, one shift a person and day. Raises InstanceRefused."""
    found = _sections(text)
    (horizon, *more) = found["HORIZON"]
    if more:
        raise more[0].refuse("the horizon is one number. Take this line out.")
    horizon.has("days")
    days = horizon.number(0, "number of days", least=1, most=366)
    kinds = _shifts(found["SHIFTS"])
    people = _staff(found["STAFF"], kinds)
    off: list[Forbidden] = []
    for row in found.get("DAYS_OFF", []):
        name = row.known(0, "employee", people)
        off += [Forbidden(name, row.number(0, "day", text=cell, most=days - 1)) for cell in row.cells[1:]]
    asked = [
        request
        for section, wanted in (("SHIFT_ON_REQUESTS", True), ("SHIFT_OFF_REQUESTS", False))
        for request in _requests(found.get(section, []), days, kinds, people, wanted=wanted)
    ]
    return Problem(
        days=days,
        people=tuple(people.values()),
        kinds=tuple(kinds.values()),
        covers=tuple(_covers(found["COVER"], days, kinds)),
        requests=tuple(asked),
        forbidden=tuple(off),
        weekends=tuple(tuple(day for day in (saturday, saturday + 1) if day < days) for saturday in range(5, days, 7)),
    )
