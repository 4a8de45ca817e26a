"""A stored recording decodes to the same response in any batch, and a bad one does not affect the others."""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from scipy import signal

from commission.audio import files as audio_files
from commission.audio.decoding import SWEEPS_AT_ONCE, _parts, decode
from commission.dsp.analysis import analyse
from commission.dsp.sweep import sweep_signal
from commission.model import InputError, Response, ResponseKind, ResponseStored, StoredResponse, Sweep, UnusableError
from commission.visit import _batches

RATE = 48000
SWEEP = Sweep(duration_s=1.0, level_dbfs=-12.0)


def heard(seed: int, frames: int = 2 * RATE) -> np.ndarray:
    """A sweep in an invented room whose direct sound comes after 300 samples plus 40 times the seed."""
    rng = np.random.default_rng(seed)
    h = 0.01 * rng.standard_normal(8000) * np.exp(-np.arange(8000) / 1000)
    h[300 + 40 * seed] += 0.5
    out = 1e-5 * rng.standard_normal(frames)
    part = signal.oaconvolve(sweep_signal(SWEEP), h)[:frames]
    out[: len(part)] += part
    return out


class Files:
    """Stored responses and their bytes, as a job holds them."""

    def __init__(self) -> None:
        self.blobs: dict[str, bytes] = {}
        self.stored: list[StoredResponse] = []

    def add(self, data: bytes, name: str, kind: ResponseKind = "sweep", file_channel: int = 0) -> None:
        sha = hashlib.sha256(data).hexdigest()
        self.blobs[sha] = data
        body = ResponseStored(
            round="r",
            channel="FL",
            seat="A1",
            kind=kind,
            file_name=name,
            file_sha256=sha,
            file_channel=file_channel,
            sweep=SWEEP if kind == "sweep" else None,
        )
        self.stored.append(StoredResponse(seq=len(self.stored), at="", blob_sha256=sha, body=body))

    def decoded(self, *which: int) -> list[Response | Exception]:
        some = [self.stored[n] for n in which] if which else self.stored
        found = list(decode(some, self.blobs.__getitem__))
        assert [each.seq for each, _ in found] == [each.seq for each in some]
        return [response for _, response in found]


def sound(samples: np.ndarray, kind: str = "WAV", subtype: str = "PCM_24") -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, RATE, format=kind, subtype=subtype)
    return buffer.getvalue()


@pytest.fixture(scope="module")
def files() -> Files:
    out = Files()
    for seed in range(2 * SWEEPS_AT_ONCE + 1):
        out.add(sound(heard(seed)), f"{seed}.wav")
    out.add(sound(heard(20), "FLAC"), "packed.flac")
    out.add(sound(heard(21), subtype="PCM_16"), "short words.wav")
    out.add(sound(heard(22, 2 * RATE + 500)), "longer.wav")
    three = sound(np.stack([heard(30 + n) for n in range(3)], axis=1))
    for file_channel in (2, 0, 5, 1):
        out.add(three, "three.wav", file_channel=file_channel)
    out.add(sound(np.zeros(2 * RATE)), "silent.wav")
    out.add(sound(heard(40))[:-3000], "cut.wav")
    out.add(sound(heard(41)[:9000]), "impulse.wav", "impulse")
    out.add(sound(np.stack([heard(42)[:9000]] * 2, axis=1), "FLAC"), "pair.flac", "impulse", 1)
    out.add("".join(f"{20 * 2**k} {70 + k}\n" for k in range(11)).encode(), "levels.txt", "response")
    return out


def test_each_recording_decodes_alike_alone_and_in_a_batch(files: Files) -> None:
    together = files.decoded()
    backwards = files.decoded(*reversed(range(len(files.stored))))[::-1]
    for n, response in enumerate(together):
        for other in (*files.decoded(n), backwards[n]):
            if not isinstance(response, Response):
                assert str(other) == str(response)
                continue
            assert isinstance(other, Response)
            assert (other.t0_s, other.peak_fs, other.clipped) == (
                response.t0_s,
                response.peak_fs,
                response.clipped,
            )
            if response.impulse is None or other.impulse is None:
                assert response.level_db is not None  # the text response
                continue
            common = min(len(response.impulse), len(other.impulse))  # the latest of a batch decides the length of all
            np.testing.assert_allclose(
                other.impulse[:common], response.impulse[:common], atol=1e-6
            )  # single precision
            mine, theirs = analyse(response), analyse(other)
            assert mine.level_db == pytest.approx(theirs.level_db, abs=0.001)
            assert mine.arrival_s == pytest.approx(theirs.arrival_s, abs=1e-6)


