"""Numbers as JSON can hold them."""

from __future__ import annotations

import math
from typing import Any


def finite(value: Any) -> Any:
    """Infinite and undefined numbers become null, tuples become lists."""
    if isinstance(value, dict):
        return {key: finite(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [finite(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
