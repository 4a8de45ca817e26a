"""AES69 files that refer to other files, loop for ever, crash the library or claim gigabytes are refused quickly."""

from __future__ import annotations

import hashlib
import resource
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import harmful_decoders
import hostile_sofa
import numpy as np
import pytest
from builders import cinema
from hostile_sofa import sofa_file

from commission.audio.sofa import parse_sofa, read_sofa
from commission.cli.local_services import LocalServices
from commission.model import AS_FOUND, ImportOptions, InputError, ResponseStored, child_process
from commission.model.child_process import decode_in_child
from commission.model.progress import unwatched

SECRET = np.arange(hostile_sofa.FRAMES, dtype="<f4").tobytes()


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    path = tmp_path / "secret"
    path.write_bytes(SECRET)
    return path


def refusal(data: bytes, read: Callable[[bytes, str], object] = parse_sofa) -> str:
    with pytest.raises(InputError) as error:
        read(data, "x.sofa")
    assert "\n" not in str(error.value)
    return str(error.value)


def test_data_outside_the_file_are_refused(secret: Path) -> None:
    other = secret.parent / "other.sofa"
    other.write_bytes(sofa_file())
    assert "Data.IR kept in another file, expected all values in the file itself" in refusal(
        hostile_sofa.external(secret)
    )
    for source in (str(other), "."):
        assert "Data.IR assembled from other data" in refusal(hostile_sofa.virtual(source))
    for link in (h5py.ExternalLink(str(other), "Data.IR"), h5py.SoftLink("/elsewhere"), h5py.SoftLink("/Data.IR")):
        assert "Data.IR a link to other data" in refusal(hostile_sofa.linked(link))
    for name in ("Data.Delay", "Data.SamplingRate"):
        assert f"{name} a link" in refusal(hostile_sofa.linked(h5py.SoftLink("/elsewhere"), name))


def test_only_the_usual_filters_are_read() -> None:
    for options in (
        {"compression": "gzip"},
        {"compression": "gzip", "shuffle": True, "fletcher32": True},
        {"chunks": (1, 1, 100)},
    ):
        (found,) = parse_sofa(hostile_sofa.packed(**options), "x.sofa")
        np.testing.assert_array_equal(found.response.impulse, hostile_sofa.impulse())
    for options in ({"compression": "lzf"}, {"scaleoffset": 3, "dtype": "i4"}):
        assert "compressed in an unsupported way" in refusal(hostile_sofa.packed(**options))


def test_claims_of_gigabytes_are_refused_before_anything_is_read() -> None:
    assert "SeatLabel of 3,000 MB, expected at most 4 MB" in refusal(hostile_sofa.wide_labels())
    begin, before = time.process_time(), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    (found,) = read_sofa(hostile_sofa.many_samples(), "x.sofa")
    assert len(found.response.impulse) == 40_000_000  # type: ignore[arg-type]
    assert time.process_time() - begin < 2
    # Linux counts this process's memory in its children, so only an excess over it can be measured.
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss <= max(600_000, before, own)


def test_a_damaged_heap_that_loops_for_ever_gives_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    assert child_process.CPU_S < 10, "a hang by the measure of these tests"
    monkeypatch.setattr(child_process, "CPU_S", 1)
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    assert "takes longer than 1 s to read: it is damaged or was made to do so" in refusal(
        hostile_sofa.endless(), read_sofa
    )
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before < 3
    monkeypatch.setattr(child_process, "CPU_S", 20)
    monkeypatch.setattr(child_process, "WALL_S", 0.5)  # where processor time cannot be limited
    begin = time.monotonic()
    assert "takes longer than" in refusal(hostile_sofa.endless(), read_sofa)
    assert time.monotonic() - begin < 5


def run(function: Any, data: bytes = b"data", **options: Any) -> tuple[Any, list[bytearray]]:
    return decode_in_child(f"harmful_decoders:{function.__name__}", data, "x", "a file", **options)


def test_a_crash_and_too_much_memory_are_distinguished() -> None:
    with pytest.raises(InputError, match="x: found a file that crashes the library that reads it, expected a file"):
        run(harmful_decoders.crash)
    with pytest.raises(InputError, match="needs more than 900 MB of memory"):
        run(harmful_decoders.fill_memory)


