"""Results as JSON holds them."""

from __future__ import annotations

from dataclasses import fields, is_dataclass

import numpy as np


def plain(value):
    """Dataclasses, arrays and numbers as strict JSON holds them: nan becomes None, infinity the string "inf"."""
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(entry) for entry in value]
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return number if np.isfinite(number) else None if np.isnan(number) else "inf" if number > 0 else "-inf"
    if isinstance(value, np.bool_):
        return bool(value)
    return int(value) if isinstance(value, np.integer) else value
