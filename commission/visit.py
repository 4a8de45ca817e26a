"""One open job: the log, the job folded from it, and everything computed from them.

The screens, the command line and the record all work through a `Visit`. It owns no files and no devices: a `Journal`
stores, a `Decoder` turns stored recordings into responses.
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

if TYPE_CHECKING:  # the computing modules load after the first paint
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
"""Responses analysed between two checks of the cancel token: some 50 ms of work, so that Escape acts at once."""


OUTCOMES_KEPT = 100
"""Most outcomes kept for one visit: every step in a few rounds."""


MOST_FRAMES = 16_000_000
"""Most frames of one batch of responses: two batches are in memory at a time, some 130 MB of samples."""


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
    """Batches of decoded responses, in order; the next one is decoded on another thread while one is processed."""
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
    """An open job. Events may be appended from any thread; what is read is immutable."""

    def __init__(self, journal: Journal, decoder: Decoder, memory: AnalysesMemory | None = None) -> None:
        self._journal = journal
        self._decoder = decoder
        self._memory = memory
        self._lock = threading.RLock()
        self._analysed: dict[_Key, AnalysedResponse | AnalysedNoise] = {}
        self._analyses: Analyses | None = None
        self._known: tuple[AnalysedResponse | AnalysedNoise, ...] = ()
        """The analysed recordings from which `_analyses` was collected."""
        self.job: Job = fold(journal.events())
        self._collected: tuple[Job, int] = (self.job, -1)
        """The job, and the number of analysed recordings, from which `_analyses` was collected."""
        self._computed: _Results | None = None
        self._kept_outcome: Callable[[Job, Step, str, Analyses], Outcome] | None = None
        """`outcome_of` with a cache of outcomes that an entry does not change."""

    @property
    def path(self) -> Path:
        """The job file."""
        return self._journal.path

    @property
    def read_only(self) -> bool:
        """Whether the job is open for reading only."""
        return self._journal.read_only

    def file_problem(self) -> str | None:
        """One sentence if another program changed, replaced or removed the job file while it is open here."""
        return self._journal.file_problem()

    def append(self, *bodies: EventBody, blobs: Mapping[str, bytes] | None = None) -> tuple[Event, ...]:
        """Store events in one transaction, then fold them in. On StoreError nothing has changed.

        A signature is preceded by an event with the verdicts that it covers; only `bodies` are returned.
        """
        with self._lock:
            signs = any(isinstance(body, Signed) for body in bodies)
            verdicts = self._verdicts_to_keep("signed") if signs else ()
            events = self._journal.append((*verdicts, *bodies), blobs)
            self.job = fold(events, self.job)
            return events[len(verdicts) :]

    def keep_verdicts(self) -> None:
        """Store today's verdicts when a record is written, unless they are stored or the job is read-only."""
        with self._lock:
            if not self.read_only and (verdicts := self._verdicts_to_keep("record")):
                self.append(*verdicts)

    def _verdicts_to_keep(self, occasion: Literal["signed", "record"]) -> tuple[StoredVerdicts, ...]:
        """The event with all verdicts to store; none if recordings wait to be analysed, or nothing new was checked."""
        from commission import __version__
        from commission.diagnosis.verdict_changes import has_later_events, stored_verdicts

        if self.pending:
            return ()
        last = self.job.stored_verdicts[-1] if self.job.stored_verdicts else None
        if last is not None and isinstance(last.body, StoredVerdicts) and last.body.program_version == __version__:
            if not has_later_events(self.job, last.seq):
                return ()
        body = stored_verdicts((o for r in self.job.rounds for o in self.outcomes(r).values()), occasion, __version__)
        return (body,) if body.kinds else ()

    def verdict_changes(self) -> VerdictComparison | None:
        """The newest stored verdicts compared with those of this version for the same readings; None if none are
        stored.

        Analyse first. `sentence` is a line for the overview and the log.
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
        """Withdraw an event: it stays in the log without effect."""
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
        """Store every ready row, file by file; a bad one is named and the rest continue.

        Returns the events stored, and each row left out with the reason. After a cancel, what was stored stays
        stored.
        """
        if options.clock is None:  # one time origin for one batch
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
        """Stored responses in force that are not analysed yet."""
        return tuple(response for key, response in _by_key(self.job) if key not in self._analysed)

    def analyse(self, cancel: CancelToken, progress: Progress) -> Analyses:
        """Analyse pending responses in batches; Escape between two batches raises Cancelled and loses nothing."""
        from commission.dsp.analysis import analyse_batch

        job = self.job  # the same job throughout: another thread may correct a channel
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
        """Each recording, in order, with its response or the reason why it cannot be decoded."""
        more = (whole,) if whole else ()
        decode = _one_by_one(lambda part: [each for _, each in self._decoder(part, self._journal.blob, *more)], batch)
        return tuple(zip(batch, decode, strict=True))

    @property
    def analyses(self) -> Analyses:
        """The analyses of all responses in force."""
        job, count = self.job, len(self._analysed)  # entries are added to `_analysed`, never replaced
        if self._analyses is not None and self._collected[0] is job and self._collected[1] == count:
            return self._analyses
        known = tuple(self._analysed[key] for key, _ in _by_key(job) if key in self._analysed)
        if self._analyses is None or known != self._known:
            self._analyses, self._known = collected(known), known
        self._collected = (job, count)
        return self._analyses

    def _now(self) -> _Results:
        """The results of the present job and analyses."""
        job, analyses = self.job, self.analyses
        computed = self._computed
        if computed is None or computed.job is not job or computed.analyses is not analyses:
            computed = self._computed = _Results(job, analyses)
        return computed

    def outcome(self, step_id: str, round_id: str) -> Outcome:
        """The outcome of a step in a round, computed once for each state of the job; errors become part of it."""
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
        """The outcomes of all steps of a round, by step id, in order."""
        return {each.id: self.outcome(each.id, round_id) for each in self.steps}

    def findings(self, round_id: str) -> tuple[Finding, ...]:
        """The findings of a round; `failures` has those that could not be looked for."""
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
        """Sentences on what could not be computed for a round: steps, findings, or their histories."""
        from commission.steps.shared.isolation import failed

        outcomes = self.outcomes(round_id).values()
        steps_failed = (remark for outcome in outcomes if failed(outcome) for remark in outcome.remarks)
        left_out = (
            f"Event {each.seq} is ignored: {each.why}." for each in self.job.left_out if each.round == round_id
        )
        return (*left_out, *steps_failed, *self._findings(round_id)[1], *self._finding_histories(round_id)[1])

    def finding_histories(self, round_id: str) -> tuple[FindingHistory, ...]:
        """The findings of the rounds up to this one, each with its history up to the newest round."""
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
        """Failed checks of a round that are explained neither by its findings nor by those open from earlier rounds."""
        from commission.diagnosis.unexplained_checks import unexplained

        carried = [
            one for each in self.finding_histories(round_id) if not each.fate.gone for one in (each.first, *each.now)
        ]
        return unexplained(self.outcomes(round_id), (*self.findings(round_id), *carried))

    def settings_sheet(self) -> tuple[SheetLine, ...]:
        """The settings to enter in the processor, from all readings; computed once for each state of the job."""
        from commission.steps.handover.settings_sheet import settings_sheet

        computed = self._now()
        if computed.sheet is None:
            computed.sheet = settings_sheet(computed.job, computed.analyses)
        return computed.sheet

    def sheet_to_keep(self) -> tuple[SheetIssued, ...]:
        """The event with the predictions of the settings sheet; none if it is in the log, or the job is read-only.

        To be appended before the sheet is printed, written or ticked. Analyse first.
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
        """Store the predictions of the settings sheet, unless the log has them."""
        if bodies := self.sheet_to_keep():
            self.append(*bodies)

    def next_advice(self, round_id: str) -> Advice | None:
        """The best next action over all steps; None if nothing remains to be done."""
        advice = [each for outcome in self.outcomes(round_id).values() for each in outcome.advice]
        return min(advice, key=lambda each: each.priority, default=None)

    def blob(self, sha256: str) -> bytes:
        """The bytes with that SHA-256, such as a photograph; raises StoreError if missing or damaged."""
        return self._journal.blob(sha256)

    def verify(self, progress: Progress | None = None) -> str | None:
        """None if the log and every recording are intact; else one sentence on where they break."""
        return self._journal.verify(progress)

    def doubtful_times(self) -> tuple[str, ...]:
        """Sentences on implausible times in the log."""
        from datetime import UTC, datetime

        return doubtful_times(self.job.log, datetime.now(UTC))

    def as_of(self, seq: int, path: Path | None = None) -> Visit:
        """The visit right after that event, for reading only; `path` is the name of its file.

        Analyses are not reused if events are left out: they may have changed a channel.
        """
        past = Visit(_EarlierJournal(self._journal, seq, path or self.path), self._decoder)
        if past.job.digest == self.job.digest:
            past._analysed = self._analysed
        return past

    def close(self) -> None:
        """Release the file."""
        self._journal.close()


