"""The commands of the command line."""

from __future__ import annotations

import io
import os
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from commission import model
from commission.cli.local_services import LocalServices, existing_job
from commission.cli.returns import earlier_job_line, figures_line
from commission.cli.terminal import end_without_terminal, restored_on_signal
from commission.model.errors import InputError, StoreError
from commission.model.outside_files import KIND_NAMES, kind_of
from commission.model.units import clean_text, counted
from commission.services import RECORD_OPTIONS

if TYPE_CHECKING:
    import argparse

    from commission.model import Importer, ImportOptions, ImportRow, Progress
    from commission.visit import Visit

EXIT_DONE, EXIT_NO = 0, 1
MOST_DOUBTS = 5
CHAIN_LIMIT = (
    "Compare this digest with the one on the record, or with a copy kept elsewhere: a log whose end was cut "
    "off, or whose whole chain was computed again, is recognised only by comparing."
)


def say(text: str) -> None:
    """Print a message to stderr, cleaned: a file name may contain control characters."""
    print(clean_text(text), file=sys.stderr)


def put(text: str) -> None:
    """Print a line of data to standard output. Raises OSError, which names the file it goes to."""
    try:
        print(text, flush=True)
    except OSError as error:
        error.filename = output_name()
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the interpreter flushes again at exit
        raise


def output_name() -> str:
    """The name of the file behind standard output, if the system knows it."""
    try:
        return os.readlink("/proc/self/fd/1")
    except OSError:
        return "standard output"


def shown_progress(label: str) -> Progress:
    """A progress line on stderr that updates itself on a terminal; silent in a pipe."""
    if not sys.stderr.isatty():
        return model.unwatched

    def show(fraction: float, text: str) -> None:
        end = "\n" if fraction >= 1 else ""
        print(f"\r{label} {fraction:4.0%} {clean_text(text)[:40]:<40}", end=end, file=sys.stderr, flush=True)

    return show


def open_screens(parsed: argparse.Namespace) -> int:
    """Open a job, or the choice of jobs, in the terminal."""
    return open_job(parsed.job)


def open_job(path: Path | None) -> int:
    """Open the job at a path, or the choice of jobs, in the terminal."""
    if path is None:
        return _run_screens(None)
    expected = "a job file or one of the commands"
    try:
        path = existing_job(path)
        kind = kind_of(path)
    except OSError as error:
        raise InputError(str(path), f"a file that cannot be read ({error.strerror})", expected) from error
    if kind != "file":
        raise InputError(
            str(path),
            KIND_NAMES[kind],
            expected,
            "`commission --help` lists the commands; `commission new JOB --from FILE.toml` makes a job.",
        )
    return _run_screens(path)


def _has_screen() -> bool:
    """Whether input and output are a terminal with cursor control; the terminal database calls others "dumb"."""
    return sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def _run_screens(path: Path | None) -> int:
    if not _has_screen():
        raise InputError(
            "input and output",
            "no terminal that can show screens (one of them is piped, or TERM is dumb)",
            "a terminal for the screens",
            "Use `commission results JOB` or `commission record JOB -o FILE` here.",
        )
    from commission.ui.app import CommissionApp
    from commission.ui.theme import theme_file

    for stream in (sys.__stderr__, sys.__stdout__):  # the screens use UTF-8, whatever the locale
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8")
    app = CommissionApp(LocalServices(), path, look=theme_file())
    if sys.platform == "win32":  # Windows itself ends the programs of a console
        return app.run() or EXIT_DONE
    terminal = sys.stdin.fileno()
    threading.Thread(target=end_without_terminal, args=(terminal, app.exit), daemon=True).start()
    with restored_on_signal(terminal):
        return app.run() or EXIT_DONE


def demo(parsed: argparse.Namespace) -> int:
    """Make the sample job and open it; print its results if there is no terminal."""
    services = LocalServices()
    existed = (Path.cwd() / "harbour-lane.commission").exists()
    path = services.demo(Path.cwd(), progress=shown_progress("Making the sample job"))
    say(f"{path.name}: {'already here; opened unchanged' if existed else 'written'}")
    if parsed.text or not _has_screen():
        return _print_results(services.open(path, read_only=True), None)
    return _run_screens(path)


