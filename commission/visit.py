"""One open job: the log, what it folds to, and everything computed from it.

The screens, the command line and the record all work through a `Visit`. It owns no files and no devices: a
`Journal` stores, a `Decoder` turns stored recordings into responses.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeVar

from commission import model, steps
from commission.history import doubtful_times, fold, may_withdraw
from commission.model.errors import Cancelled, CommissionError, StoreError
from commission.model.events import Signed, Withdrawn
from commission.model.noise_states import UNNAMED
from commission.model.stored_verdicts import StoredVerdicts

if TYPE_CHECKING:  # what computes loads with the first computation, after the first paint
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from commission.diagnosis.unexplained_checks import OpenChecks
    from commission.diagnosis.verdict_changes import VerdictComparison
    from commission.model import (
        Advice,
        AnalysedNoise,
        AnalysedResponse,
        Analyses,
        AnalysesMemory,
        Analysis,
        CancelToken,
        Decoder,
        Event,
        EventBody,
        Finding,
        FindingHistory,
        Importer,
        ImportOptions,
        ImportRow,
        Job,
        Journal,
        NoiseAnalysis,
        Outcome,
        Progress,
        Response,
        SheetIssued,
        Step,
        StoredResponse,
    )
    from commission.steps.handover.settings_sheet import SheetLine

Item = TypeVar("Item")
Result = TypeVar("Result")

BATCH = 16
"""Responses analysed between two checks of the cancel token: some 50 ms of work, so that Escape takes effect at once."""


OUTCOMES_KEPT = 100
"""Largest number of outcomes kept for one visit: every step in a few rounds."""


MOST_FRAMES = 16_000_000
"""Largest batch of several responses: the samples of two batches are in memory at a time, some 130 MB."""


def _batches(todo: Sequence[StoredResponse]) -> Iterator[Sequence[StoredResponse]]:
    start = frames = 0
    for index, each in enumerate(todo):
        frames += each.body.frames or 0
        alone = each.body.kind == "noise"  # half a second of work
        if index > start and (alone or index - start >= BATCH or frames > MOST_FRAMES):
            yield todo[start:index]
            start, frames = index, each.body.frames or 0
    if todo:
        yield todo[start:]


def decoded_ahead(
    todo: Sequence[StoredResponse],
    decode: Callable[[Sequence[StoredResponse]], Iterable[tuple[StoredResponse, Response | Exception]]],
) -> Iterator[tuple[tuple[StoredResponse, Response | Exception], ...]]:
    """Batches of decoded responses, in order; while one is worked on, the next is decoded on another thread."""
    from concurrent.futures import Future, ThreadPoolExecutor

    batches = deque(_batches(todo))
    with ThreadPoolExecutor(1) as pool:

        def begin() -> Future[tuple[tuple[StoredResponse, Response | Exception], ...]] | None:
            return pool.submit(lambda batch: tuple(decode(batch)), batches.popleft()) if batches else None

        coming = begin()
        while coming is not None:
            decoded = coming.result()
            coming = begin()
            yield decoded


class Visit:
    """An open job. Appending may happen on any thread; what is read is immutable."""

    def __init__(self, journal: Journal, decoder: Decoder, memory: AnalysesMemory | None = None) -> None:
        self._journal = journal
        self._decoder = decoder
        self._memory = memory
        self._lock = threading.RLock()
        self._analysed: dict[_Key, AnalysedResponse | AnalysedNoise] = {}
        self._analyses: Analyses | None = None
        self._known: tuple[AnalysedResponse | AnalysedNoise, ...] = ()
        """What `_analyses` was collected from."""
        self.job: Job = fold(journal.events())
        self._collected: tuple[Job, int] = (self.job, -1)
        """Of which job, and of how many analysed recordings, `_analyses` was collected."""
        self._computed: _Results | None = None
        self._kept_outcome: Callable[[Job, Step, str, Analyses], Outcome] | None = None
        """`outcome_of`, which keeps what an entry does not change."""

    @property
    def path(self) -> Path:
        """The job file."""
        return self._journal.path

    @property
    def read_only(self) -> bool:
        """Whether nothing can be stored."""
        return self._journal.read_only

    def file_problem(self) -> str | None:
        """One sentence when another program changed, replaced or removed the job file while it is open here."""
        return self._journal.file_problem()

    def append(self, *bodies: EventBody, blobs: Mapping[str, bytes] | None = None) -> tuple[Event, ...]:
        """Store events in one transaction, then fold them in. Raises StoreError with nothing changed.

        A signature takes the verdicts that it covers with it, as an event before it; only `bodies` are returned.
        """
        with self._lock:
            signs = any(isinstance(body, Signed) for body in bodies)
            verdicts = self._verdicts_to_keep("signed") if signs else ()
            events = self._journal.append((*verdicts, *bodies), blobs)
            self.job = fold(events, self.job)
            return events[len(verdicts) :]

    def keep_verdicts(self) -> None:
        """Store today's verdicts when a record is written, unless they are stored already or the job is read-only."""
        with self._lock:
            if not self.read_only and (verdicts := self._verdicts_to_keep("record")):
                self.append(*verdicts)

    def _verdicts_to_keep(self, occasion: Literal["signed", "record"]) -> tuple[StoredVerdicts, ...]:
        """One event with all verdicts; none while recordings wait to be analysed, or where nothing new was checked."""
        from commission import __version__
        from commission.diagnosis.verdict_changes import counts_since, stored_verdicts

        if self.pending:
            return ()
        last = self.job.stored_verdicts[-1] if self.job.stored_verdicts else None
        if last is not None and isinstance(last.body, StoredVerdicts) and last.body.program_version == __version__:
            if not counts_since(self.job, last.seq):
                return ()
        body = stored_verdicts((o for r in self.job.rounds for o in self.outcomes(r).values()), occasion, __version__)
        return (body,) if body.kinds else ()

    def verdict_changes(self) -> VerdictComparison | None:
        """The newest stored verdicts against what this version makes of the same readings; None where none are stored.

        Analyse first. Its `sentence` is a line for the overview and the log.
        """
        from commission import __version__
        from commission.diagnosis.verdict_changes import VerdictComparison, compare_verdicts
        from commission.steps.shared.isolation import why_failed

        computed = self._now()
        if not computed.has_verdict_changes:
            job, found = computed.job, None
            try:
                found = compare_verdicts(
                    job, computed.analyses, __version__, self.steps, lambda s, r: self.outcome(s.id, r)
                )
            except Exception as error:
                left_out = (f"everything, because {why_failed(error)}",)
                found = VerdictComparison(
                    stored=job.stored_verdicts[-1],
                    program_version=__version__,
                    count=0,
                    differences=(),
                    left_out=left_out,
                )
            computed.verdict_changes, computed.has_verdict_changes = found, True
        return computed.verdict_changes

    def withdraw(self, seq: int, reason: str = "") -> Event:
        """Withdraw an event: it stays in the log and counts no longer."""
        with self._lock:
            may_withdraw(self.job, seq)
            return self.append(Withdrawn(seq=seq, reason=reason))[0]

    def import_rows(
        self,
        importer: Importer,
        rows: Sequence[ImportRow],
        options: ImportOptions,
        cancel: CancelToken,
        progress: Progress,
    ) -> tuple[tuple[Event, ...], tuple[tuple[ImportRow, str], ...]]:
        """Store every ready row, file by file; a bad one is named and the rest goes on.

        Returns the events stored, and the rows left out with the sentence that says why. What was stored before a
        cancel stays stored.
        """
        if options.clock is None:  # one batch, one origin of time
            options = replace(options, clock=f"batch {len(self.job.log) + 1}")
        stored: list[Event] = []
        left_out: list[tuple[ImportRow, str]] = []
        for index, row in enumerate(rows):
            if cancel.is_set():
                raise Cancelled
            progress(index / len(rows), row.path.name)
            if not row.ready:
                if not row.skip:
                    already = f"already stored as event {row.duplicate_of}"
                    left_out.append((row, row.problem or already))
                continue
            try:
                bodies, blobs = importer.read(row, self.job, options)
                stored.extend(self.append(*bodies, blobs=blobs))
            except CommissionError as error:
                left_out.append((row, str(error)))
        progress(1.0, "")
        return tuple(stored), tuple(left_out)

    @property
    def pending(self) -> tuple[StoredResponse, ...]:
        """Stored responses that count and are not analysed yet."""
        return tuple(response for key, response in _by_key(self.job) if key not in self._analysed)

    def analyse(self, cancel: CancelToken, progress: Progress) -> Analyses:
        """Analyse what is pending, in batches; Escape between two of them raises Cancelled and loses nothing."""
        from commission.dsp.analysis import analyse_batch

        job = self.job  # one state of it throughout: another thread may correct what a channel is
        keys = {response.seq: key for key, response in _by_key(job)}
        todo = tuple(response for key, response in _by_key(job) if key not in self._analysed)
        if todo and self._memory is not None:
            known = self._memory.recall(job, todo)
            self._analysed |= {keys[r.seq]: _analysed(r, known[r.seq]) for r in todo if r.seq in known}
            todo = tuple(response for response in todo if response.seq not in known)
        done = 0
        whole = job.load_sweeps
        for decoded in decoded_ahead(todo, lambda batch: self._decoded(batch, whole)):
            if cancel.is_set():
                raise Cancelled
            progress(done / len(todo), decoded[0][0].body.file_name)
            done += len(decoded)
            good = [(stored, response) for stored, response in decoded if isinstance(response, model.Response)]
            heard = [each for each in good if each[0].body.kind != "noise"]
            noises = [each for each in good if each[0].body.kind == "noise"]
            results = _one_by_one(
                lambda part: analyse_batch(
                    [each for _, each in part],
                    [keys[each.seq].purpose == "sub" for each, _ in part],
                    [keys[each.seq].purpose == "speech" for each, _ in part],
                ),
                heard,
            )
            levels = _one_by_one(lambda part: [_noise(recording) for _, recording in part], noises)
            by_seq: dict[int, Analysis | NoiseAnalysis | Exception] = {
                stored.seq: response for stored, response in decoded if isinstance(response, Exception)
            }
            by_seq.update({stored.seq: result for (stored, _), result in zip(heard, results, strict=True)})
            by_seq.update({stored.seq: result for (stored, _), result in zip(noises, levels, strict=True)})
            for stored, _ in decoded:
                self._analysed[keys[stored.seq]] = _analysed(stored, by_seq[stored.seq])
        progress(1.0, "")
        if self._memory is not None and todo:
            found = {seq: self._analysed[key].analysis for seq, key in keys.items()}
            self._memory.keep(job, {seq: each for seq, each in found.items() if each is not None})
        return self.analyses

    def _decoded(
        self, batch: Sequence[StoredResponse], whole: frozenset[int]
    ) -> tuple[tuple[StoredResponse, Response | Exception], ...]:
        """The responses of some recordings, in order; where one cannot be decoded, why."""
        more = (whole,) if whole else ()
        decode = _one_by_one(lambda part: [each for _, each in self._decoder(part, self._journal.blob, *more)], batch)
        return tuple(zip(batch, decode, strict=True))

    @property
    def analyses(self) -> Analyses:
        """What is analysed of the responses that count."""
        job, count = self.job, len(self._analysed)  # entries are added to it and never replaced by others
        if self._analyses is not None and self._collected[0] is job and self._collected[1] == count:
            return self._analyses
        known = tuple(self._analysed[key] for key, _ in _by_key(job) if key in self._analysed)
        if self._analyses is None or known != self._known:
            self._analyses, self._known = collected(known), known
        self._collected = (job, count)
        return self._analyses

    def _now(self) -> _Results:
        """What is computed of the present job and analyses."""
        job, analyses = self.job, self.analyses
        computed = self._computed
        if computed is None or computed.job is not job or computed.analyses is not analyses:
            computed = self._computed = _Results(job, analyses)
        return computed

    def outcome(self, step_id: str, round_id: str) -> Outcome:
        """The outcome of a step in a round, computed once for each state of the job; a step that fails says so in it."""
        computed = self._now()
        key = (step_id, round_id)
        if key not in computed.outcomes:
            if self._kept_outcome is None:
                from commission.steps.shared.cache import cached
                from commission.steps.shared.isolation import outcome_of

                self._kept_outcome = cached(outcome_of, OUTCOMES_KEPT)
            computed.outcomes[key] = self._kept_outcome(
                computed.job, steps.step(step_id), round_id, computed.analyses
            )
        return computed.outcomes[key]

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps of this visit, in order."""
        return tuple(steps.step(step_id) for step_id, _ in steps.listed(self.job))

    def outcomes(self, round_id: str) -> dict[str, Outcome]:
        """All steps of a round, by step id, in order."""
        return {each.id: self.outcome(each.id, round_id) for each in self.steps}

    def findings(self, round_id: str) -> tuple[Finding, ...]:
        """The causes named in a round; `failures` has those that could not be looked for."""
        return self._findings(round_id)[0]

    def _findings(self, round_id: str) -> tuple[tuple[Finding, ...], tuple[str, ...]]:
        from commission.diagnosis import findings as find
        from commission.steps.shared.isolation import why_failed

        computed = self._now()
        if round_id not in computed.findings:
            failed: list[str] = []

            def note(rule_id: str, error: Exception) -> None:
                failed.append(f"{rule_id} was not checked, because {why_failed(error)}.")

            found: tuple[Finding, ...] = ()
            try:
                found = find(computed.job, round_id, computed.analyses, self.outcomes(round_id), note)
            except Exception as error:
                failed.append(f"Findings were not determined, because {why_failed(error)}.")
            computed.findings[round_id] = (found, tuple(failed))
        return computed.findings[round_id]

    def failures(self, round_id: str) -> tuple[str, ...]:
        """Sentences on what the program failed to compute of a round: steps, causes, what became of them."""
        from commission.steps.shared.isolation import failed

        outcomes = self.outcomes(round_id).values()
        steps_failed = (remark for outcome in outcomes if failed(outcome) for remark in outcome.remarks)
        left_out = (
            f"Event {each.seq} is ignored: {each.why}." for each in self.job.left_out if each.round == round_id
        )
        return (*left_out, *steps_failed, *self._findings(round_id)[1], *self._finding_histories(round_id)[1])

    def finding_histories(self, round_id: str) -> tuple[FindingHistory, ...]:
        """The findings of the rounds up to this one, each with what became of it by the newest round."""
        return self._finding_histories(round_id)[0]

    def _finding_histories(self, round_id: str) -> tuple[tuple[FindingHistory, ...], tuple[str, ...]]:
        from commission.diagnosis.fates import follow
        from commission.steps.shared.isolation import why_failed

        computed = self._now()
        if round_id not in computed.finding_histories:
            histories: tuple[FindingHistory, ...] = ()
            failed: tuple[str, ...] = ()
            try:
                histories = follow(computed.job, round_id, self.findings, self.outcomes)
            except Exception as error:
                failed = (f"What became of the findings was not determined, because {why_failed(error)}.",)
            computed.finding_histories[round_id] = (histories, failed)
        return computed.finding_histories[round_id]

    def unexplained(self, round_id: str) -> tuple[OpenChecks, ...]:
        """Failed checks of a round that neither its findings nor those still open from earlier rounds account for."""
        from commission.diagnosis.unexplained_checks import unexplained

        carried = [
            one for each in self.finding_histories(round_id) if not each.fate.gone for one in (each.first, *each.now)
        ]
        return unexplained(self.outcomes(round_id), (*self.findings(round_id), *carried))

    def settings_sheet(self) -> tuple[SheetLine, ...]:
        """What to type into the processor, by all readings; computed once for each state of the job."""
        from commission.steps.handover.settings_sheet import settings_sheet

        computed = self._now()
        if computed.sheet is None:
            computed.sheet = settings_sheet(computed.job, computed.analyses)
        return computed.sheet

    def sheet_to_keep(self) -> tuple[SheetIssued, ...]:
        """The event that keeps what the settings sheet predicts; none where it is in the log, or nothing can be stored.

        Whoever prints, writes or ticks the sheet appends it first. Analyse before.
        """
        from commission import __version__
        from commission.steps.handover.sheet_prediction import sheet_issued
        from commission.steps.shared.isolation import or_else

        if self.read_only or self.pending:
            return ()
        computed, lines = self._now(), self.settings_sheet()
        body = or_else(lambda: sheet_issued(computed.job, computed.analyses, lines, __version__), None)
        last = self.job.sheets[-1].body if self.job.sheets else None
        return () if body is None or body == last else (body,)

    def keep_sheet(self) -> None:
        """Store what the settings sheet predicts, where the log does not have it."""
        if bodies := self.sheet_to_keep():
            self.append(*bodies)

    def next_advice(self, round_id: str) -> Advice | None:
        """The one thing best done next over all steps; None when nothing is left to do."""
        advice = [each for outcome in self.outcomes(round_id).values() for each in outcome.advice]
        return min(advice, key=lambda each: each.priority, default=None)

    def blob(self, sha256: str) -> bytes:
        """What is stored under that SHA-256, such as a photograph; raises StoreError when it is not there or damaged."""
        return self._journal.blob(sha256)

    def verify(self, progress: Progress | None = None) -> str | None:
        """None when the log and every recording are whole; else one sentence that says where it breaks."""
        return self._journal.verify(progress)

    def doubtful_times(self) -> tuple[str, ...]:
        """Sentences on times of the log that cannot be right."""
        from datetime import UTC, datetime

        return doubtful_times(self.job.log, datetime.now(UTC))

    def as_of(self, seq: int, path: Path | None = None) -> Visit:
        """The visit as it stood right after that event, for reading only; `path` is what its file is then called.

        What is analysed is not taken over when events are left out: they may have changed what a channel is.
        """
        past = Visit(_Until(self._journal, seq, path or self.path), self._decoder)
        if past.job.digest == self.job.digest:
            past._analysed = self._analysed
        return past

    def close(self) -> None:
        """Release the file."""
        self._journal.close()


class _Results:
    """What is computed of one state of a job: it lives as long as that state is the newest."""

    def __init__(self, job: Job, analyses: Analyses) -> None:
        self.job, self.analyses = job, analyses
        self.outcomes: dict[tuple[str, str], Outcome] = {}
        """By step and round."""
        self.findings: dict[str, tuple[tuple[Finding, ...], tuple[str, ...]]] = {}
        """By round: what was found, and sentences on what could not be looked for."""
        self.finding_histories: dict[str, tuple[tuple[FindingHistory, ...], tuple[str, ...]]] = {}
        """The same of what became of the findings."""
        self.sheet: tuple[SheetLine, ...] | None = None
        self.verdict_changes: VerdictComparison | None = None
        self.has_verdict_changes = False


def _one_by_one(
    work: Callable[[Sequence[Item]], Sequence[Result | Exception]], items: Sequence[Item]
) -> list[Result | Exception]:
    """Results of `work` for all items together; where that fails, for each alone, with the errors of those that fail."""
    from commission.steps.shared.isolation import why_failed

    try:
        return list(work(items))
    except Cancelled:
        raise
    except Exception as together:
        if len(items) > 1:
            return [result for item in items for result in _one_by_one(work, [item])]
        return [model.UnusableError(why_failed(together))]


class _Key(NamedTuple):
    """What identifies an analysis: the recording and its purpose, since channel and reference seat may be corrected."""

    seq: int
    purpose: str
    load: bool


def _by_key(job: Job) -> tuple[tuple[_Key, StoredResponse], ...]:
    """The recordings that count."""
    purpose = {channel.id: "sub" for channel in job.system.channels if channel.is_sub}
    if (centre := job.system.centre) is not None:
        purpose[centre.id] = "speech"
    load, stored = job.load_sweeps, (*job.responses, *job.driven, *job.noises)
    return tuple((_Key(each.seq, purpose.get(each.body.channel, ""), each.seq in load), each) for each in stored)


def collected(items: Iterable[AnalysedResponse | AnalysedNoise]) -> Analyses:
    """Analysed recordings by what they are: responses at the reference level and others, noise of the room and others."""
    items = tuple(items)
    heard = [each for each in items if isinstance(each, model.AnalysedResponse)]
    noises = [each for each in items if isinstance(each, model.AnalysedNoise)]
    return model.Analyses(
        (each for each in heard if not each.drive_db),
        (each for each in noises if not each.channel),
        (each for each in heard if each.drive_db),
        (each for each in noises if each.channel),
    )


def _noise(recording: Response) -> NoiseAnalysis | Exception:
    from commission.dsp.background import background

    if recording.noise is None or recording.rate_hz is None:
        return model.UnusableError("it is no recording of sound")
    try:
        return background(recording.noise, recording.rate_hz)
    except model.UnusableError as error:
        return error


def _analysed(
    stored: StoredResponse, result: Analysis | NoiseAnalysis | Exception
) -> AnalysedResponse | AnalysedNoise:
    body = stored.body
    if body.kind == "noise":
        noise = result if isinstance(result, model.NoiseAnalysis) else None
        problem = str(result) if isinstance(result, Exception) else None
        state = body.state or UNNAMED
        return model.AnalysedNoise(stored.seq, body.round, body.seat, state, noise, problem, body.channel)
    failed = isinstance(result, Exception)
    return model.AnalysedResponse(
        seq=stored.seq,
        round=body.round,
        channel=body.channel,
        seat=body.seat,
        clock=body.clock,
        passes_delays=body.passes_delays,
        analysis=result if isinstance(result, model.Analysis) else None,
        problem=str(result) if failed else None,
        drive_db=body.drive_db or 0.0,
    )


class _Until:
    """A read-only journal that ends early: the log up to an event."""

    read_only = True

    def __init__(self, journal: Journal, seq: int, path: Path) -> None:
        self._journal, self._seq, self.path = journal, seq, path

    def append(self, bodies: Sequence[EventBody], blobs: Mapping[str, bytes] | None = None) -> tuple[Event, ...]:
        """Always refused."""
        raise StoreError(f"{self.path.name} is shown as of event {self._seq}; nothing can be stored in it.")

    def file_problem(self) -> None:
        """Nothing is stored here that could be lost."""

    def events(self) -> tuple[Event, ...]:
        """The log up to there."""
        return tuple(event for event in self._journal.events() if event.seq <= self._seq)

    def blob(self, sha256: str) -> bytes:
        """A stored recording."""
        return self._journal.blob(sha256)

    def verify(self, progress: Progress | None = None) -> str | None:
        """The result for the whole journal."""
        return self._journal.verify(progress)

    def close(self) -> None:
        """Nothing: the journal belongs to another visit."""
