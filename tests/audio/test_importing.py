"""Importing files: every format, every kind of bad file, names and mappings, and random bytes."""

from __future__ import annotations

import hashlib
import struct
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from builders import cinema, defined, job_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.io import wavfile

from commission.audio.decoding import decode
from commission.audio.importing import FileImporter
from commission.audio.mapping import read_mapping
from commission.audio.text_response import parse_response
from commission.dsp.sweep import sweep_signal
from commission.model import (
    Event,
    ImportOptions,
    ImportRow,
    InputError,
    Job,
    Response,
    ResponseStored,
    StoredResponse,
    Sweep,
    UnusableError,
)

RATE = 48000
JOB = job_of(defined(cinema()))
OPTIONS = ImportOptions(round="as-found", clock="one")


def response(frames: int = 12000, seed: int = 0) -> np.ndarray:
    """A direct sound with decaying noise, at half of full scale."""
    rng = np.random.default_rng(seed)
    h = 0.01 * rng.standard_normal(frames) * np.exp(-np.arange(frames) / 1500)
    h[480:] += 0
    h[480] = 0.5
    return h


def survey(
    *paths: Path, options: ImportOptions = OPTIONS, mapping: Path | None = None, job: Job = JOB
) -> tuple[ImportRow, ...]:
    return FileImporter().survey(paths, job, options, mapping, threading.Event(), lambda f, t: None)


def stored(
    row: ImportRow, options: ImportOptions = OPTIONS, job: Job = JOB
) -> tuple[list[StoredResponse], dict[str, bytes]]:
    bodies, blobs = FileImporter().read(row, job, options)
    found = [
        StoredResponse(seq=n, at="", body=b, blob_sha256=b.file_sha256)
        for n, b in enumerate(bodies)
        if isinstance(b, ResponseStored)
    ]
    return found, blobs


@pytest.mark.parametrize("rate_hz", [32000, 44100, 48000, 96000, 192000])
@pytest.mark.parametrize(
    ("suffix", "subtype", "error"),
    [
        (".wav", "PCM_16", 2**-15),
        (".wav", "PCM_24", 2**-23),
        (".wav", "PCM_32", 2**-24),
        (".wav", "FLOAT", 1e-7),
        (".flac", "PCM_16", 2**-15),
        (".flac", "PCM_24", 2**-23),
    ],
)
def test_every_format_is_imported_unchanged(
    tmp_path: Path, rate_hz: int, suffix: str, subtype: str, error: float
) -> None:
    path = tmp_path / f"A2_FL{suffix}"
    h = response()
    soundfile.write(path, h, rate_hz, subtype=subtype)
    (row,) = survey(path)
    assert (row.channel, row.seat, row.round, row.kind, row.rate_hz) == ("FL", "A2", "as-found", "impulse", rate_hz)
    assert row.ready
    assert row.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    found, blobs = stored(row)
    ((_, decoded),) = decode(found, blobs.__getitem__)
    assert isinstance(decoded, Response)
    assert decoded.impulse is not None
    np.testing.assert_allclose(decoded.impulse, h, atol=error)  # one step of the format


def test_files_of_another_writer_are_read(tmp_path: Path) -> None:
    """scipy writes 16- and 32-bit integers and floats, and the importer reads them."""
    h = response()
    for name, data in (
        ("A1", (h * 32767).astype(np.int16)),
        ("A2", (h * (2**31 - 1)).astype(np.int32)),
        ("A3", h.astype(np.float32)),
    ):
        wavfile.write(tmp_path / f"{name} FC.wav", RATE, data)
    rows = survey(tmp_path)
    assert [row.seat for row in rows] == ["A1", "A2", "A3"]
    assert all(row.ready for row in rows)


