"""A recording, step or rule that fails is named and shown as not tested; the others are not affected."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import cinema, defined, levels, tapes

import commission.diagnosis
import commission.dsp.analysis
import commission.steps.levels
from commission.diagnosis import RULES
from commission.job.store import JobFile
from commission.model import (
    AS_FOUND,
    JobCreated,
    Response,
    ResponseStored,
    StoredResponse,
    StoredVerdicts,
    Verdict,
)
from commission.model.errors import Cancelled
from commission.model.progress import unwatched
from commission.record.data.results import record_json, results_json
from commission.record.data.text import visit_lines
from commission.visit import Visit

RATE = 48000
BROKEN = "broken.wav"


def decode(
    stored: Sequence[StoredResponse], blobs: Callable[[str], bytes], whole: object = ()
) -> Iterable[tuple[StoredResponse, Response | Exception]]:
    """A pulse for every recording; the decoder itself fails on the broken one."""
    for each in stored:
        if each.body.file_name == BROKEN:
            raise ZeroDivisionError("in the decoder")
        impulse = np.zeros(RATE // 2, np.float32)
        impulse[400] = 1.0
        yield each, Response(impulse=impulse, rate_hz=float(RATE))


def response(seat: str, name: str) -> ResponseStored:
    return ResponseStored(
        round=AS_FOUND, channel="FC", seat=seat, kind="impulse", file_name=name, file_sha256="0" * 64, clock="c"
    )


@pytest.fixture
def visit(tmp_path: Path) -> Iterator[Visit]:
    import hashlib

    data = b"x"
    sha = hashlib.sha256(data).hexdigest()
    bodies: list[Any] = [
        JobCreated(title="t", program_version="0"),
        defined(cinema(["FL", "FC"], ["A1", "A2", "A3"])),
    ]
    bodies += [*levels({"FL": 76.0, "FC": 75.0}), *tapes({"FL": 3.5, "FC": 3.3})]
    job = JobFile.create(tmp_path / "job.commission", bodies)
    from dataclasses import replace

    names = {"A1": "one.wav", "A2": BROKEN, "A3": "three.wav"}
    job.append([replace(response(seat, name), file_sha256=sha) for seat, name in names.items()], {sha: data})
    made = Visit(job, decode)
    yield made
    made.close()


def analysed(visit: Visit) -> Visit:
    visit.analyse(threading.Event(), unwatched)
    return visit


def test_a_recording_that_cannot_be_decoded_is_named_and_the_others_are_analysed(visit: Visit) -> None:
    analysed(visit)
    problems = {each.seat: each.problem for each in visit.analyses}
    assert problems["A1"] is None and problems["A3"] is None
    assert "ZeroDivisionError: in the decoder" in str(problems["A2"])
    assert not visit.pending


def test_a_recording_whose_analysis_fails_is_named_and_the_others_are_analysed(
    visit: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    analyse_batch = commission.dsp.analysis.analyse_batch

    def fails(responses: list[Response], subs: list[bool], speech: list[bool]) -> Any:
        if any(each.t0_s for each in responses):
            raise FloatingPointError("in the analysis")
        return analyse_batch(responses, subs, speech)

    def marked(
        stored: Sequence[StoredResponse], blobs: object, whole: object = ()
    ) -> Iterable[tuple[StoredResponse, Response]]:
        impulse = np.zeros(RATE // 2, np.float32)
        impulse[400] = 1.0
        for each in stored:
            t0_s = 1.0 if each.body.file_name == BROKEN else 0.0
            yield each, Response(impulse=impulse, rate_hz=float(RATE), t0_s=t0_s)

    monkeypatch.setattr(commission.dsp.analysis, "analyse_batch", fails)
    visit._decoder = marked
    analysed(visit)
    problems = {each.seat: each.problem for each in visit.analyses}
    assert problems["A1"] is None and problems["A3"] is None
    assert "FloatingPointError: in the analysis" in str(problems["A2"])


def test_escape_is_not_a_failure(visit: Visit, monkeypatch: pytest.MonkeyPatch) -> None:
    def stops(responses: list[Response], subs: list[bool], speech: list[bool]) -> Any:
        raise Cancelled

    monkeypatch.setattr(commission.dsp.analysis, "analyse_batch", stops)
    with pytest.raises(Cancelled):
        analysed(visit)


def break_levels(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*given: object) -> Any:
        raise ValueError("math domain error")

    monkeypatch.setattr(commission.steps.levels, "solve", fails)


def test_a_step_that_fails_is_not_tested_and_the_others_are(visit: Visit, monkeypatch: pytest.MonkeyPatch) -> None:
    break_levels(monkeypatch)
    analysed(visit)
    outcome = visit.outcome("levels", AS_FOUND)
    assert outcome.verdict is Verdict.NOT_TESTED and (outcome.done, outcome.total) == (0, 1)
    assert "the program failed on it (ValueError: math domain error)" in str(outcome.checks[0].why_not)
    assert visit.outcome("distances", AS_FOUND).done
    data = json.loads(results_json(visit))
    assert data["levels"] == {} and data["distances"][AS_FOUND]["channels"]
    assert data["steps"]["levels"][AS_FOUND]["verdict"] == "not tested"
    assert any("Levels was not computed" in each for each in data["failures"][AS_FOUND])
    text = "\n".join(visit_lines(visit))
    assert "Levels was not computed, because the program failed on it (ValueError: math domain error)" in text
    assert "Distances (as-found): 2 of" in text


@pytest.mark.parametrize("suffix", [".json", ".csv", ".html", ".pdf"])
def test_the_record_names_what_was_not_computed(
    visit: Visit, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, suffix: str
) -> None:
    break_levels(monkeypatch)
    analysed(visit)
    from commission.record.export import write_record

    target = tmp_path / f"record{suffix}"
    write_record(visit, target, paper="a4", letterhead=None, progress=unwatched)
    if suffix != ".pdf":
        assert "the program failed on it (ValueError: math domain error)" in target.read_text(encoding="utf-8")
    if suffix == ".html":
        assert "The measurements showed no fault in" not in target.read_text(encoding="utf-8")


def test_a_rule_that_fails_is_named_and_the_others_are_applied(visit: Visit, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    class FailingRule:
        id = "wiring.broken"

        def apply(self, *given: object) -> Any:
            raise KeyError("FL")

    class CountedRule:
        def __init__(self, rule: Any) -> None:
            self.id, self.rule = rule.id, rule

        def apply(self, *given: Any) -> Any:
            asked.append(self.id)
            return self.rule.apply(*given)

    monkeypatch.setattr(commission.diagnosis, "RULES", (FailingRule(), *map(CountedRule, RULES)))
    analysed(visit)
    visit.findings(AS_FOUND)
    assert asked == [rule.id for rule in RULES]
    (printed,) = visit.failures(AS_FOUND)
    assert printed == "wiring.broken was not checked, because the program failed on it (KeyError: 'FL')."
    assert printed in visit_lines(visit)


def test_a_failure_in_the_evidence_of_rules_is_reported(visit: Visit, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(**given: object) -> Any:
        raise MemoryError

    monkeypatch.setattr(commission.diagnosis, "Evidence", fails)
    analysed(visit)
    assert visit.findings(AS_FOUND) == ()
    assert visit.failures(AS_FOUND) == ("Findings were not determined, because it needs more memory than there is.",)
    json.loads(record_json(visit))


def test_stored_verdicts_that_cannot_be_compared_are_reported(visit: Visit, monkeypatch: pytest.MonkeyPatch) -> None:
    analysed(visit)
    visit.append(StoredVerdicts(occasion="record", program_version="0", kinds=()))

    def fails(*given: object) -> Any:
        raise RecursionError("too deep")

    monkeypatch.setattr("commission.diagnosis.verdict_changes.compare_verdicts", fails)
    found = visit.verdict_changes()
    assert found is not None and "RecursionError" in found.left_out[0]
    json.loads(results_json(visit))
