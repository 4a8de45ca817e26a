"""Sixty commands killed at random moments; the bench does a thousand (`python tests/bench kills`)."""

from __future__ import annotations

from pathlib import Path

import pytest
from killing import kill_loop


@pytest.mark.parametrize("seed", range(3))
def test_no_kill_loses_an_event_or_blocks_a_name(seed: int, tmp_path: Path) -> None:
    found = kill_loop(tmp_path, 20, seed)
    assert found.problems == []
    assert found.kills == 20
