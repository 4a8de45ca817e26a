"""Reading, deconvolving and analysing recordings of 6 s sweeps against the bare real transforms, and against pyfar."""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import soundfile
from clock import in_turn
from scipy import fft, signal

from commission.audio.decoding import SWEEPS_AT_ONCE, THREADS, decode
from commission.audio.files import problem_of, read_sound
from commission.dsp.analysis import analyse_batch
from commission.dsp.noise import is_clipped
from commission.dsp.sweep import sweep_deconvolver, sweep_signal
from commission.model import Response, ResponseStored, StoredResponse, Sweep
from commission.visit import BATCH, decoded_ahead

RATE, SEATS = 48000, 6
SWEEP = Sweep(duration_s=6.0)


def recordings(count: int) -> dict[str, bytes]:
    """Raw recordings of invented rooms as 24-bit WAV, by digest; 6 s of sweep and 2 s of silence."""
    x, rng, out = sweep_signal(SWEEP), np.random.default_rng(1), {}
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


def _bare(rows: np.ndarray, workers: int) -> None:
    fft.irfft(fft.rfft(rows, axis=-1, workers=workers), axis=-1, workers=workers, overwrite_x=True)


def _read(data: bytes) -> None:
    samples, info = read_sound(data, "x.wav")
    problem_of(samples[0], info, "x.wav")
    is_clipped(samples[0])


def run(channels: int) -> None:
    """Print seconds and ratios; the least of several turns each, in turn."""
    blobs = recordings(channels * SEATS)
    stored = [
        StoredResponse(
            seq=n,
            at="",
            blob_sha256=sha,
            body=ResponseStored(
                round="r", channel="FL", seat="A1", kind="sweep", file_name="x.wav", file_sha256=sha, sweep=SWEEP
            ),
        )
        for n, sha in enumerate(blobs)
    ]
    raw = np.stack([read_sound(data, "x.wav")[0][0] for data in blobs.values()])
    decoded = [r for _, r in decode(stored, blobs.__getitem__) if isinstance(r, Response)]
    inverse = sweep_deconvolver(SWEEP, raw.shape[-1])
    pool = ThreadPoolExecutor(THREADS)

    def starts(step: int) -> Iterable[int]:
        return range(0, len(stored), step)

    def analysed(responses: list[Response]) -> None:
        analyse_batch(responses, [False] * len(responses))

    def each_batch(work: Callable[[int], object]) -> Callable[[], None]:
        def run_all() -> None:
            for n in starts(BATCH):
                work(n)

        return run_all

    def on_threads(work: Callable[[np.ndarray], object]) -> None:
        def one(n: int) -> None:  # lets go of what comes out: keeping it would cost fresh memory each time
            work(raw[n : n + SWEEPS_AT_ONCE])

        list(pool.map(one, starts(SWEEPS_AT_ONCE)))

    def ours() -> None:
        for some in decoded_ahead(stored, lambda batch: decode(batch, blobs.__getitem__)):
            analysed([r for _, r in some if isinstance(r, Response)])

    took = in_turn(
        {
            "all": ours,
            "reading": lambda: list(pool.map(_read, blobs.values())),
            "deconvolution": lambda: on_threads(inverse),
            "analysis": each_batch(lambda n: analysed(decoded[n : n + BATCH])),
            "bare, all cores for each batch": each_batch(lambda n: _bare(raw[n : n + BATCH], -1)),
            "bare, each core its own batch": lambda: on_threads(lambda rows: _bare(rows, 1)),
        }
    )
    print(f"  {len(stored)} recordings of 8 s, 24-bit WAV, {RATE} Hz; seconds on the wall (of the processor)")
    for name, each in took.items():
        print(f"  {name:32} {each.wall_s:.3f} ({each.cpu_s:.3f})")
    bare = [each for name, each in took.items() if name.startswith("bare")]
    wall_s, cpu_s = min(each.wall_s for each in bare), min(each.cpu_s for each in bare)
    parts = {"reading and deconvolution": ("reading", "deconvolution"), "all": ("all",)}
    for what, names in parts.items():
        wall, cpu = (sum(getattr(took[name], of) for name in names) for of in ("wall_s", "cpu_s"))
        # Two transforms are what those two need; decay, bands and reflections need others, whose time `responses` limits.
        goal = "" if what == "all" else " (goal: under 2.0)"
        print(f"  {what} against the faster bare one {wall / wall_s:.2f}{goal}, of the processor {cpu / cpu_s:.2f}")
    _pyfar(raw, took["all"].wall_s / len(stored))


def _pyfar(raw: np.ndarray, ours_each_s: float) -> None:
    try:
        import pyfar
    except ImportError:
        print("  pyfar is not installed: not compared")
        return
    few, x = raw[:6].astype(float), np.zeros(raw.shape[1])
    x[: len(sweep_signal(SWEEP))] = sweep_signal(SWEEP)
    recorded, played = pyfar.Signal(few, RATE), pyfar.Signal(x, RATE)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        took = in_turn({"": lambda: pyfar.dsp.deconvolve(recorded, played, frequency_range=(20, 20000))}, 3)
    each_s = took[""].wall_s / len(few)
    print(
        f"  pyfar's deconvolution alone {1000 * each_s:.1f} ms each, ours with all else {1000 * ours_each_s:.1f} ms:"
        f" ratio {ours_each_s / each_s:.2f} (goal: under 1)"
    )