def test_a_process_that_cannot_be_started_is_not_called_a_crash(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with pytest.raises(InputError, match=r"no process can be started to read it \(No such file or directory\)"):
        run(harmful_decoders.crash)


def test_output_of_a_library_is_not_part_of_the_answer() -> None:
    value, parts = run(harmful_decoders.print_much, data=bytes(3_000_000))
    assert value == "the answer"
    assert [len(part) for part in parts] == [3_000_000, 0, 24]


def test_a_child_opens_and_writes_no_files(secret: Path, tmp_path: Path) -> None:
    """The second line of defence, should the check of the file's structure overlook a reference."""
    found, _ = run(harmful_decoders.write_and_open_files, path=str(secret), new=str(tmp_path / "new"))
    assert found == ["no", "no: Too many open files"]
    other = tmp_path / "other.sofa"
    other.write_bytes(sofa_file())
    for data in (
        hostile_sofa.external(secret),
        hostile_sofa.virtual(str(other)),
        hostile_sofa.linked(h5py.ExternalLink(str(other), "Data.IR")),
    ):
        try:
            value, parts = run(harmful_decoders.read_unchecked, data=data)
        except InputError as error:  # libhdf5 2.0 crashes on a virtual dataset without its file
            assert "crashes the library" in str(error)
            continue
        assert value.startswith("no") or not any(parts[0]), "zeros, where the library takes a missing file for empty"


# --- through import, and in jobs of earlier versions ------------------------------------------------------------------


def test_decoded_responses_are_stored_once_as_wav(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from commission.audio import sofa_rows

    runs: list[int] = []
    monkeypatch.setattr(sofa_rows, "read_sofa", lambda *words: runs.append(1) or read_sofa(*words))  # type: ignore[func-returns-value]
    path = tmp_path / "A1_FL.sofa"
    path.write_bytes(sofa_file(samples=hostile_sofa.impulse(7)))
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "loft", cinema(["FL", "FC"], ["A1", "A2"]))
    options = ImportOptions(round=AS_FOUND)

    def survey() -> Any:
        return services.importer.survey((path,), visit.job, options, None, threading.Event(), unwatched)

    events, left_out = visit.import_rows(services.importer, survey(), options, threading.Event(), unwatched)
    assert left_out == ()
    assert len(runs) == 1
    body = events[0].body
    assert isinstance(body, ResponseStored)
    assert body.original_sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert visit.blob(body.file_sha256).startswith(b"RIFF")
    (analysed,) = visit.analyse(threading.Event(), unwatched)
    assert analysed.problem is None
    assert analysed.analysis is not None
    assert analysed.analysis.arrival_s == pytest.approx(240 / 48000, abs=1e-4)
    (row,) = survey()
    assert row.duplicate_of == events[0].seq
    visit.close()


def test_a_job_with_bad_files_opens_and_names_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Earlier versions stored the bytes of the file itself."""
    monkeypatch.setattr(child_process, "CPU_S", 1)
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "loft", cinema(["FL", "FC", "FR"], ["A1"]))
    recordings = {"FL": sofa_file(), "FC": hostile_sofa.endless(), "FR": hostile_sofa.virtual(".")}
    for channel, data in recordings.items():
        digest = hashlib.sha256(data).hexdigest()
        body = ResponseStored(
            round=AS_FOUND,
            channel=channel,
            seat="A1",
            kind="impulse",
            file_name=f"A1_{channel}.sofa",
            file_sha256=digest,
            rate_hz=48000.0,
            frames=4800,
        )
        visit.append(body, blobs={digest: data})
    visit.close()
    visit = services.open(tmp_path / "loft.commission", read_only=True)
    problems = {each.channel: each.problem for each in visit.analyse(threading.Event(), unwatched)}
    assert problems["FL"] is None
    assert "A1_FC.sofa: found a file that takes longer than 1 s to read" in (problems["FC"] or "")
    assert "A1_FR.sofa: found Data.IR assembled from other data" in (problems["FR"] or "")
    assert "A1_FC.sofa" in "".join(
        " ".join(o.remarks) + str(o.tables) + str(o.checks) for o in visit.outcomes(AS_FOUND).values()
    )
    assert visit.verify() is None
    visit.close()