class _Results:
    """The results of one state of a job, valid until the job changes."""

    def __init__(self, job: Job, analyses: Analyses) -> None:
        self.job, self.analyses = job, analyses
        self.outcomes: dict[tuple[str, str], Outcome] = {}
        """By (step, round)."""
        self.findings: dict[str, tuple[tuple[Finding, ...], tuple[str, ...]]] = {}
        """By round: findings, and sentences on those that could not be looked for."""
        self.finding_histories: dict[str, tuple[tuple[FindingHistory, ...], tuple[str, ...]]] = {}
        """By round: histories of findings, and sentences on those that could not be determined."""
        self.sheet: tuple[SheetLine, ...] | None = None
        self.verdict_changes: VerdictComparison | None = None
        self.has_verdict_changes = False


def _one_by_one(
    work: Callable[[Sequence[Item]], Sequence[Result | Exception]], items: Sequence[Item]
) -> list[Result | Exception]:
    """Results of `work` for all items together; if that fails, for each item alone, with an error for each that fails."""
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
    """The key of an analysis: the recording and its purpose, since channel and reference seat may be corrected."""

    seq: int
    purpose: str
    load: bool


def _by_key(job: Job) -> tuple[tuple[_Key, StoredResponse], ...]:
    """The recordings in force, by key."""
    purpose = {channel.id: "sub" for channel in job.system.channels if channel.is_sub}
    if (centre := job.system.centre) is not None:
        purpose[centre.id] = "speech"
    load, stored = job.load_sweeps, (*job.responses, *job.driven, *job.noises)
    return tuple((_Key(each.seq, purpose.get(each.body.channel, ""), each.seq in load), each) for each in stored)