def test_every_recording_is_assigned_its_own_response(files: Files) -> None:
    """The direct sound is where it was placed, so no files or channels are exchanged."""
    seeds = [*range(2 * SWEEPS_AT_ONCE + 1), 20, 21, 22, 32, 30, None, 31]
    for seed, response in zip(seeds, files.decoded(), strict=False):
        if seed is None:
            assert isinstance(response, UnusableError)
            continue
        assert isinstance(response, Response)
        assert response.impulse is not None
        peak = int(np.argmax(np.abs(response.impulse)))
        assert peak + response.t0_s * RATE == pytest.approx(300 + 40 * seed, abs=1.1)


def test_each_bad_file_is_named_and_the_others_are_decoded(files: Files) -> None:
    found = {
        (each.body.file_name, each.body.file_channel): response
        for each, response in zip(files.stored, files.decoded(), strict=True)
    }
    bad = {place: str(response) for place, response in found.items() if isinstance(response, Exception)}
    assert set(bad) == {("three.wav", 5), ("silent.wav", 0), ("cut.wav", 0)}
    assert "channel 6 is not in the file" in bad["three.wav", 5]
    assert "silence" in bad["silent.wav", 0]
    assert "truncated" in bad["cut.wav", 0]
    impulse = found["impulse.wav", 0]
    assert isinstance(impulse, Response)
    assert impulse.impulse is not None
    np.testing.assert_allclose(impulse.impulse, heard(41)[:9000], atol=2**-23)  # a step of 24 bits
    levels = found["levels.txt", 0]
    assert isinstance(levels, Response)
    assert levels.level_db is not None
    assert list(levels.level_db) == [70 + k for k in range(11)]


def test_a_wrong_number_of_frames_in_the_log_is_noticed() -> None:
    """Files are read together by the number of frames in the log, so it must be correct."""
    files = Files()
    files.add(sound(heard(1), "FLAC"), "one.flac")
    true, false = (replace(files.stored[0], body=replace(files.stored[0].body, frames=n)) for n in (2 * RATE, 7))
    ((_, good),) = decode([true], files.blobs.__getitem__)
    assert isinstance(good, Response)
    ((_, bad),) = decode([false], files.blobs.__getitem__)
    assert isinstance(bad, UnusableError)
    assert str(bad) == "one.flac: 96000 frames, but the log says 7."


def test_long_recordings_are_read_a_few_at_a_time() -> None:
    """The total of samples read together stays below a fixed number, whatever the length of a recording."""
    files = Files()
    for n in range(9):
        files.add(b"%d" % n, f"{n}.wav")

    def sizes(frames: int) -> tuple[list[int], list[int]]:
        stored = [replace(each, body=replace(each.body, frames=frames)) for each in files.stored]
        together = [len(part) for part in _parts(stored)]
        batches = [len(batch) for batch in _batches(stored)]
        assert sum(together) == sum(batches) == 9
        return together, batches

    assert sizes(300_000) == ([4, 4, 1], [9])
    assert sizes(1_900_000) == ([2, 2, 2, 2, 1], [8, 1])
    assert sizes(6_000_000) == ([1] * 9, [2, 2, 2, 2, 1])
    assert list(_batches([])) == []
    noises = [replace(each, body=replace(each.body, kind="noise", channel="")) for each in files.stored[:3]]
    assert [len(batch) for batch in _batches([*files.stored, *noises])] == [9, 1, 1, 1]  # each takes half a second


@pytest.mark.parametrize(
    ("samples", "sentence"),
    [
        (np.full((4800, 1), 0.5), "a constant value"),
        (np.r_[np.zeros(100), 1e20, np.zeros(4700)], "a sample of 1e+20, expected at most 1e+10"),
        (np.r_[np.zeros(100), -1e20, np.zeros(4700)], "a sample of 1e+20"),
        (np.r_[np.zeros(100), np.inf, np.zeros(4700)], "a sample that is not a number"),
    ],
)
def test_impossible_samples_are_refused(samples: np.ndarray, sentence: str) -> None:
    out = io.BytesIO()
    soundfile.write(out, samples.astype(np.float32), RATE, format="WAV", subtype="FLOAT")
    files = Files()
    files.add(out.getvalue(), "x.wav", "impulse")
    (found,) = files.decoded()
    assert isinstance(found, UnusableError)
    assert sentence in str(found)


def test_long_files_are_refused_by_their_header(monkeypatch: pytest.MonkeyPatch) -> None:
    data = sound(heard(1), "FLAC")
    monkeypatch.setattr(audio_files, "MOST_FRAMES", 2 * RATE - 1)
    monkeypatch.setattr(np, "empty", lambda *_: pytest.fail("memory was taken"))
    with pytest.raises(InputError, match=r"x.flac: found 1 channel of 2 s \(96000 frames\), expected at most"):
        audio_files.read_sound(data, "x.flac")
