"""The builders on which other tests rest."""

from __future__ import annotations

from builders import arrivals, cinema, defined, job_of, levels, setting


def test_bodies_fold_to_a_job_with_consecutive_events() -> None:
    job = job_of(defined(cinema()), *levels({"FL": [76.5, 76.7]}), setting("FL", trim_db=-1.0))
    assert [event.seq for event in job.log] == [1, 2, 3, 4, 5]
    assert [r.body.value for r in job.readings_of("as-found", "levels", channel="FL")] == [76.5, 76.7]
    assert job.setting("as-found", "FL").trim_db == -1.0
    assert len(job.system.channels) == 13
    assert job.system.reference_seat is not None
    assert job.system.reference_seat.id == "A2"


def test_arrivals_are_found_by_place() -> None:
    analyses = arrivals({("FL", "A2"): 0.0123})
    found = analyses.of("as-found", "FL", "A2")
    assert found is not None
    assert found.arrival_s == 0.0123
    assert analyses.of("as-left", "FL", "A2") is None