def new(parsed: argparse.Namespace) -> int:
    """Make a job from its definition, or one for a return visit."""
    services = LocalServices()
    if parsed.earlier is not None:
        progress = shown_progress("Reading the earlier visit")
        visit = services.create_return(parsed.job, parsed.earlier, progress=progress)
    else:
        visit = services.create_from_toml(parsed.job, parsed.definition)
    from commission.cli.unusual_entries import unusual_entries

    job = visit.job
    text = f"{counted(len(job.system.channels), 'channel')}, {counted(len(job.system.seats), 'seat')}"
    if job.earlier is not None:
        text += f", {figures_line(job.earlier)}"
    else:
        text += f", {counted(len(job.readings), 'reading')}"
    say(f"{visit.path.name}: {job.system.title}, {text}")
    for sentence in unusual_entries(job) if parsed.definition is not None else ():
        say(f"? {sentence}")
    visit.close()
    return EXIT_DONE


def photo(parsed: argparse.Namespace) -> int:
    """Attach a photograph to a step."""
    services = LocalServices()
    visit = services.open(parsed.job)
    try:
        known = [step.id for step in visit.steps]
        if parsed.step not in known:
            raise InputError("--step", parsed.step, "one of " + ", ".join(known))
        _check_round(visit, parsed.round)
        event = services.attach_photo(
            visit, parsed.photo, step=parsed.step, round_id=parsed.round, caption=parsed.caption
        )
    finally:
        visit.close()
    say(f"{parsed.photo.name} is stored as event {event.seq}, without its position and camera data.")
    return EXIT_DONE


def import_files(parsed: argparse.Namespace) -> int:
    """Survey files, show where each goes, and store the accepted ones."""
    if not parsed.paths and parsed.mapping is None:
        raise InputError("commission import", "no files", "files, folders, or a mapping with --map")
    if parsed.loopback is not None and parsed.loopback < 1:
        raise InputError("--loopback", str(parsed.loopback), "a channel of the files, from 1")
    options = model.ImportOptions(
        round=parsed.round,
        new_round=parsed.new_round,
        stimulus=parsed.stimulus,
        loopback=None if parsed.loopback is None else parsed.loopback - 1,
        passes_delays=False if parsed.no_delays else None,
    )
    services = LocalServices()
    with closing(services.open(parsed.job, read_only=parsed.dry_run)) as visit:
        return _import_into(visit, services.importer, options, parsed)


def _import_into(visit: Visit, importer: Importer, options: ImportOptions, parsed: argparse.Namespace) -> int:
    cancel = threading.Event()
    rows = importer.survey(tuple(parsed.paths), visit.job, options, parsed.mapping, cancel, shown_progress("Looking"))
    if parsed.no_common_clock:
        from dataclasses import replace

        rows = importer.recheck([replace(row, shared_clock=False) for row in rows], visit.job)
    for row in rows:
        put(row_line(row))
    if parsed.dry_run:
        good = sum(row.ready for row in rows)
        wanted = sum(not row.is_stimulus for row in rows)
        say(f"{good} of {wanted} would be stored; nothing was stored.")
        return EXIT_DONE if good == wanted else EXIT_NO
    stored, left_out = visit.import_rows(importer, rows, options, cancel, shown_progress("Storing"))
    for row, why in left_out:
        name = f"{clean_text(row.path.name)}: "
        say(f"left out {name}{why.removeprefix(name)}")
    say(f"{len(stored)} events stored, {len(left_out)} of {len(rows)} rows left out.")
    return EXIT_NO if any(row.duplicate_of is None for row, _ in left_out) else EXIT_DONE


def row_line(row: ImportRow) -> str:
    """One row of an import with its reasons, as shown before anything is stored."""
    if row.is_stimulus:
        return clean_text(f"{row.path.name}  – {row.kind_reason}")
    source = row.state if row.kind == "noise" else row.channel
    place = f"{row.round or '?'} / {source or '?'} / {row.seat or '?'} / {row.kind or '?'}"
    if row.duplicate_of is not None:
        state = f"– stored already as event {row.duplicate_of}"
    elif row.problem:
        state = f"✗ {row.problem}"
    else:
        state = f"✓ {row.warning}" if row.warning else "✓"
    part = f" channel {row.file_channel + 1}" if row.file_channel else ""
    reasons = f"  ({row.reasons})" if row.reasons else ""
    return clean_text(f"{row.path.name}{part} → {place}  {state}{reasons}")


def results(parsed: argparse.Namespace) -> int:
    """Print all results."""
    if parsed.json and parsed.round is not None:
        raise InputError(
            "--round", "--json", "results as text", "The JSON contains every round: leave the option out."
        )
    visit = LocalServices().open(parsed.job, read_only=True)
    if not parsed.json:
        return _print_results(visit, parsed.round, budgets=parsed.budgets)
    from commission.record.data.results import results_json

    _analyse(visit)
    put(results_json(visit))
    visit.close()
    return EXIT_DONE


