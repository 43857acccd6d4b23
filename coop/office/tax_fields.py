"""Fields in which tax classes are typed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from coop.core.fields import TypedField
from coop.tax.service import CLASS


class ClassesField(TypedField):
    """Tax classes with commas between them; `data` is a list."""

    def read(self, text: str) -> list[str]:
        classes = [word.lower() for word in re.split(r"[,;\s]+", text.strip(",; ")) if word]
        for word in classes:
            if not CLASS.fullmatch(word):
                raise ValueError(f"{word} is no tax class: use letters, digits and hyphens, such as clothing, twenty at most.")
        return list(dict.fromkeys(classes))

    def write(self, value: Any) -> str:
        return ", ".join(value)


def unknown_sentence(classes: Iterable[str], known: set[str]) -> str | None:
    """What is wrong with classes that nothing has yet; None when all are known."""
    strange = [word for word in classes if word not in known]
    if not strange:
        return None
    there = ", ".join(sorted(known))
    verb = "is not a class" if len(strange) == 1 else "are not classes"
    return f"{', '.join(strange)} {verb} in use. In use: {there}. Mend it, or say below that it is new."
