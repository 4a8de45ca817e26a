"""Analyses cached between two openings are identical to the bit, and not used where any of their inputs has changed."""

from __future__ import annotations

import dataclasses
import shutil
import threading
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

import commission
from commission.audio.decoding import decode
from commission.cli.local_services import LocalServices
from commission.dsp.analysis import BASS_HZ
from commission.dsp.spectrum import GRID_HZ
from commission.job import kept_analyses as kept
from commission.job.kept_analyses import KeptAnalyses
from commission.job.store import JobFile
from commission.model import (
    Analyses,
    Analysis,
    ImportOptions,
    NoiseAnalysis,
    Response,
    RoomSound,
    StoredResponse,
    SystemDefined,
    unwatched,
)
from commission.visit import Visit

SAMPLE = Path(__file__).resolve().parents[2] / "sample_measurements"
SOME = ("A1_FL", "A1_FC", "A1_FR", "A1_SUB1", "A2_FL_sweep", "A2_FL_+10dB", "A2_noise_electronics-on")
"""Recordings of the sample of every kind: impulse responses, a sweep, a louder one, and noise."""
FEW = SOME[:2]


def with_recordings(folder: Path, names: Sequence[str]) -> Path:
    """The job of the sample with some of its recordings."""
    services = LocalServices(folder / "state")
    visit = services.create_from_toml(folder / "some", SAMPLE / "harbour-lane.toml")
    files = [SAMPLE / "as-found" / f"{name}.flac" for name in names]
    options = ImportOptions(round="as-found", stimulus=SAMPLE / "stimulus.flac")
    rows = services.importer.survey(files, visit.job, options, None, threading.Event(), unwatched)
    _, left_out = visit.import_rows(services.importer, rows, options, threading.Event(), unwatched)
    visit.close()
    assert not left_out
    return visit.path


@pytest.fixture(scope="module")
def job_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with two recordings."""
    return with_recordings(tmp_path_factory.mktemp("kept"), FEW)


@pytest.fixture(scope="module")
def filled(job_file: Path) -> Path:
    """A folder in which everything of that job is kept."""
    folder = job_file.parent / "analyses"
    with_counted(job_file, folder)
    return folder


@pytest.fixture
def folder(filled: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(filled, tmp_path / "analyses"))


class CountingDecoder:
    """The real decoder with a count of decoded responses."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(
        self, stored: Sequence[StoredResponse], blobs: Callable[[str], bytes], whole: Container[int] = ()
    ) -> Iterable[tuple[StoredResponse, Response | Exception]]:
        self.count += len(stored)
        return decode(stored, blobs, whole)


def with_counted(job_file: Path, folder: Path | None) -> tuple[Analyses, int]:
    """The analyses of one opening of the job, and the number of responses that it had to decode."""
    decoder = CountingDecoder()
    visit = Visit(JobFile.open(job_file, read_only=True), decoder, None if folder is None else KeptAnalyses(folder))
    analyses = visit.analyse(threading.Event(), unwatched)
    visit._journal.close()
    return analyses, decoder.count


def fields(analysis: Analysis | NoiseAnalysis | None) -> Iterator[tuple[str, object]]:
    assert analysis is not None
    for field in dataclasses.fields(analysis):
        value = getattr(analysis, field.name)
        if isinstance(value, RoomSound):
            yield "room: first", value.first
            value = value.samples
        is_array = isinstance(value, np.ndarray)
        yield field.name, (value.dtype, value.shape, value.tobytes()) if is_array else value


def test_cached_analyses_are_identical_to_computed_ones(tmp_path: Path) -> None:
    """Recordings of every kind. Pages written from kept results are confirmed by `verify`, which keeps nothing, in
    `tests/cli/test_commands.py`.
    """
    job_file = with_recordings(tmp_path, SOME)
    computed, all_of_them = with_counted(job_file, tmp_path / "kept")
    recalled, decoded = with_counted(job_file, tmp_path / "kept")
    assert (all_of_them, decoded) == (len(SOME), 0)
    for one, other in zip(computed, recalled, strict=True):
        assert dataclasses.replace(one, analysis=None) == dataclasses.replace(other, analysis=None)
        assert dict(fields(one.analysis)) == dict(fields(other.analysis))
        assert not other.analysis.third_octave_db.flags.writeable
    assert len(recalled.noises) == 1
    assert len(recalled.driven) == 1
    for noise, again in zip(computed.noises, recalled.noises, strict=True):
        assert dataclasses.replace(noise, analysis=None) == dataclasses.replace(again, analysis=None)
        assert dict(fields(noise.analysis)) == dict(fields(again.analysis))


def test_every_field_of_an_analysis_is_kept() -> None:
    """The two grids are the same objects for all; a field that is added must be kept as well."""
    assert [field.name for field in dataclasses.fields(NoiseAnalysis)] == [*kept._KeptNoise.__struct_fields__]
    grids = {"freq_hz": GRID_HZ, "bass_freq_hz": BASS_HZ}
    assert {field.name for field in dataclasses.fields(Analysis)} == {*kept._Kept.__struct_fields__, *grids}


def test_another_program_version_computes_again(
    job_file: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "_program", lambda: b"one letter of the source was changed")
    assert with_counted(job_file, folder)[1] == len(FEW)


