"""JSON read strictly: no fractions of a float, no key twice, no key unknown, and every fault a sentence that names its path.

A schema is a JSON Schema (draft 2020-12) of the few words used here: `type`, `properties`, `required`, `items`, `minItems`,
`enum`, `pattern`, `minimum`, `maximum`, `format: date`, `description`, `examples`. Every object that has properties is closed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any, NoReturn

Schema = Mapping[str, Any]

MONEY: Schema = {
    "type": "string",
    "pattern": r"^[0-9]{1,9}(\.[0-9]{1,2})?$",
    "description": "Dollars, as text",
    "examples": ["4000.00"],
}
PERCENT: Schema = {
    "type": "string",
    "pattern": r"^[0-9]{1,3}(\.[0-9]{1,6})?$",
    "description": "Percent, as text",
    "examples": ["7.9"],
}
DAY: Schema = {"type": "string", "format": "date", "description": "YYYY-MM-DD", "examples": ["2026-11-03"]}
CLASS: Schema = {
    "type": "string",
    "pattern": r"^[a-z][a-z0-9-]{0,19}$",
    "description": "A tax class: small letters, digits and hyphens",
    "examples": ["clothing"],
}
CLASSES: Schema = {"type": "array", "items": CLASS, "minItems": 1}
FLAG: Schema = {"type": "boolean"}
NAME: Schema = {"type": "string", "pattern": r"^.*\S.*$", "description": "Any text", "examples": ["State of Elm"]}


def closed(properties: Mapping[str, Schema], required: Sequence[str] = (), description: str = "") -> Schema:
    """An object of these keys and no others."""
    made: dict[str, Any] = {"type": "object", "properties": properties, "required": list(required), "additionalProperties": False}
    return {**made, "description": description} if description else made


_NUL = re.compile(r"(?<!\\)(?:\\\\)*\\u0000")
"""Written as JSON writes it: the text after an odd number of backslashes."""
_HALF = re.compile("[\ud800-\udfff]")
"""Half of a pair of UTF-16 that stands alone, as `json.loads` reads it: no text of UTF-8 has one."""


def parse_json(text: str) -> Any:
    """The value of a JSON text, with fractions as Decimal. Raises ValueError with a sentence for what is no JSON.

    A NUL in a text is refused, too: PostgreSQL keeps none. So is half a character (a lone surrogate), which no database keeps.
    """
    if _NUL.search(text):
        raise ValueError("A text of this JSON has a character of no meaning (NUL): leave it out.")
    try:
        value = json.loads(text, parse_float=Decimal, parse_int=_whole, parse_constant=_no_number, object_pairs_hook=_once)
    except json.JSONDecodeError as error:
        raise ValueError(f"This is not JSON: {error.msg} in line {error.lineno}, column {error.colno}.") from None
    except RecursionError:
        raise ValueError("This JSON is nested too deeply.") from None
    if any(map(_HALF.search, _texts_of(value))):
        raise ValueError("A text of this JSON has half a character (a surrogate without its other): leave it out.")
    return value


def _texts_of(value: Any) -> Iterator[str]:
    """Every text of a value, keys too."""
    left = [value]
    while left:
        one = left.pop()
        if isinstance(one, str):
            yield one
        elif isinstance(one, dict):
            left += [*one, *one.values()]
        elif isinstance(one, list):
            left += one


def _whole(digits: str) -> int:
    if len(digits) > 30:
        raise ValueError(f"A number of {len(digits)} digits is more than anything here can be.")
    return int(digits)


def _no_number(name: str) -> NoReturn:
    raise ValueError(f'{name} is no amount: write money and percents as text, such as "1.50".')


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for key, value in pairs:
        if key in made:
            raise ValueError(f"The key {key!r} stands twice in one object: leave one.")
        made[key] = value
    return made


TYPES: Mapping[str, type[Any]] = {"object": dict, "array": list, "string": str, "boolean": bool, "integer": int}
CALLED = {"object": "an object", "array": "a list", "string": "text", "boolean": "true or false", "integer": "a whole number"}


def check(value: Any, schema: Schema, path: str = "") -> None:
    """Raises ValueError, with a sentence that names the path, for the first thing that is not as the schema says."""
    where = path or "The whole"
    wanted: str = schema["type"]
    kind: type[Any] = TYPES[wanted]
    if not isinstance(value, kind) or (wanted == "integer" and isinstance(value, bool)):
        raise ValueError(f"{where} is {_shown(value)}; it must be {CALLED[wanted]}{_such_as(schema)}.")
    if wanted == "object":
        _check_object(value, schema, path)
    elif wanted == "array":
        if len(value) < schema.get("minItems", 0):
            raise ValueError(f"{where} is empty: give at least {schema['minItems']}.")
        for n, item in enumerate(value):
            check(item, schema["items"], f"{path}[{n}]")
    elif wanted == "integer":
        if not schema["minimum"] <= value <= schema["maximum"]:
            raise ValueError(f"{where} is {value}; it must be from {schema['minimum']} to {schema['maximum']}.")
    elif wanted == "string":
        _check_text(value, schema, where)


def _check_object(value: Mapping[str, Any], schema: Schema, path: str) -> None:
    properties = schema.get("properties")
    if properties is None:
        return
    for key in value:
        if key not in properties:
            at = f"{path}.{key}" if path else key
            raise ValueError(f"{at} is not known here; the keys are {', '.join(properties)}.")
    for key in schema["required"]:
        if key not in value:
            at = f"{path}.{key}" if path else key
            raise ValueError(f"{at} is missing{_such_as(properties[key])}.")
    for key, item in value.items():
        check(item, properties[key], f"{path}.{key}" if path else key)


def _check_text(value: str, schema: Schema, where: str) -> None:
    if "enum" in schema and value not in schema["enum"]:
        raise ValueError(f"{where} is {value!r}; it must be one of {', '.join(schema['enum'])}.")
    # `$` would let a last newline through.
    if "pattern" in schema and not re.fullmatch(schema["pattern"].removeprefix("^").removesuffix("$"), value):
        raise ValueError(f"{where} is {value!r}; write it like {json.dumps(schema['examples'][0])}.")
    if schema.get("format") == "date":
        try:
            if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
                date.fromisoformat(value)
                return
        except ValueError:
            pass
        raise ValueError(f"{where} is {value!r}, which is no date; write it as YYYY-MM-DD.")


def _such_as(schema: Schema) -> str:
    examples = schema.get("examples")
    return f", such as {json.dumps(examples[0])}" if examples else ""


def _shown(value: Any) -> str:
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    if value is None:
        return "null"
    return f"the number {value}" if isinstance(value, Decimal | int) and not isinstance(value, bool) else json.dumps(value)


def cents_of(dollars: str) -> int:
    """Cents of a checked amount."""
    return int(Decimal(dollars) * 100)
