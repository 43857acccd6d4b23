"""Weights as people read and say them; whole ounces inside."""

from __future__ import annotations

import re
from fractions import Fraction

from coop.core.money import round_half_up

OZ_PER_LB = 16
_KG_PER_OZ = Fraction(45359237, 10**8) / OZ_PER_LB
"""The international avoirdupois pound is 0.45359237 kg exactly (NIST Handbook 44, appendix C)."""
_NUMBER = r"(?:\d+\.\d+|\.\d+|\d+)"
_LB = r"\s*(?:lbs?\.?|pounds?)"
_OZ = rf"(?P<oz>{_NUMBER})\s*(?:oz\.?|ounces?)"
_POUNDS = re.compile(rf"(?P<lb>{_NUMBER})(?:{_LB}(?:\s*{_OZ})?)?", re.IGNORECASE | re.ASCII)
_OUNCES = re.compile(_OZ, re.IGNORECASE | re.ASCII)
_METRIC = re.compile(rf"(?P<n>{_NUMBER})\s*(?P<unit>kg|g)", re.IGNORECASE | re.ASCII)
_HEAVIEST_OZ = 10_000 * OZ_PER_LB


def format_weight(weight_oz: int) -> str:
    """760 -> 47 lb 8 oz; 752 -> 47 lb; 8 -> 8 oz."""
    pounds, ounces = divmod(abs(weight_oz), OZ_PER_LB)
    sign = "-" if weight_oz < 0 else ""
    if not ounces:
        return f"{sign}{pounds} lb"
    return f"{sign}{pounds} lb {ounces} oz" if pounds else f"{sign}{ounces} oz"


def parse_weight(text: str) -> int:
    """A weight as people write it, in ounces: `47 lb 8 oz`, `47.5` (pounds), `8 oz`, `21.5 kg` (rounded).

    Raises ValueError with a phrase that completes "'...' ".
    """
    plain = text.strip()
    metric = _METRIC.fullmatch(plain)
    if metric:
        kg = Fraction(metric["n"]) / (1 if metric["unit"].lower() == "kg" else 1000)
        weight = round_half_up(kg / _KG_PER_OZ)
    elif pounds := _POUNDS.fullmatch(plain):
        weight = round_half_up(Fraction(pounds["lb"]) * OZ_PER_LB + Fraction(pounds["oz"] or 0))
    elif ounces := _OUNCES.fullmatch(plain):
        weight = round_half_up(Fraction(ounces["oz"]))
    else:
        raise ValueError("is not a weight; write it like 45 lb, 12 lb 8 oz or 20 kg")
    if weight > _HEAVIEST_OZ:
        raise ValueError("is heavier than five tons")
    return weight