def test_a_multichannel_file_serves_a_whole_seat(tmp_path: Path) -> None:
    samples = np.stack([response(seed=n) * (1 - n / 50) for n in range(13)], axis=1)
    soundfile.write(tmp_path / "B2.wav", samples, RATE, subtype="PCM_24")
    rows = survey(tmp_path / "B2.wav")
    assert [row.channel for row in rows] == [c.id for c in JOB.system.channels]
    found: list[StoredResponse] = []
    blobs: dict[str, bytes] = {}
    for row in rows:
        more, data = stored(row)
        found += [replace(each, seq=len(found)) for each in more]
        blobs |= data
    assert len(blobs) == 1  # the same bytes are stored once
    for n, (_, decoded) in enumerate(decode(found, blobs.__getitem__)):
        assert isinstance(decoded, Response)
        assert decoded.impulse is not None
        np.testing.assert_allclose(decoded.impulse, samples[:, n], atol=2**-23)
    soundfile.write(tmp_path / "B1.wav", samples[:, :5], RATE)
    (wrong,) = survey(tmp_path / "B1.wav")
    assert "5 channels" in (wrong.problem or "")


def test_raw_sweeps_are_deconvolved_with_stimulus_or_parameters(tmp_path: Path) -> None:
    sweep = Sweep(duration_s=1.0, level_dbfs=-12.0)
    x, h = sweep_signal(sweep), response()
    heard = np.concatenate((signal.oaconvolve(x, h), np.zeros(RATE // 2)))
    soundfile.write(tmp_path / "A1_FL.wav", heard, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "played.wav", x, RATE, subtype="PCM_24")
    by_file = ImportOptions(round="as-found", stimulus=tmp_path / "played.wav", clock="c")
    by_numbers = ImportOptions(round="as-found", sweep=sweep, clock="c")
    for options in (by_file, by_numbers):
        (row,) = survey(tmp_path / "A1_FL.wav", options=options)
        assert row.kind == "sweep"
        found, blobs = stored(row, options)
        ((_, decoded),) = decode(found, blobs.__getitem__)
        assert isinstance(decoded, Response)
        assert decoded.impulse is not None
        peak = int(np.argmax(np.abs(decoded.impulse)))
        assert peak / RATE + decoded.t0_s == pytest.approx(480 / RATE, abs=1.1 / RATE)
        assert decoded.impulse[peak] == pytest.approx(0.5 * 20 / 24, rel=0.06)  # the sweep ends at 20 of 24 kHz
        assert decoded.noise is not None
    (tmp_path / "A1_FL_sweep.wav").write_bytes((tmp_path / "A1_FL.wav").read_bytes())
    (unknown,) = survey(tmp_path / "A1_FL_sweep.wav", options=OPTIONS)
    assert "what was played" in (unknown.problem or "")
    soundfile.write(tmp_path / "other.wav", x, 44100)
    (rate,) = survey(tmp_path / "A1_FL.wav", options=ImportOptions(round="as-found", stimulus=tmp_path / "other.wav"))
    assert "48000 Hz" in (rate.problem or "")
    assert "44100" in (rate.problem or "")


def _bad_files(folder: Path) -> dict[str, str]:
    """Bad files by name, each with a word that its message must contain."""
    good = folder / "good.tmp"
    soundfile.write(good, response(), RATE, format="WAV", subtype="PCM_24")
    data = good.read_bytes()
    good.unlink()
    nan = response().astype(np.float32)
    nan[100] = np.nan
    huge = bytearray(data)
    place = huge.index(b"data")
    huge[place + 4 : place + 8] = struct.pack("<I", 0xFFFFFFF0)
    files = {
        "A1_FL.wav": (b"", "empty"),
        "A1_FC.wav": (data[: len(data) // 2], "truncated"),
        "A1_FR.wav": (bytes(huge), "4295.0 MB"),
        "A1_BL.wav": (b"no sound at all" * 50, "neither WAV nor FLAC"),
        "A1_BR.flac": (b"fLaC" + bytes(500), "damaged"),
        "A1_SiL.txt": (b"Hz dB\n20 70\n30 71\nFrequency Level\n40 72\n", "words after the numbers"),
        "A1_SiR.txt": (b"20 70\n30 71\n25 72\n" + b"".join(b"%d 70\n" % f for f in range(40, 60)), "up and down"),
        "A1_TpFL.txt": (b"20\t70\n30;71\n", "columns"),
        "A1_TpFR.txt": (b"20 70\n" * 3, "3 lines"),
    }
    words = {}
    for name, (content, word) in files.items():
        (folder / name).write_bytes(content)
        words[name] = word
    for name, samples, word in (
        ("A2_FL.wav", np.zeros(9600), "silence"),
        ("A2_FC.wav", nan, "not a number"),
        ("A2_FR.wav", np.full(9600, 0.25), "constant"),
        ("A2_BL.wav", response(500), "20 ms"),
    ):
        soundfile.write(folder / name, samples, RATE, subtype="FLOAT")
        words[name] = word
    wavfile.write(folder / "A2_BR.wav", 8000, (response() * 32767).astype(np.int16))
    words["A2_BR.wav"] = "8000 Hz"
    return words


def test_every_bad_file_has_its_own_message_and_the_others_are_imported(tmp_path: Path) -> None:
    words = _bad_files(tmp_path)
    soundfile.write(tmp_path / "B3_FL.wav", response(), RATE)
    rows = {row.path.name: row for row in survey(tmp_path)}
    for name, word in words.items():
        assert not rows[name].ready
        sentence = rows[name].problem or ""
        assert name in sentence
        assert word in sentence, sentence
        assert "expected" in sentence
        with pytest.raises(InputError):
            FileImporter().read(rows[name], JOB, OPTIONS)
    assert rows["B3_FL.wav"].ready
    assert len({row.problem for row in rows.values()}) == len(rows)


def test_duplicates_and_changed_files_are_noticed(tmp_path: Path) -> None:
    path = tmp_path / "A2_FL.wav"
    soundfile.write(path, response(), RATE)
    (tmp_path / "A3_FL.wav").write_bytes(path.read_bytes())
    first, second = survey(path, tmp_path / "A3_FL.wav")
    assert "the same recording as A3_FL.wav (FL at A3" in (first.problem or "")  # its place is unknown
    assert "the same recording as A2_FL.wav (FL at A2" in (second.problem or "")
    first, second = FileImporter().recheck([first, replace(second, skip=True)], JOB)
    assert first.ready
    (body,), _ = FileImporter().read(first, JOB, OPTIONS)
    later = job_of(defined(cinema()), body)
    (again, other) = survey(path, tmp_path / "A3_FL.wav", job=later)
    assert again.duplicate_of == 3
    assert not again.ready
    assert "stored for FL at A2" in (other.warning or "")
    soundfile.write(path, 0.9 * response(), RATE)
    with pytest.raises(InputError, match="different content"):
        FileImporter().read(first, JOB, OPTIONS)


@pytest.mark.parametrize(
    ("name", "place"),
    [
        ("A2_FL.wav", ("as-found", "FL", "A2")),
        ("as-left/B1/TpFL.wav", ("as-left", "TpFL", "B1")),
        ("fl-a2 impulse.wav", ("as-found", "FL", "A2")),
        ("B3/sweeps/sub1.wav", ("as-found", "SUB1", "B3")),
        ("FL_FR_A1.wav", ("as-found", None, "A1")),
        ("take 7.wav", ("as-found", None, None)),
    ],
)
def test_a_file_name_determines_its_place(
    tmp_path: Path, name: str, place: tuple[str, str | None, str | None]
) -> None:
    path = tmp_path / name
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, response(), RATE)
    options = ImportOptions(round=None if "as-left" in name else "as-found")
    (row,) = survey(tmp_path, options=options)
    assert (row.round, row.channel, row.seat) == place
    assert row.ready == (None not in place)
    if not row.ready:
        mended = FileImporter().recheck([replace(row, channel="FC", seat="A1")], JOB)
        assert mended[0].ready


def test_mapping_files(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take1.wav", response(seed=1), RATE)
    soundfile.write(tmp_path / "take2.wav", response(seed=2), RATE)
    mapping = tmp_path / "map.csv"
    mapping.write_text(
        "\ufefffile;round;channel;seat;kind\ntake1.wav;as-left;FL;A1;impulse\ntake2.wav;as-left;FR;A1;organ\n"
        "gone.wav;as-left;FC;A1;\n",
        encoding="utf-8",
    )
    three, one, two = survey(mapping=mapping, options=ImportOptions())  # in the order of their names
    assert one.ready
    assert (one.round, one.channel, one.seat) == ("as-left", "FL", "A1")
    assert "organ" in (two.problem or "")
    assert "no such file" in (three.problem or "")
    for text in ("", "name,where\n", "file,round,channel,seat,kind\n"):
        mapping.write_text(text)
        with pytest.raises(InputError):
            read_mapping(mapping)


@pytest.mark.parametrize(
    "text",
    [
        "Freq\tSPL\tPhase\n20\t70.5\t10\n{rows}",
        "* made by hand\n# two\n20, 70.5, 10\n{rows}".replace("\t", ","),
        "20;70,5;10\n{rows}".replace("\t", ";"),
        "20 70.5 10\n{rows}",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "latin-1"])
def test_text_responses_are_read_in_any_layout(text: str, encoding: str) -> None:
    delimiter = next(d for d in ("\t", ";", ",", " ") if d in text.splitlines()[-2 if "{rows}" in text else -1])
    rows = "\n".join(delimiter.join((f"{30 + 10 * k}", f"{71 + k}", "5")) for k in range(12))
    found = parse_response(text.replace("{rows}", rows).encode(encoding), "x.txt")
    assert found.freq_hz[0] == 20
    assert found.level_db[0] == 70.5
    assert found.phase_rad is not None
    assert found.phase_rad[0] == pytest.approx(np.deg2rad(10))
    assert len(found.freq_hz) == 13


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.binary(max_size=600),
    suffix=st.sampled_from([".wav", ".flac", ".txt", ".csv"]),
    head=st.sampled_from([b"", b"RIFF", b"fLaC", b"20 70\n"]),
)
def test_random_bytes_are_refused_in_one_sentence(tmp_path: Path, data: bytes, suffix: str, head: bytes) -> None:
    path = tmp_path / f"A2_FL{suffix}"
    path.write_bytes(head + data)
    try:
        rows = survey(path)
    except InputError:
        return
    for row in rows:
        assert row.problem is None or ("\n" not in row.problem and "\x1b" not in row.problem)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    place=st.integers(0, 4000),
    value=st.integers(0, 255),
    cut=st.integers(0, 4000),
    suffix=st.sampled_from([".wav", ".flac"]),
)
def test_damaged_recordings_never_break_the_program(
    tmp_path: Path, place: int, value: int, cut: int, suffix: str
) -> None:
    """With one byte changed or the end cut off, a file is read or refused; what is read decodes or gives a reason."""
    path = tmp_path / f"A2_FL{suffix}"
    soundfile.write(path, response(2000), RATE, subtype="PCM_16")
    data = bytearray(path.read_bytes())
    if place < len(data):
        data[place] = value
    path.write_bytes(bytes(data[: max(1, len(data) - cut)] if cut < 2000 else data))
    (row,) = survey(path)[:1]
    if row.ready:
        found, blobs = stored(row)
        for _, decoded in decode(found, blobs.__getitem__):
            assert isinstance(decoded, Response | UnusableError)


def test_nothing_is_stored_for_an_unready_row(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", response(), RATE)
    (row,) = survey(tmp_path / "take.wav")
    with pytest.raises(InputError):
        FileImporter().read(row, JOB, OPTIONS)
    assert isinstance(JOB.log[0], Event)
