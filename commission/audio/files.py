"""Reads WAV and FLAC; each defect has its own message, and no memory is allocated on the word of a header."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from commission.model import FloatArray, InputError, ResponseKind
from commission.model.outside_files import read_outside
from commission.model.units import clean_text, counted

AUDIO_SUFFIXES = (".wav", ".flac")
TEXT_SUFFIXES = (".txt", ".csv", ".tsv", ".dat")
LARGEST_BYTES = 250_000_000
MOST_FRAMES = 6_000_000
"""Limit for one channel: two minutes at 48 kHz, half a minute at 192 kHz. Its transforms take some 400 MB."""
MOST_SAMPLES = 50_000_000
"""Limit for all channels: 13 of them for 40 s at 96 kHz. FLAC packs silence to a thousandth, so file size says little."""
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 32_000, 192_000
LOWEST_NOISE_RATE_HZ = 8_000
"""Limit for room noise, which needs no treble above the octave of its rating."""
SHORTEST_S = 0.02
SILENCE_FS = 10 ** (-120 / 20)
"""Digital silence or one bit of dither: nothing above −120 dB re full scale."""
LARGEST_SAMPLE = 1e10
"""Full scale is 1; 32-bit integers written as floats reach 2·10⁹. A larger sample means a corrupted file."""
_DAMAGED = "It was damaged in transit: copy the original again."
_BLOCK_FRAMES = 65_536
_LOSSLESS_BYTES_PER_FRAME = 1 / 256
"""FLAC packs silence at most this tightly: with more frames per byte the header is wrong."""


@dataclass(frozen=True, slots=True)
class SoundInfo:
    """The contents of a header, checked against the file size."""

    rate_hz: int
    frames: int
    channels: int


def shown(path: Path) -> str:
    """A file's name, safe for a terminal."""
    return clean_text(path.name)


def read_bytes(path: Path) -> bytes:
    """The whole file; raises InputError if it cannot be read."""
    name = shown(path)
    data = read_outside(path, "a recording", largest_bytes=LARGEST_BYTES, where=name)
    if not data:
        raise InputError(name, "an empty file", "a recording", "Copy the original again.")
    return data


def lowest_rate_hz(kind: ResponseKind | None) -> int:
    """The lowest sample rate that a recording of this kind may have."""
    return LOWEST_NOISE_RATE_HZ if kind == "noise" else LOWEST_RATE_HZ


def sound_info(data: bytes, name: str, lowest_hz: int = LOWEST_RATE_HZ) -> SoundInfo:
    """Rate, frames and channels of WAV or FLAC bytes; raises InputError for damaged files and values out of range."""
    return _checked_info(data, name, lowest_hz)[0]


def _checked_info(data: bytes, name: str, lowest_hz: int = LOWEST_RATE_HZ) -> tuple[SoundInfo, str]:
    """(result of `sound_info`, the library's name of the sample format such as "PCM_24"). Raises InputError."""
    import soundfile

    if not data.startswith((b"RIFF", b"RIFX", b"RF64", b"fLaC")):
        raise InputError(name, "a file that is neither WAV nor FLAC inside", "WAV or FLAC")
    try:
        info = soundfile.info(io.BytesIO(data))
    except (soundfile.LibsndfileError, RuntimeError, ValueError) as error:
        raise InputError(name, f"damaged audio ({_reason(error)})", "a whole WAV or FLAC file") from error
    if info.channels < 1 or info.frames < 1:
        raise InputError(
            name, "no samples", "a recording", "It was cut off or never written completely: copy it again."
        )
    chunk = _data_chunk(data)
    if chunk is not None and sum(chunk) > len(data):
        raise InputError(
            name,
            f"a header that promises {_size(sum(chunk))} in a file of {_size(len(data))}",
            "as many samples as the header says",
            "It is truncated: copy the original again.",
        )
    if info.frames * info.channels * _LOSSLESS_BYTES_PER_FRAME > len(data):
        raise InputError(name, f"a header that promises {info.frames} frames in {_size(len(data))}", "a whole file")
    if info.frames > MOST_FRAMES or info.frames * info.channels > MOST_SAMPLES:
        raise InputError(
            name,
            f"{counted(info.channels, 'channel')} of {info.frames / max(info.samplerate, 1):.0f} s ({info.frames} frames)",
            f"at most {MOST_FRAMES / 1e6:.0f} million frames, and {MOST_SAMPLES / 1e6:.0f} million in all channels",
            "Cut it to one sweep, or record at a lower rate.",
        )
    if not lowest_hz <= info.samplerate <= HIGHEST_RATE_HZ:
        raise InputError(name, f"a sample rate of {info.samplerate} Hz", f"{lowest_hz} to {HIGHEST_RATE_HZ} Hz")
    return SoundInfo(int(info.samplerate), int(info.frames), int(info.channels)), str(info.subtype)


