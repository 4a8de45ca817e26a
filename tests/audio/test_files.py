"""The project's unpacking of samples against libsndfile, bit for bit: every format, several channels, odd and damaged
headers.
"""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from commission.audio.files import _checked_info, _data_chunk, _unpack_plain, read_sound
from commission.model import InputError

INTEGER = ["PCM_16", "PCM_24", "PCM_32"]
OTHER = ["PCM_U8", "FLOAT", "DOUBLE", "ALAW", "IMA_ADPCM"]


def written(subtype: str, channels: int, frames: int, seed: int, kind: str = "WAV") -> bytes:
    """Samples over the whole range, including both ends."""
    samples = np.random.default_rng(seed).integers(-(2**31), 2**31, (frames, channels), dtype=np.int32)
    samples.flat[:2] = [2**31 - 1, -(2**31)][: samples.size]
    buffer = io.BytesIO()
    endian = "BIG" if kind == "RIFX" else "FILE"
    soundfile.write(buffer, samples, 48000, format="WAV" if kind == "RIFX" else kind, subtype=subtype, endian=endian)
    return buffer.getvalue()


def by_library(data: bytes) -> np.ndarray:
    return np.asarray(soundfile.read(io.BytesIO(data), dtype="float32", always_2d=True)[0]).T


def same(data: bytes) -> None:
    """Whether the samples are equal, NaN included, or both refuse the file."""
    try:
        theirs = by_library(data)
    except soundfile.LibsndfileError:
        with pytest.raises(InputError):
            read_sound(data, "x.wav")
        return
    samples, info = read_sound(data, "x.wav")
    assert (info.channels, info.frames) == theirs.shape
    np.testing.assert_array_equal(samples, theirs)


formats = st.one_of(
    st.tuples(st.sampled_from(INTEGER), st.sampled_from(["WAV", "WAVEX", "RIFX", "RF64"])),
    st.tuples(st.sampled_from(OTHER), st.just("WAV")),
    st.tuples(st.sampled_from(["PCM_16", "PCM_24"]), st.just("FLAC")),
)


@settings(max_examples=150, deadline=None)
@given(which=formats, channels=st.integers(1, 8), frames=st.integers(1, 400), seed=st.integers(0, 99))
def test_every_format_is_read_as_libsndfile_reads_it(
    which: tuple[str, str], channels: int, frames: int, seed: int
) -> None:
    subtype, kind = which
    if subtype == "IMA_ADPCM":
        channels = min(channels, 2)  # the range of this format
    same(written(subtype, channels, frames, seed, kind))


@pytest.mark.parametrize("kind", ["WAV", "WAVEX"])
@pytest.mark.parametrize("subtype", INTEGER)
def test_plain_chunks_are_read_without_the_library(subtype: str, kind: str) -> None:
    """Otherwise the tests here might compare the library with itself."""
    data = written(subtype, 2, 100, 1, kind)
    info, printed = _checked_info(data, "x.wav")
    assert printed == subtype
    samples = np.empty((2, 100), np.float32)
    assert _unpack_plain(data, info, printed, samples)
    np.testing.assert_array_equal(samples, by_library(data))


junk = st.lists(
    st.tuples(st.sampled_from([b"LIST", b"JUNK", b"bext", b"fact", b"cue ", b"odd!"]), st.binary(max_size=31)),
    max_size=3,
)


@settings(max_examples=150, deadline=None)
@given(subtype=st.sampled_from(INTEGER), channels=st.integers(1, 3), before=junk, after=junk)
def test_other_chunks_around_the_samples_change_nothing(
    subtype: str, channels: int, before: list[tuple[bytes, bytes]], after: list[tuple[bytes, bytes]]
) -> None:
    data = written(subtype, channels, 57, 3)
    chunk = _data_chunk(data)
    assert chunk is not None
    start = chunk[0] - 8

    def packed(chunks: list[tuple[bytes, bytes]]) -> bytes:
        return b"".join(k + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2) for k, body in chunks)

    inside = data[8:start] + packed(before) + data[start:] + b"\0" * (chunk[1] % 2) + packed(after)
    whole = b"RIFF" + struct.pack("<I", len(inside)) + inside
    same(whole)


@settings(max_examples=400, deadline=None)
@given(
    subtype=st.sampled_from(INTEGER),
    kind=st.sampled_from(["WAV", "WAVEX"]),
    channels=st.integers(1, 3),
    place=st.integers(0, 80),
    value=st.integers(0, 255),
    cut=st.integers(0, 12),
)
def test_a_damaged_header_is_refused_or_read_as_the_library_reads_it(
    subtype: str, kind: str, channels: int, place: int, value: int, cut: int
) -> None:
    """With one byte of the header changed or the end cut off, the samples are those of the library."""
    data = bytearray(written(subtype, channels, 40, 5, kind))
    data[place] = value
    bad = bytes(data[: len(data) - cut])
    try:
        samples, info = read_sound(bad, "x.wav")
    except InputError:
        return
    theirs = by_library(bad)
    np.testing.assert_array_equal(samples, theirs)
    assert (info.channels, info.frames) == samples.shape


def test_two_data_chunks_are_read_as_the_library_reads_them() -> None:
    data = written("PCM_24", 1, 40, 6)
    second = b"data" + struct.pack("<I", 120) + bytes(range(120))
    for inside in (data[8:] + second, data[8:36] + second + data[36:]):
        whole = b"RIFF" + struct.pack("<I", len(inside)) + inside
        same(whole)


def test_a_container_wider_than_its_samples_is_left_to_the_library() -> None:
    """24 bits in four bytes: the block size in the header shows it, and three bytes a sample do not fill the chunk."""
    data = bytearray(written("PCM_32", 1, 40, 7))
    data[34:36] = struct.pack("<H", 24)
    same(bytes(data))
