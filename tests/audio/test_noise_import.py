"""Noise recordings are recognised by mapping or name, belong to a state and a seat, and are decoded unchanged."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile
from builders import cinema, defined, job_of

from commission.audio.decoding import decode
from commission.audio.importing import FileImporter
from commission.model import (
    ImportOptions,
    ImportRow,
    Job,
    Response,
    ResponseStored,
    StoredResponse,
    unwatched,
)
from commission.model.noise_states import calibrator_db, known_state

RATE = 24000
JOB = job_of(defined(cinema()))


def write(path: Path, seconds: float = 4.0, seed: int = 1) -> Path:
    path.parent.mkdir(exist_ok=True)
    samples = np.random.default_rng(seed).normal(0, 0.001, int(seconds * RATE))
    soundfile.write(path, samples, RATE, subtype="PCM_16")
    return path


def survey(*paths: Path, job: Job = JOB) -> tuple[ImportRow, ...]:
    return FileImporter().survey(paths, job, ImportOptions(round="as-found"), None, threading.Event(), unwatched)


def mapping(folder: Path, *lines: str, head: str = "file,round,channel,seat,kind,state") -> Path:
    path = folder / "map.csv"
    path.write_text("\n".join((head, *lines)) + "\n")
    return path


def body_of(row: ImportRow) -> tuple[ResponseStored, dict[str, bytes]]:
    bodies, blobs = FileImporter().read(row, JOB, ImportOptions(clock="one"))
    (body,) = bodies
    assert isinstance(body, ResponseStored)
    return body, blobs


def test_a_mapping_names_the_state_and_needs_no_channel(tmp_path: Path) -> None:
    write(tmp_path / "x.flac")
    (row,) = survey(mapping(tmp_path, "x.flac,as-left,,A3,noise,Fan coil at half speed"))
    assert row.problem is None
    assert (row.round, row.channel, row.seat, row.kind, row.state) == (
        "as-left",
        None,
        "A3",
        "noise",
        "Fan coil at half speed",
    )
    body, blobs = body_of(row)
    assert (body.kind, body.state, body.channel, body.clock) == ("noise", "Fan coil at half speed", "", None)
    stored = StoredResponse(seq=1, at="", body=body, blob_sha256=body.file_sha256)
    ((_, decoded),) = decode([stored], blobs.__getitem__)
    assert isinstance(decoded, Response)
    assert decoded.noise is not None
    np.testing.assert_allclose(decoded.noise, soundfile.read(tmp_path / "x.flac")[0], atol=1e-7)


def test_a_mapping_without_a_column_for_channels_is_accepted(tmp_path: Path) -> None:
    write(tmp_path / "x.flac")
    (row,) = survey(mapping(tmp_path, "x.flac,A2,noise,projector on", head="file,seat,kind,state"))
    assert (row.problem, row.state) == (None, "projector on")


def test_without_seat_or_state_the_row_states_the_assumption(tmp_path: Path) -> None:
    write(tmp_path / "x.flac")
    (row,) = survey(mapping(tmp_path, "x.flac,as-found,,,noise", head="file,round,channel,seat,kind"))
    assert (row.problem, row.seat, row.state) == (None, "A2", "state not named")
    assert "reference seat A2 is assumed" in (row.warning or "")


@pytest.mark.parametrize(
    ("name", "seat", "state"),
    [
        ("A1_noise_ventilation-high.flac", "A1", "ventilation high"),
        ("noise everything off B2.flac", "B2", "everything off"),
        ("A2_noise_off.flac", "A2", "everything off"),
        ("A2_Ventilation_Low.flac", "A2", "ventilation low"),
        ("A2_noise_pool-pump.flac", "A2", "pool pump"),
        ("as-left_A3_noise_electronics.flac", "A3", "electronics on"),
        ("noise_calibrator_114dB.flac", "A2", "calibrator 114 dB"),
        ("noise_calibrator.flac", "A2", "calibrator 94 dB"),
    ],
)
def test_file_names_give_the_state(tmp_path: Path, name: str, seat: str, state: str) -> None:
    (row,) = survey(write(tmp_path / name))
    assert (row.problem, row.kind, row.seat, row.state) == (None, "noise", seat, state)


@pytest.mark.parametrize("name", ["A2_FL.flac", "low ventilation.flac", "A2 off.flac"])
def test_other_names_are_not_taken_for_noise(tmp_path: Path, name: str) -> None:
    (row,) = survey(write(tmp_path / name))
    assert row.kind != "noise"


def test_impossible_rows_give_the_reason(tmp_path: Path) -> None:
    short = survey(write(tmp_path / "A2_noise_off.flac", 1.0))
    assert "found 1.0 s, expected 3 s" in (short[0].problem or "")
    write(tmp_path / "x.flac")
    (row,) = survey(mapping(tmp_path, "x.flac,as-found,,Z9,noise,off"))
    assert "the seat “Z9”" in (row.problem or "")
    (row,) = survey(mapping(tmp_path, "x.flac,as-found,FL,A2,impulse,off"))
    assert "found a state with kind impulse" in (row.problem or "")


def test_a_repeated_recording_is_recognised(tmp_path: Path) -> None:
    (row,) = survey(write(tmp_path / "A2_noise_off.flac"))
    body, _ = body_of(row)
    (again,) = survey(tmp_path / "A2_noise_off.flac", job=job_of(defined(cinema()), body))
    assert again.duplicate_of == 3
    assert job_of(defined(cinema()), body).responses == ()


def test_states_are_recognised_in_several_spellings() -> None:
    assert known_state("Ventilation_HIGH") == "ventilation high"
    assert known_state("pool pump") is None
    assert calibrator_db("calibrator 93,8 dB") == 93.8