def _size(count: int) -> str:
    return f"{count / 1e6:.1f} MB" if count >= 100_000 else f"{count} bytes"


def _reason(error: Exception) -> str:
    return clean_text(str(error)).removeprefix("Error opening ").split(": ", 1)[-1].rstrip(".") or "unknown"


def _data_chunk(data: bytes) -> tuple[int, int] | None:
    """(offset of a WAV's samples, their size in bytes by its header); None if that cannot be determined.

    The library reads what there is and keeps quiet about the rest, so that a truncated sweep would pass for a whole
    one.
    """
    if not data.startswith(b"RIFF") or data[8:12] != b"WAVE":
        return None
    position = 12
    while position + 8 <= len(data):
        kind, size = data[position : position + 4], int.from_bytes(data[position + 4 : position + 8], "little")
        if kind == b"data":
            return position + 8, size
        position += 8 + size + size % 2
    return None


def read_sound(
    data: bytes, name: str, out: FloatArray | None = None, lowest_hz: int = LOWEST_RATE_HZ
) -> tuple[FloatArray, SoundInfo]:
    """Samples [shape=(channels, n)], float32, full scale 1.0, written to `out` if given. Raises InputError."""
    import soundfile

    info, subtype = _checked_info(data, name, lowest_hz)
    samples = np.empty((info.channels, info.frames), np.float32) if out is None else out
    if _unpack_plain(data, info, subtype, samples):
        return samples, info
    try:
        with soundfile.SoundFile(io.BytesIO(data)) as file:
            done = 0
            while done < info.frames and len(block := file.read(_BLOCK_FRAMES, "float32", always_2d=True)):
                samples[:, done : done + len(block)] = block[: info.frames - done].T
                done += len(block)
    except (soundfile.LibsndfileError, RuntimeError, ValueError) as error:
        raise InputError(name, f"damaged audio ({_reason(error)})", "a whole WAV or FLAC file") from error
    if done < info.frames:
        raise InputError(
            name, f"{done} frames where the header says {info.frames}", "a whole file", "It is truncated."
        )
    return samples, info


def _unpack_plain(data: bytes, info: SoundInfo, subtype: str, samples: FloatArray) -> bool:
    """Fill samples [shape=(channels, n)] from integer PCM in one plain chunk, bit for bit as the library does.

    False when the file is anything else. The library unpacks 24-bit samples one by one, which took as long as all
    transforms of them; this is ten times faster. What the header means is still the library's word.
    """
    chunk, width = _data_chunk(data), {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4}.get(subtype)
    if chunk is None or width is None or chunk[1] != info.frames * info.channels * width:
        return False
    shape, strides = (info.channels, info.frames), (width, info.channels * width)
    if width == 3:
        # Each sample is read as the upper bytes of four; the lowest byte belongs to its neighbour, or to the header.
        four: FloatArray = np.ndarray(shape, "<i4", data, chunk[0] - 1, strides)
        whole = np.right_shift(four, 8, out=samples.view(np.int32))  # in place: fresh memory is the main cost
        np.copyto(samples, whole, casting="unsafe")
    else:
        np.copyto(samples, np.ndarray(shape, f"<i{width}", data, chunk[0], strides), casting="unsafe")
    samples *= np.float32(2.0 ** (1 - 8 * width))
    return True


def problem_of(samples: FloatArray, info: SoundInfo, name: str) -> str | None:
    """Why one channel's samples [shape=(n,)] cannot be used; None if they can."""
    if len(samples) < SHORTEST_S * info.rate_hz:
        return str(InputError(name, f"{1000 * len(samples) / info.rate_hz:.1f} ms of sound", "at least 20 ms"))
    low, high = float(np.min(samples)), float(np.max(samples))  # both are NaN if any sample is
    peak = max(-low, high)
    if not np.isfinite(peak):
        count = int(np.count_nonzero(~np.isfinite(samples)))
        found = "a sample that is not a number" if count == 1 else f"{count} samples that are not numbers"
        return str(InputError(name, found, "finite samples"))
    if peak > LARGEST_SAMPLE:
        return str(InputError(name, f"a sample of {peak:.3g}", f"at most {LARGEST_SAMPLE:g}", _DAMAGED))
    if peak < SILENCE_FS:
        return str(InputError(name, "silence", "a recording", "Was the microphone connected and its input open?"))
    if high - low < 1e-3 * peak:
        return str(InputError(name, "a constant value (direct current only)", "sound"))
    return None
