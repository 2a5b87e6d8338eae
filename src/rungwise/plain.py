"""Any value of the core as plain JSON data, and back to text."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, time
from typing import Any

from rungwise.core.terms import LATER

__all__ = ["plain", "to_json"]

_AS_IT_IS = (str, int, bool, type(None))
#: Field names of each dataclass met, and nothing of the others; and those that came later.
_NAMES: dict[type[Any], tuple[str, ...]] = {}
_LATER: dict[type[Any], frozenset[str]] = {}


def plain(value: Any) -> Any:
    """Turn a frozen value into dicts, lists, numbers and text.

    Sets are sorted, days and times are ISO 8601 text, a NaN becomes None. A field that came later
    (:data:`rungwise.core.terms.LATER`) is left out while it is empty.
    """
    kind = type(value)
    if kind in _AS_IT_IS:
        return value
    if kind is float:
        return value if math.isfinite(value) else None
    if kind is tuple or kind is list:
        return [plain(entry) for entry in value]
    if names := _field_names(kind):
        found = {name: plain(getattr(value, name)) for name in names}
        for name in _LATER[kind]:
            if found[name] is None:
                del found[name]
        return found
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, (frozenset, set)):
        return sorted(plain(entry) for entry in value)
    if isinstance(value, (list, tuple)):
        return [plain(entry) for entry in value]
    if isinstance(value, (date, time)):
        return value.isoformat()
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    return value


def _field_names(kind: type[Any]) -> tuple[str, ...]:
    names = _NAMES.get(kind)
    if names is None:
        known = fields(kind) if is_dataclass(kind) else ()
        names = tuple(f.name for f in known)
        _LATER[kind] = frozenset(f.name for f in known if f.metadata == LATER)
        _NAMES[kind] = names
    return names


def to_json(value: Any) -> str:
    """Write a value as JSON text ending in a newline, one line for each entry at the top."""
    data = plain(value)
    if isinstance(data, dict) and data:
        lines = [f"{_dumps(str(key))}: {_dumps(entry)}" for key, entry in data.items()]
        return "{\n" + ",\n".join(lines) + "\n}\n"
    if isinstance(data, list) and data:
        return "[\n" + ",\n".join(map(_dumps, data)) + "\n]\n"
    return _dumps(data) + "\n"


def _dumps(data: Any) -> str:
    return json.dumps(data, ensure_ascii=False, allow_nan=False)