def collected(items: Iterable[AnalysedResponse | AnalysedNoise]) -> Analyses:
    """Analysed recordings by kind: responses at the reference level or another, noise of the room or of a loudspeaker."""
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
        return model.UnusableError("it is not a recording of sound")
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


class _EarlierJournal:
    """A read-only journal of the events up to one of them."""

    read_only = True

    def __init__(self, journal: Journal, seq: int, path: Path) -> None:
        self._journal, self._seq, self.path = journal, seq, path

    def append(self, bodies: Sequence[EventBody], blobs: Mapping[str, bytes] | None = None) -> tuple[Event, ...]:
        """Refuse every event."""
        raise StoreError(f"{self.path.name} is shown as of event {self._seq}; nothing can be stored in it.")

    def file_problem(self) -> None:
        """None, since nothing is stored here."""

    def events(self) -> tuple[Event, ...]:
        """The events of the log up to that one."""
        return tuple(event for event in self._journal.events() if event.seq <= self._seq)

    def blob(self, sha256: str) -> bytes:
        """A stored recording."""
        return self._journal.blob(sha256)

    def verify(self, progress: Progress | None = None) -> str | None:
        """The result of verifying the whole journal."""
        return self._journal.verify(progress)

    def close(self) -> None:
        """Do nothing: the journal belongs to another visit."""