def _check_round(visit: Visit, round_id: str | None) -> None:
    """Refuse a round that the job does not have; None names no round."""
    if round_id is not None and round_id not in visit.job.rounds:
        raise InputError("--round", round_id, "one of " + ", ".join(visit.job.rounds))


def _analyse(visit: Visit) -> None:
    visit.analyse(threading.Event(), shown_progress("Analysing"))


def _print_results(visit: Visit, only_round: str | None, *, budgets: bool = False) -> int:
    from commission.record.data.text import visit_lines

    _check_round(visit, only_round)
    _analyse(visit)
    for line in visit_lines(visit, only_round, budgets=budgets):
        put(line)
    visit.close()
    return EXIT_DONE


LIMITS_WIDTH = 100
"""Largest width of a line of `commission limits`, in characters."""


def limits(parsed: argparse.Namespace) -> int:
    """Print the limits in force, or replace them from now on."""
    from shutil import get_terminal_size

    from commission.diagnosis import RULES
    from commission.record.data.text import entry_lines
    from commission.steps import all_steps
    from commission.steps.shared.limits_table import limits_tables

    services = LocalServices()
    visit = services.open(parsed.job, read_only=parsed.use is None)
    try:
        if parsed.use is not None:
            event = services.use_limits(visit, parsed.use)
            say(f"From now on this job uses the limits “{visit.job.profile.title}” (event {event.seq}).")
        for table in limits_tables(visit.job.profile, all_steps(), RULES):
            for line in (*entry_lines(table, min(get_terminal_size((LIMITS_WIDTH, 24)).columns, LIMITS_WIDTH)), ""):
                put(clean_text(line))
    finally:
        visit.close()
    return EXIT_DONE


def checklist(parsed: argparse.Namespace) -> int:
    """Print the checklist with the answers of the current round, or replace it."""
    from commission.record.data.text import table_lines

    services = LocalServices()
    visit = services.open(parsed.job, read_only=parsed.use is None)
    try:
        if parsed.use is not None:
            event = services.use_checklist(visit, parsed.use)
            title = visit.job.checklist_in_force.title
            say(f"From now on this job uses the checklist “{title}” (event {event.seq}).")
        for table in visit.outcome("checklist", visit.job.current_round).tables:
            for line in table_lines(table):
                put(clean_text(line))
    finally:
        visit.close()
    return EXIT_DONE


def lip_sync(parsed: argparse.Namespace) -> int:
    """Measure the offset between sound and picture, and store it as a reading of the checklist."""
    services = LocalServices()
    with closing(services.open(parsed.job)) as visit:
        _check_round(visit, parsed.round)
        round_id = parsed.round or visit.job.current_round
        put(services.measure_lip_sync(visit, parsed.recording, parsed.light - 1, round_id))
    return EXIT_DONE


def _open_for_issue(services: LocalServices, path: Path) -> Visit:
    """A job opened to store what is issued; for reading only if it is in use elsewhere."""
    try:
        return services.open(path)
    except StoreError:
        return services.open(path, read_only=True)


def _apply(visit: Visit) -> str:
    """Tick every line of the sheet that has a new setting; a sentence on the result."""
    lines = [line for line in visit.settings_sheet() if line.new is not None and not line.ticked]
    if lines:
        visit.append(*(model.SettingEntered(setting=line.setting, applied=True) for line in lines))
    return f"{counted(len(lines), 'line')} of the sheet stored as set in the processor, round as left."


def sheet(parsed: argparse.Namespace) -> int:
    """Print or write the settings sheet; the job keeps its predictions."""
    from commission.record.data.sheet import sheet_lines

    if parsed.output is not None and parsed.output.suffix.lower() != ".csv":
        raise InputError("-o", str(parsed.output), "a name that ends in .csv")
    services = LocalServices()
    visit = services.open(parsed.job) if parsed.applied else _open_for_issue(services, parsed.job)
    _analyse(visit)
    if parsed.output is None:
        for line in sheet_lines(visit):
            put(line)
        visit.keep_sheet()
    else:
        say(services.export_sheet(visit, parsed.output))
    if parsed.applied:
        say(_apply(visit))
    visit.close()
    return EXIT_DONE


