"""A hash over a value: whether what something was made of is still the same."""

from __future__ import annotations

import hashlib
import json
from typing import Any


def digest(value: Any) -> str:
    """SHA-256 over a value's JSON, keys in order."""
    return hashlib.sha256(json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode()).hexdigest()
