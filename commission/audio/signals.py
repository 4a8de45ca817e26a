"""Writes test signals as WAV files for a separate player."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from commission.dsp.sweep import sweep_signal
from commission.model import Channel, CommissionError, FloatArray, Job, Progress, Sweep
from commission.model.units import clean_text

NOISE_S = 30.0
NOISE_RMS_DBFS = -30.0
"""Noise level: home practice, 75 dB(C) at the seat (common practice, no source)."""
MAIN_BAND_HZ, SUB_BAND_HZ = (500.0, 2000.0), (30.0, 80.0)
FADE_S = 0.5
MOST_SAMPLES = 50_000_000
"""Limit over all channels of one file, 200 MB."""

README = """Test signals for {title}

BEFORE YOU PLAY ANYTHING: turn the master volume down, warn everybody in the room, then raise it slowly.
A sweep contains all frequencies, and a tweeter tolerates far less power than a woofer. Never stand close to a loudspeaker.

There is one folder for each kind of signal and one file for each channel. Every file has {count} channels in the order
below; only one of them carries the signal.

sweep/  exponential sweep {start:g} Hz to {stop:g} Hz, {seconds:.1f} s, peak {peak:.0f} dB re full scale,
        {pre:.1f} s of silence before and {tail:.1f} s after. Record each at every seat, then import the recordings with
        --stimulus {stimulus}.
noise/  pink noise, {rms:.0f} dB re full scale (rms of a sine of full scale is -3 dB): {low:g}-{high:g} Hz, subwoofers
        {sub_low:g}-{sub_high:g} Hz. For levels with a hand-held meter: C, slow.

Order of channels:
{order}
"""
PRE_S, TAIL_S = 0.5, 1.5


def write_signals(job: Job, folder: Path, progress: Progress) -> tuple[Path, ...]:
    """Write sweeps and noise for every channel; returns the files. Never overwrites: raises CommissionError."""
    system = job.system
    if not system.channels:
        raise CommissionError("The job has no channels yet, so there is nothing to write signals for.")
    sweep = system.sweep or Sweep(level_dbfs=-20.0)
    if len(system.channels) * (sweep.duration_s + PRE_S + TAIL_S) * sweep.rate_hz > MOST_SAMPLES:
        raise CommissionError(
            f"A sweep of {sweep.duration_s:.0f} s at {sweep.rate_hz} Hz for {len(system.channels)} channels is too large "
            "to play: enter a shorter sweep or a lower rate."
        )
    signal = sweep_signal(sweep)
    rate_hz = sweep.rate_hz
    silence = (np.zeros(round(PRE_S * rate_hz)), np.zeros(round(TAIL_S * rate_hz)))
    stimulus = folder / "stimulus.wav"
    targets = [
        (kind, c, folder / kind / f"{n:02d}_{_safe(c.id)}.wav")
        for kind in ("sweep", "noise")
        for n, c in enumerate(system.channels, start=1)
    ]
    existing = [path for path in (stimulus, *(t[2] for t in targets)) if os.path.lexists(path)]
    if existing:
        raise CommissionError(f"{existing[0]} exists already; choose an empty folder, nothing is overwritten.")
    try:
        for kind in ("sweep", "noise"):
            (folder / kind).mkdir(parents=True, exist_ok=True)
        _write(stimulus, np.concatenate((silence[0], signal, silence[1])), rate_hz)
        for index, (kind, channel, path) in enumerate(targets):
            progress(index / len(targets), path.name)
            mono = np.concatenate((silence[0], signal, silence[1])) if kind == "sweep" else noise(channel, rate_hz)
            samples = np.zeros((len(mono), len(system.channels)), np.float32)
            samples[:, system.channels.index(channel)] = mono
            _write(path, samples, rate_hz)
        (folder / "README.txt").write_text(_readme(job, sweep, signal), encoding="utf-8")
    except OSError as error:
        where = error.filename or folder
        raise CommissionError(f"{where}: cannot be written ({error.strerror}). Choose another folder.") from error
    progress(1.0, "")
    return (stimulus, *(path for *_, path in targets))


def _write(path: Path, samples: FloatArray, rate_hz: int) -> None:
    """Write a 24-bit WAV file; an incomplete file is removed."""
    import soundfile

    try:
        soundfile.write(path, samples, rate_hz, subtype="PCM_24")
    except soundfile.LibsndfileError as error:
        path.unlink(missing_ok=True)
        mend = "Check the free space and how large a file may be here (`ulimit -f`), or choose another folder"
        raise CommissionError(f"{path}: cannot be written ({error.error_string.rstrip('.')}). {mend}.") from error


def noise(channel: Channel, rate_hz: int, seconds: float = NOISE_S) -> FloatArray:
    """Pink noise in the channel's band at −30 dB re full scale rms, the same for every channel. [shape=(n,)]"""
    from scipy import fft

    frames = round(seconds * rate_hz)
    low_hz, high_hz = SUB_BAND_HZ if channel.is_sub else MAIN_BAND_HZ
    freq_hz = np.fft.rfftfreq(frames, 1 / rate_hz)
    rng = np.random.default_rng(20)
    inside = (freq_hz >= low_hz) & (freq_hz <= high_hz)
    spectrum = np.zeros(len(freq_hz), complex)
    spectrum[inside] = np.exp(2j * np.pi * rng.random(int(inside.sum()))) / np.sqrt(freq_hz[inside])
    samples = fft.irfft(spectrum, frames)
    samples *= 10 ** (NOISE_RMS_DBFS / 20) / np.sqrt(np.mean(samples**2))
    count = round(FADE_S * rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count)
    samples[:count] *= ramp
    samples[-count:] *= ramp[::-1]
    return np.asarray(samples)


def _safe(text: str) -> str:
    return "".join(char if char.isalnum() else "_" for char in text) or "channel"


def _readme(job: Job, sweep: Sweep, signal: FloatArray) -> str:
    channels = job.system.channels
    return README.format(
        title=clean_text(job.system.title),
        count=len(channels),
        start=sweep.start_hz,
        stop=sweep.stop_hz,
        seconds=len(signal) / sweep.rate_hz,
        peak=sweep.level_dbfs,
        pre=PRE_S,
        tail=TAIL_S,
        stimulus="stimulus.wav",
        rms=NOISE_RMS_DBFS,
        low=MAIN_BAND_HZ[0],
        high=MAIN_BAND_HZ[1],
        sub_low=SUB_BAND_HZ[0],
        sub_high=SUB_BAND_HZ[1],
        order="\n".join(f"{n:2d}  {clean_text(c.id)}  {clean_text(c.name)}" for n, c in enumerate(channels, start=1)),
    )
