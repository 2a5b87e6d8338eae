"""Any value of the core as plain JSON data, and back to text."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, time
from typing import Any

__all__ = ["plain", "to_json"]


def plain(value: Any) -> Any:
    """Turn a frozen value into dicts, lists, numbers and text.

    Sets are sorted, days and times are ISO 8601 text, a NaN becomes None.
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, (frozenset, set)):
        return sorted(plain(entry) for entry in value)
    if isinstance(value, (list, tuple)):
        return [plain(entry) for entry in value]
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    return value


def to_json(value: Any) -> str:
    """Write a value as indented JSON text ending in a newline."""
    return json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
