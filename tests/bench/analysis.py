"""Reading, deconvolving and analysing recordings of 6 s sweeps against the bare real transforms, and against pyfar."""

from __future__ import annotations

import hashlib
import io
import time
import warnings

import numpy as np
import soundfile
from scipy import fft, signal

from commission.audio.decoding import decode
from commission.dsp.analysis import analyse_batch
from commission.dsp.sweep import sweep_signal
from commission.model import Response, ResponseStored, StoredResponse, Sweep

RATE, SEATS, REPEATS, BATCH = 48000, 6, 3, 16


def recordings(count: int, sweep: Sweep) -> dict[str, bytes]:
    """Raw recordings of invented rooms as 24-bit WAV, by digest; 6 s of sweep and 2 s of silence."""
    x, rng, out = sweep_signal(sweep), np.random.default_rng(1), {}
    for k in range(count):
        h = rng.standard_normal(12000) * np.exp(-np.arange(12000) / 1500) * 0.02
        h[200 + 7 * k] += 1
        heard = np.zeros(8 * RATE)
        part = signal.oaconvolve(x, h)[: 8 * RATE]
        heard[: len(part)] = 0.2 * part
        heard += 1e-5 * rng.standard_normal(len(heard))
        buffer = io.BytesIO()
        soundfile.write(buffer, heard, RATE, format="WAV", subtype="PCM_24")
        data = buffer.getvalue()
        out[hashlib.sha256(data).hexdigest()] = data
    return out


def run(channels: int) -> None:
    """Print seconds and ratios; minimum of three turns each, in turn."""
    sweep = Sweep(duration_s=6.0)
    blobs = recordings(channels * SEATS, sweep)
    stored = [
        StoredResponse(seq=n, at="", blob_sha256=sha, body=ResponseStored(
            round="r", channel="FL", seat="A1", kind="sweep", file_name="x.wav", file_sha256=sha, sweep=sweep))
        for n, sha in enumerate(blobs)
    ]  # fmt: skip
    raw = np.stack([soundfile.read(io.BytesIO(data), dtype="float32")[0] for data in blobs.values()])
    ours, bare = [], []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        for start in range(0, len(stored), BATCH):
            batch = [
                r for _, r in decode(stored[start : start + BATCH], blobs.__getitem__) if isinstance(r, Response)
            ]
            analyse_batch(batch, [False] * len(batch))
        ours.append(time.perf_counter() - begun)
        begun = time.perf_counter()
        for start in range(0, len(raw), BATCH):
            spectra = fft.rfft(raw[start : start + BATCH], axis=-1, workers=-1)
            fft.irfft(spectra, axis=-1, workers=-1, overwrite_x=True)
        bare.append(time.perf_counter() - begun)
    print(f"  {len(stored)} recordings of 8 s, 24-bit WAV, {RATE} Hz")
    print(f"  read + deconvolve + analyse   {min(ours):.3f} s")
    print(f"  bare real transforms          {min(bare):.3f} s   ratio {min(ours) / min(bare):.2f} (goal: under 2.0)")
    _pyfar(raw, sweep, min(ours) / len(stored))


def _pyfar(raw: np.ndarray, sweep: Sweep, ours_each: float) -> None:
    try:
        import pyfar
    except ImportError:
        print("  pyfar is not installed: not compared")
        return
    few = raw[:6].astype(float)
    x = np.zeros(raw.shape[1])
    x[: len(sweep_signal(sweep))] = sweep_signal(sweep)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        begun = time.perf_counter()
        pyfar.dsp.deconvolve(pyfar.Signal(few, RATE), pyfar.Signal(x, RATE), frequency_range=(20, 20000))
        each = (time.perf_counter() - begun) / len(few)
    print(f"  pyfar's deconvolution alone   {1000 * each:.1f} ms each (6 of them), ours with all else {1000 * ours_each:.1f} ms:"
          f" ratio {ours_each / each:.2f} (goal: under 1)")  # fmt: skip
