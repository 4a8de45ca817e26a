"""Sixty commands killed at random moments; the bench does a thousand (`python tests/bench kills`)."""

from __future__ import annotations

from pathlib import Path

from killing import kill_loop


def test_no_kill_loses_an_event_or_blocks_a_name(tmp_path: Path) -> None:
    found = kill_loop(tmp_path, 60, 1)
    assert found.problems == []
    assert found.kills == 60
