"""What stands beside every figure of weight, height, glass, stacking and aisles, on every page and sheet."""

from __future__ import annotations

CAUTION = (
    "A help to planning only: it knows what was measured and typed, not what stands there. The mall's rules, the fire marshal, "
    "local codes and licensed people decide. Get help with anything heavy, tall, unstable or glass."
)

LIFT_CAUTION = (
    "The lifting equation speaks of two-handed lifts by one healthy adult, standing firm. It does not speak of carries, dollies, "
    "stairs, one hand, or lifting while seated or kneeling."
)
"""Beside figures of the revised NIOSH lifting equation: what it is not for (DHHS (NIOSH) 94-110, its limitations)."""
