"""Reads the plain part of YAML that docker-compose.yml keeps to, and refuses the rest by line.

Mappings and lists by two-space indents, scalars plain or in double quotes, `{}`. No anchors, flow, block text or tabs.
"""

from __future__ import annotations

import json
import re

Value = str | list["Value"] | dict[str, "Value"]

_KEY = re.compile(r"([A-Za-z_][\w.-]*):(?: (.*))?")
_PLAIN = re.compile(r"[A-Za-z0-9./_][^#:{}\[\]&*!|>'\"%@`,]*")


class NotPlain(Exception):
    """A line is not in the plain part; the message names it."""


def read(text: str) -> dict[str, Value]:
    """The document's mapping. Raises NotPlain."""
    lines = [
        (number, len(line) - len(line.lstrip(" ")), line.strip())
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    value, rest = _block(lines, 0)
    if rest or not isinstance(value, dict):
        raise NotPlain(f"line {rest[0][0] if rest else 1}: the indent is wrong")
    return value


Lines = list[tuple[int, int, str]]


def _block(lines: Lines, indent: int) -> tuple[Value, Lines]:
    if lines[0][2].startswith("- "):
        items: list[Value] = []
        while lines and lines[0][1] == indent and lines[0][2].startswith("- "):
            items.append(_scalar(lines[0][2][2:], lines[0][0]))
            lines = lines[1:]
        return items, lines
    mapping: dict[str, Value] = {}
    while lines and lines[0][1] == indent:
        number, _, line = lines[0]
        match = _KEY.fullmatch(line)
        if not match or match[1] in mapping:
            raise NotPlain(f"line {number}: {'twice the key ' + match[1] if match else 'not a key with a value'}")
        lines = lines[1:]
        if match[2] is not None:
            mapping[match[1]] = {} if match[2] == "{}" else _scalar(match[2], number)
        elif lines and lines[0][1] == indent + 2:
            mapping[match[1]], lines = _block(lines, indent + 2)
        else:
            raise NotPlain(f"line {number}: nothing is under {match[1]}")
    if lines and lines[0][1] > indent:
        raise NotPlain(f"line {lines[0][0]}: the indent is wrong")
    return mapping, lines


def _scalar(text: str, number: int) -> str:
    if text.startswith('"'):
        try:
            return str(json.loads(text))
        except ValueError as error:
            raise NotPlain(f"line {number}: {error}") from error
    if not _PLAIN.fullmatch(text):
        raise NotPlain(f"line {number}: put it in double quotes")
    return text
