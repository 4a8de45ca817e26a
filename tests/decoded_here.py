"""Decoding in the test process instead of a child. The limits and the protection from crashes that the child adds are
tested by `audio/test_hostile_sofa.py` and `cli/test_costs_of_files.py`.
"""

from __future__ import annotations

from importlib import import_module
from types import ModuleType
from typing import Any

import pytest


def _decode(function: str, data: bytes, where: str, *_: Any, **options: Any) -> tuple[Any, list[bytearray]]:
    """As `decode_in_child`."""
    module, name = function.split(":")
    value, parts = getattr(import_module(module), name)(data, options | {"where": where})
    return value, [bytearray(part) for part in parts]


def decode_here(patch: pytest.MonkeyPatch, *modules: ModuleType) -> None:
    """Make these modules decode without a child process."""
    for module in modules:
        patch.setattr(module, "decode_in_child", _decode)