def _check_options(parsed: argparse.Namespace) -> None:
    """Refuse unknown suffixes of a record, and options that its format would silently ignore."""
    ending = parsed.output.suffix.lower()
    if ending not in RECORD_OPTIONS:
        raise InputError(
            str(parsed.output), f"the ending “{ending or 'none'}”", "one of " + ", ".join(RECORD_OPTIONS)
        )
    for option in sorted({each for options in RECORD_OPTIONS.values() for each in options}):
        if getattr(parsed, option) is not None and option not in RECORD_OPTIONS[ending]:
            fitting = " or ".join(each for each, options in RECORD_OPTIONS.items() if option in options)
            raise InputError(
                f"--{option}",
                f"a record that ends in {ending}",
                f"one that ends in {fitting}",
                "Leave the option out.",
            )


def record(parsed: argparse.Namespace) -> int:
    """Write the record."""
    from concurrent.futures import ThreadPoolExecutor

    from commission.record.letterhead import load_letterhead

    _check_options(parsed)
    services = LocalServices()
    letterhead = load_letterhead(parsed.letterhead) if parsed.letterhead is not None else None
    visit = _open_for_issue(services, parsed.job)
    _check_round(visit, parsed.round)
    _analyse(visit)
    with ThreadPoolExecutor(1) as pool:
        verified = pool.submit(visit.verify)  # in parallel: checking digests uses a core that typesetting leaves free
        message = services.export(
            visit,
            parsed.output,
            paper=parsed.paper,
            letterhead=letterhead,
            round_id=parsed.round,
        )
    say(message)
    broken = verified.result()
    visit.close()
    if broken is not None:
        say(f"✗ The log is broken, so this record cannot be confirmed: {broken}")
    return EXIT_DONE if broken is None else EXIT_NO


def verify(parsed: argparse.Namespace) -> int:
    """Check the log's hash chain, and a record against the log."""
    visit = LocalServices().open(parsed.job, read_only=True, afresh=True)
    broken = visit.verify(shown_progress("Checking"))
    job = visit.job
    if broken is not None:
        put(clean_text(f"✗ broken: {broken}"))
    else:
        put(
            f"✓ the chain of the log is whole: {counted(len(job.log), 'event')}, "
            f"{counted(len(job.responses), 'valid response')}"
        )
        put(f"  digest {job.digest}")
        put("  " + CHAIN_LIMIT)
        if (beside := earlier_job_line(visit)) is not None:
            put(beside)
    doubts = visit.doubtful_times()
    for doubt in doubts[:MOST_DOUBTS]:
        put(f"? {doubt}: a clock was wrong, or the log was made at a different time from what it says")
    if doubts[MOST_DOUBTS:]:
        put(f"? {len(doubts) - MOST_DOUBTS} more times that cannot be right")
    holds = broken is None and not doubts
    if parsed.record is not None:
        from commission.record.verify.comparison import check_record, overall

        results = check_record(parsed.record, visit, progress=shown_progress("Comparing"))
        whole = overall(results, log_whole=broken is None)
        for each in (*results, whole):
            put(f"{each.symbol} {each.text}")
        holds = holds and whole.matches is True
    visit.close()
    return EXIT_DONE if holds else EXIT_NO


def signals(parsed: argparse.Namespace) -> int:
    """Write test signals."""
    from commission.audio.signals import write_signals

    visit = LocalServices().open(parsed.job, read_only=True)
    written = write_signals(visit.job, parsed.output, shown_progress("Writing"))
    visit.close()
    say(f"{len(written)} files written to {parsed.output}. Read README.txt there before you play anything.")
    return EXIT_DONE


def rehearse(parsed: argparse.Namespace) -> int:
    """Make a practice job, optionally measured already, and open it."""
    services = LocalServices()
    path = services.rehearsal(parsed.output, parsed.seed)
    say(f"{path} is a practice job: its room is simulated, and it contains faults for you to find.")
    if parsed.measure:
        from commission.runner import run_captures
        from commission.steps import step

        visit = services.open(path)
        source = services.source(visit)
        round_id = visit.job.current_round
        if source is not None and not visit.job.responses_of(round_id):
            run_captures(visit, step("seats"), source, round_id, threading.Event(), shown_progress("Measuring"))
        visit.close()
    if parsed.text or not _has_screen():
        return _print_results(services.open(path, read_only=True), None) if parsed.measure else EXIT_DONE
    return _run_screens(path)


COMMANDS: dict[str, Callable[[argparse.Namespace], int]] = {
    "open": open_screens,
    "demo": demo,
    "new": new,
    "import": import_files,
    "photo": photo,
    "results": results,
    "limits": limits,
    "checklist": checklist,
    "lip-sync": lip_sync,
    "sheet": sheet,
    "record": record,
    "verify": verify,
    "signals": signals,
    "rehearse": rehearse,
}
