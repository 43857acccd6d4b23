"""Weights as people read and say them; whole ounces inside."""

from __future__ import annotations

OZ_PER_LB = 16


def format_weight(weight_oz: int) -> str:
    """760 -> 47 lb 8 oz; 752 -> 47 lb; 8 -> 8 oz."""
    pounds, ounces = divmod(abs(weight_oz), OZ_PER_LB)
    sign = "-" if weight_oz < 0 else ""
    if not ounces:
        return f"{sign}{pounds} lb"
    return f"{sign}{pounds} lb {ounces} oz" if pounds else f"{sign}{ounces} oz"
