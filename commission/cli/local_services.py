"""`Services` on this computer: assembles files, storage and devices for the screens and the commands."""

from __future__ import annotations

import json
import threading
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from commission import __version__, model
from commission.cli.lazy_parts import LateDecoder, late_importer, late_memory
from commission.model.checklist import LIP_SYNC, LIP_SYNC_RECORDED
from commission.model.errors import CommissionError, StoreError
from commission.model.outside_files import kind_of, read_outside, replace_own
from commission.model.progress import unwatched
from commission.model.units import clean_text, counted, round_name

if TYPE_CHECKING:  # the choice of jobs is painted before these load
    from collections.abc import Sequence

    from commission.job.toml import Definition
    from commission.model import (
        CancelToken,
        Event,
        EventBody,
        Importer,
        Progress,
        Source,
        System,
    )
    from commission.record.document import Letterhead, Paper
    from commission.visit import Visit

SUFFIX = ".commission"
RECENT_KEPT = 12
LARGEST_RECENT_BYTES = 100_000
LARGEST_PROFILE_BYTES = 1_000_000


class LocalServices:
    """`commission.services.Services` on this computer."""

    def __init__(self, state_folder: Path | None = None) -> None:
        self.importer: Importer = late_importer()
        self._state_folder = state_folder
        self._memory = late_memory(lambda: self.state_folder)

    # --- jobs -------------------------------------------------------------------------------------------------

    def open(self, path: Path, *, read_only: bool = False, afresh: bool = False) -> Visit:
        """Open a job, for reading only if the folder or the file cannot be written.

        The suffix of job files may be omitted if no file has the name without it. `afresh`: analyse every recording
        again, ignoring the analyses kept from an earlier opening.
        """
        from commission.job.store import JobFile
        from commission.visit import Visit

        path = existing_job(path)
        journal = JobFile.open(path, read_only=read_only)
        try:
            visit = Visit(journal, LateDecoder(), None if afresh else self._memory)
        except BaseException:
            journal.close()
            raise
        if not read_only:
            self._remember(path)
        return visit

    def create(self, path: Path, system: System) -> Visit:
        """A new job file of that system; its first event records the program's version."""
        opening = model.JobCreated(title=system.title, program_version=__version__)
        return self._create(path, (opening, model.SystemDefined(system=system), *_defaults()))

    def create_from_toml(self, path: Path, definition: Path) -> Visit:
        """A new job file from a job definition, with its settings and readings."""
        from commission.job.toml import load_definition

        return self._create_defined(path, load_definition(definition))

    def _create_defined(self, path: Path, definition: Definition) -> Visit:
        opening = model.JobCreated(title=definition.system.title, program_version=__version__)
        return self._create(path, (opening, *definition.bodies, *_defaults()))

    def create_return(self, path: Path, earlier: Path, progress: Progress = unwatched) -> Visit:
        """A new job of the same room, to be compared with the earlier one.

        If `progress` raises Cancelled, no file is made.
        """
        from commission.job.store import refuse_taken
        from commission.steps.drift.figures import earlier_visit

        refuse_taken(with_suffix(path))  # before the earlier job is verified and analysed
        old = self.open(earlier, read_only=True, afresh=True)  # its figures become evidence in the new log
        try:
            broken = old.verify(lambda fraction, _: progress(0.3 * fraction, f"verifying {earlier.name}"))
            if broken is not None:
                raise StoreError(
                    f"{earlier.name} cannot be used for the comparison, because its log is broken: {broken}"
                )
            analyses = old.analyse(threading.Event(), lambda f, text: progress(0.3 + 0.65 * f, text))
            job = old.job
            kept = (  # unchanged from last time
                model.LimitsChosen(profile=job.profile),
                model.ChecklistChosen(checklist=job.checklist_in_force),
            )
            back = earlier_visit(job, analyses, file_name=clean_text(earlier.name), program_version=__version__)
        finally:
            old.close()
        opening = model.JobCreated(title=job.system.title, program_version=__version__)
        progress(1.0, "")  # the last opportunity to cancel
        system = model.SystemDefined(system=job.system, note=f"as at the visit closed {back.closed_at[:10]}")
        return self._create(path, (opening, system, *kept, back))

    def _create(self, path: Path, bodies: Sequence[EventBody]) -> Visit:
        from commission.job.store import JobFile
        from commission.visit import Visit

        path = with_suffix(path)
        journal = JobFile.create(path, bodies)
        self._remember(path)
        return Visit(journal, LateDecoder(), self._memory)

    def demo(self, folder: Path, cancel: CancelToken | None = None, progress: Progress = unwatched) -> Path:
        """The sample job in `folder`, made from its definition and files unless it exists.

        The settings sheet is issued after the round as found, so that the round as left is compared with its
        prediction.
        """
        from commission.cli.sample import JOB_NAME, sample_folder
        from commission.job.store import put_in_place
        from commission.job.toml import load_definition
        from commission.model.unfinished_files import unfinished_name

        target = folder / JOB_NAME
        if target.exists():
            return target
        source, cancel = sample_folder(), cancel or threading.Event()
        definition = load_definition(source / "harbour-lane.toml")
        found, left = (definition.of_round(each) for each in (model.AS_FOUND, model.AS_LEFT))
        # Built under another name, so that a demo stopped half-way is not mistaken for the sample job.
        unfinished = with_suffix(unfinished_name(target))
        try:
            with closing(self._create_defined(unfinished, found)) as visit:
                self._import_sample(visit, model.AS_FOUND, source, cancel, lambda f, text: progress(0.4 * f, text))
                visit.analyse(cancel, lambda f, text: progress(0.4 + 0.2 * f, text))
                visit.keep_sheet()
                visit.append(*left.settings, *left.readings)
                self._import_sample(
                    visit, model.AS_LEFT, source, cancel, lambda f, text: progress(0.6 + 0.4 * f, text)
                )
            put_in_place(unfinished, target)
        finally:
            unfinished.unlink(missing_ok=True)
        self._remember(target)
        return target

    def _import_sample(
        self, visit: Visit, round_id: str, source: Path, cancel: CancelToken, progress: Progress
    ) -> None:
        options = model.ImportOptions(round=round_id, stimulus=source / "stimulus.flac", clock=f"{round_id} sweeps")
        rows = self.importer.survey((source / round_id,), visit.job, options, None, cancel, unwatched)
        _, left_out = visit.import_rows(self.importer, rows, options, cancel, progress)
        if left_out:
            raise CommissionError(f"The sample is incomplete: {left_out[0][0].path.name}: {left_out[0][1]}")

    def rehearsal(self, folder: Path, seed: int) -> Path:
        """A practice job with a room simulated from the seed."""
        from commission.audio.rehearsal import rehearsal_events

        path = folder / f"rehearsal-{seed}{SUFFIX}"
        if kind_of(path) != "missing":
            return path
        bodies = rehearsal_events(seed)
        title = next(body.system.title for body in bodies if isinstance(body, model.SystemDefined))
        self._create(
            path, (model.JobCreated(title=title, program_version=__version__), *bodies, *_defaults())
        ).close()
        return path

    @property
    def _config_folder(self) -> Path:
        """The folder of the user's key bindings and letterhead."""
        from platformdirs import user_config_path

        return user_config_path("commission", appauthor=False)

    # --- recent jobs ------------------------------------------------------------------------------------------

    @property
    def state_folder(self) -> Path:
        """The folder of the program's own state, such as the list of jobs."""
        if self._state_folder is None:
            from platformdirs import user_state_path

            self._state_folder = user_state_path("commission", appauthor=False)
        return self._state_folder

    @property
    def _recent_file(self) -> Path:
        return self.state_folder / "recent.json"

    def recent(self) -> tuple[Path, ...]:
        """Recently opened jobs that still exist, newest first; empty if the list cannot be read."""
        try:
            listed = json.loads(read_outside(self._recent_file, "the list", largest_bytes=LARGEST_RECENT_BYTES))
            return tuple(path for path in (Path(item) for item in listed[:RECENT_KEPT]) if path.is_file())
        except (OSError, ValueError, TypeError, RecursionError, CommissionError):
            return ()

    def _remember(self, path: Path) -> None:
        path = path.resolve()
        kept = [str(path), *(str(other) for other in self.recent() if other != path)][:RECENT_KEPT]
        try:
            replace_own(self._recent_file, json.dumps(kept))
        except OSError:
            pass  # the list is a convenience: a full or read-only home must not keep anybody from the job

    # --- out and in -------------------------------------------------------------------------------------------

    def use_limits(self, visit: Visit, path: Path) -> Event:
        """Use a firm's own limits for a job from now on; raises InputError for a bad file."""
        text = _own_text(path, "a limits profile as TOML")
        return visit.append(model.LimitsChosen(profile=model.read_profile(text, path.name)))[0]

    def use_checklist(self, visit: Visit, path: Path) -> Event:
        """Use a firm's own checklist from now on; raises InputError for a bad file."""
        text = _own_text(path, "a checklist as TOML")
        return visit.append(model.ChecklistChosen(checklist=model.read_checklist(text, path.name)))[0]

    def measure_lip_sync(self, visit: Visit, path: Path, light: int, round_id: str) -> str:
        """Store the offset between sound and picture in a recording of flashes and clicks; returns a sentence.

        `light`: the channel of the light sensor, from 0. Raises InputError if the recording does not show the offset.
        """
        from hashlib import sha256

        from commission.audio.files import read_bytes, read_sound
        from commission.dsp.lip_sync import sound_after_picture

        data = read_bytes(path)
        name = clean_text(path.name)
        samples, info = read_sound(data, name)
        if info.channels != 2 or light not in (0, 1):
            raise model.InputError(
                name, counted(info.channels, "channel"), "two: the microphone and the light sensor"
            )
        try:
            found = sound_after_picture(samples[light], samples[1 - light], float(info.rate_hz))
        except model.UnusableError as error:
            raise model.InputError(
                name, str(error), "a flash and a click that coincide, three times or more"
            ) from error
        offset_ms, expanded_ms = 1000 * found.sound_after_picture_s, 2000 * found.u_s
        text = (
            f"Sound {offset_ms:+.0f} ms after the picture (U = {expanded_ms:.0f} ms), measured over {found.pairs} flashes "
            f"in {name}, SHA-256 {sha256(data).hexdigest()}"
        )
        quantity = LIP_SYNC_RECORDED if expanded_ms < 15.0 else LIP_SYNC  # scattered pairs are no better than a film
        reading = model.ReadingEntered(
            round=round_id, step="checklist", quantity=quantity, value=round(offset_ms, 1), unit="ms"
        )
        visit.append(reading, model.Noted(step="checklist", round=round_id, text=text))
        return text

    def attach_photo(self, visit: Visit, path: Path, *, step: str, round_id: str | None, caption: str) -> Event:
        """Store a photograph with a step; raises InputError for any other file."""
        from hashlib import sha256

        from commission.job.photos import read_photo
        from commission.model.units import clean_text

        picture = read_photo(path)
        digest = sha256(picture.data).hexdigest()
        body = model.PhotoAttached(
            step=step,
            round=round_id,
            caption=clean_text(caption.strip()),
            file_name=clean_text(path.name),
            file_sha256=digest,
            media_type=picture.media_type,
            width_px=picture.width_px,
            height_px=picture.height_px,
        )
        return visit.append(body, blobs={digest: picture.data})[0]

    def export(
        self,
        visit: Visit,
        target: Path,
        *,
        paper: Paper | None = None,
        letterhead: Letterhead | Path | Literal["none"] | None = None,
        round_id: str | None = None,
        progress: Progress = unwatched,
    ) -> str:
        """Write the record in the format of the suffix; the job keeps the verdicts that it prints, if it can be
        written.

        Defaults: US Letter for imperial jobs, and the letterhead in the folder of own settings ("none" leaves it
        out). If `progress` raises Cancelled, nothing is written.
        """
        from commission.record.export import write_record
        from commission.record.letterhead import load_letterhead

        if target.suffix.lower() == ".sofa":
            return self._export_sofa(visit, target, round_id)
        letterhead = letterhead or self.letterhead
        if isinstance(letterhead, Path):  # data has no letterhead, so a broken one must not prevent its export
            letterhead = load_letterhead(letterhead) if target.suffix.lower() in (".pdf", ".html") else None
        try:
            visit.keep_verdicts()
            not_kept = ""
        except StoreError as error:  # a full disk under the job must not prevent writing the record elsewhere
            not_kept = f" The job does not remember the verdicts of this record: {error}"
        paper = paper or ("us-letter" if visit.job.system.units == "imperial" else "a4")
        text = write_record(
            visit,
            target,
            paper=paper,
            letterhead=None if letterhead == "none" else letterhead,
            progress=progress,
        )
        return text + not_kept

    @property
    def letterhead(self) -> Path | None:
        """The firm's own letterhead; None if there is none."""
        own = self._config_folder / "letterhead.toml"
        return own if own.is_file() else None

    def check_record(
        self,
        visit: Visit,
        path: Path,
        *,
        cancel: CancelToken,
        progress: Progress = unwatched,
    ) -> tuple[tuple[str, str], ...]:
        """A record checked against the job: (symbol, sentence), the summary first; raises InputError for another file."""
        from commission.record.verify.comparison import RecordCheck, check_record, overall

        with closing(self.open(visit.path, read_only=True, afresh=True)) as reopened:  # as `commission verify` does
            broken = reopened.verify(lambda fraction, text: progress(0.2 * fraction, text))
            lines = check_record(
                path, reopened, cancel=cancel, progress=lambda f, text: progress(0.2 + 0.8 * f, text)
            )
            log = RecordCheck(
                broken is None,
                broken or f"The chain of the log is whole: {len(reopened.job.log)} events and every recording.",
            )
        every = (overall(lines, log_whole=broken is None), log, *lines)
        return tuple((each.symbol, each.text) for each in every)

    def _export_sofa(self, visit: Visit, target: Path, round_id: str | None) -> str:
        """Write the responses of one round (by default the newest with any) as AES69; a sentence on the result."""
        from commission.audio.sofa_export import export_sofa
        from commission.record.export import utc_now, write_bytes

        job = visit.job
        if round_id is None:
            held = [each for each in job.rounds if job.responses_of(each)]
            round_id = held[-1] if held else job.current_round
        at = utc_now().replace("T", " ").removesuffix("Z")
        data, left_out = export_sofa(job, round_id, visit.blob, at=at)
        write_bytes(target, data)
        text = f"{target}: the responses of the round {round_name(round_id)} as AES69 (SingleRoomSRIR)."
        return f"{text} Left out: {'; '.join(left_out)}." if left_out else text

    def export_sheet(self, visit: Visit, target: Path) -> str:
        """Write the settings sheet as CSV; the job keeps its predictions."""
        from commission.record.data.sheet import sheet_csv
        from commission.record.export import write_text

        write_text(target, sheet_csv(visit))
        visit.keep_sheet()
        return f"{target} written."

    def source(self, visit: Visit) -> Source | None:
        """The simulated room of a rehearsal, else the audio device, else None."""
        from commission.audio.rehearsal import rehearsal_source

        rehearsal = rehearsal_source(visit.job)
        if rehearsal is not None:
            return rehearsal
        from commission.audio.live import live_source

        return live_source(visit.job)

    def live_status(self) -> str:
        """Which device live measurement would use, or why it is off and how to switch it on."""
        from commission.audio.live import live_status

        return live_status()


def _own_text(path: Path, expected: str) -> str:
    """The text of a firm's own file; raises InputError if it cannot be read."""
    try:
        return read_outside(path, expected, largest_bytes=LARGEST_PROFILE_BYTES).decode("utf-8")
    except UnicodeDecodeError as error:
        raise model.InputError(str(path), "text that is not UTF-8", expected, "Check the path.") from error


def _defaults() -> tuple[EventBody, ...]:
    """Limits and checklist of the program, stored in full: they apply to the job in any later version."""
    return (
        model.LimitsChosen(profile=model.default_profile()),
        model.ChecklistChosen(checklist=model.default_checklist()),
    )


def with_suffix(path: Path) -> Path:
    """The path with the suffix of job files."""
    return path if path.suffix == SUFFIX else path.with_name(path.name + SUFFIX)


def existing_job(path: Path) -> Path:
    """The job file with that name; the suffix of job files is added if only that file exists."""
    if kind_of(path) == "missing" and kind_of(with_suffix(path)) != "missing":
        return with_suffix(path)
    return path