def test_the_program_digest_covers_all_code_between_recording_and_analysis(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours = Path(str(commission.__file__)).parent
    copy = tmp_path / "commission"
    shutil.copytree(ours, copy, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(commission, "__file__", str(copy / "__init__.py"))
    seen = {kept._program.__wrapped__()}
    for name in ("dsp/polarity.py", "audio/decoding.py", "model/signal.py", "job/kept_analyses.py"):
        (copy / name).write_text((copy / name).read_text("utf-8") + "\n# changed\n", "utf-8")
        seen.add(kept._program.__wrapped__())
    assert len(seen) == 5


def test_a_channel_changed_to_a_subwoofer_is_analysed_again(job_file: Path, folder: Path, tmp_path: Path) -> None:
    changed = Path(shutil.copy(job_file, tmp_path))
    journal = JobFile.open(changed)
    visit = Visit(journal, CountingDecoder())
    system = visit.job.system
    channels = tuple(dataclasses.replace(c, role="sub") if c.id == "FC" else c for c in system.channels)
    visit.append(SystemDefined(system=dataclasses.replace(system, channels=channels)))
    mine = sum(r.body.channel == "FC" for r in visit.job.responses)
    journal.close()
    assert mine > 0
    assert with_counted(changed, folder)[1] == mine


def test_a_channel_changed_to_a_subwoofer_in_an_open_job_is_analysed_again(
    job_file: Path, folder: Path, tmp_path: Path
) -> None:
    """Otherwise the job would show other results when opened again, or the cache would stay wrong."""
    changed = Path(shutil.copy(job_file, tmp_path))
    journal, decoder = JobFile.open(changed), CountingDecoder()
    visit = Visit(journal, decoder, KeptAnalyses(folder))
    visit.analyse(threading.Event(), unwatched)
    assert decoder.count == 0
    system = visit.job.system
    channels = tuple(dataclasses.replace(c, role="sub") if c.id == "FC" else c for c in system.channels)
    visit.append(SystemDefined(system=dataclasses.replace(system, channels=channels)))
    assert {r.body.channel for r in visit.pending} == {"FC"}
    seen = visit.analyse(threading.Event(), unwatched)
    visit.append(SystemDefined(system=system))
    assert not visit.pending  # its earlier analysis is cached
    visit.append(SystemDefined(system=dataclasses.replace(system, channels=channels)))
    journal.close()
    recalled, decoded = with_counted(changed, folder)
    computed, _ = with_counted(changed, None)
    assert decoded == 0
    for one, now, later in zip(computed, seen, recalled, strict=True):
        assert dict(fields(now.analysis)) == dict(fields(later.analysis))
        # Transforms of fewer recordings at once round differently in single precision; another band is decibels away.
        assert later.analysis.level_db == pytest.approx(one.analysis.level_db, abs=1e-4)


def test_analyses_that_cannot_be_stored_are_not_kept(job_file: Path, tmp_path: Path) -> None:
    visit = Visit(JobFile.open(job_file, read_only=True), decode)
    odd = {
        item.seq: dataclasses.replace(item.analysis, low_hz=np.float64(40.0))
        for item in visit.analyse(threading.Event(), unwatched)
    }
    KeptAnalyses(tmp_path).keep(visit.job, odd)
    visit.close()
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path: path.unlink(),
        lambda path: path.write_bytes(b""),
        lambda path: path.write_bytes(path.read_bytes()[:-1]),
        lambda path: path.write_bytes(
            path.read_bytes()[:5000] + bytes([path.read_bytes()[5000] ^ 1]) + path.read_bytes()[5001:]
        ),
        lambda path: (path.unlink(), path.mkdir()),
    ],
)
def test_damaged_cache_entries_are_computed_again(
    job_file: Path, folder: Path, spoil: Callable[[Path], object]
) -> None:
    (path,) = folder.iterdir()
    spoil(path)
    computed, decoded = with_counted(job_file, folder)
    assert (len(computed), decoded) == (len(FEW), len(FEW))


def test_a_folder_that_cannot_be_made_costs_only_time(job_file: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    assert with_counted(job_file, tmp_path / "file" / "analyses")[1] == len(FEW)


def test_only_the_newest_jobs_are_kept(job_file: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (mine,) = folder.iterdir()
    for number in range(4):
        (folder / f"{number}.msgpack").write_bytes(b"older")
    mine.unlink()
    monkeypatch.setattr(kept, "FILES_KEPT", 2)
    with_counted(job_file, folder)
    assert mine in folder.iterdir() and len(list(folder.iterdir())) == 2


def test_verify_does_not_use_the_cache(job_file: Path, tmp_path: Path) -> None:
    services = LocalServices(tmp_path / "state")
    assert services.open(job_file, read_only=True, afresh=True)._memory is None


def test_a_job_without_recordings_does_not_search_the_cache(tmp_path: Path) -> None:
    """A job file whose creation was interrupted holds no event, and so no digest to search the cache for."""
    JobFile.create(tmp_path / "empty.commission").close()
    analyses, decoded = with_counted(tmp_path / "empty.commission", tmp_path / "analyses")
    assert (len(analyses), decoded) == (0, 0)


def test_values_that_a_return_visit_takes_over_are_computed_again(
    job_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The earlier visit's figures go into the new job's log, where they are evidence."""

    def asked(*_: object) -> dict[int, Analysis]:
        raise AssertionError("what is kept was asked")

    monkeypatch.setattr(KeptAnalyses, "recall", asked)
    visit = LocalServices(tmp_path / "state").create_return(tmp_path / "again.commission", job_file)
    assert visit.job.earlier is not None and len(visit.job.earlier.figures) > 10
    visit.close()
