"""Subwoofers of known delay in simulated rooms, from which the delay of a low-pass was fitted: `python sub_onset.py`.

Image sources in rectangular rooms on a grid of time eight times finer than the samples (Allen and Berkley 1979, from
memory), sealed and vented boxes, drivers that end at 180 to 900 Hz, Butterworth and Linkwitz-Riley low-passes by
scipy.signal. Nothing is shared with the program. The script prints, for each low-pass, the bias and scatter of the
program's arrival and its stated uncertainty, and the coefficients of `timing.LOW_PASS_DELAY` fitted again.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

RATE_HZ, FRAMES = 48000, 48000
FREQ_HZ = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
SPEED_M_S, OVERSAMPLING, REACH_S, LEAD_S = 343.2, 8, 0.35, 0.02
OWN_HZ = 150.0


def butterworth(order: int, corner_hz: float, kind: str) -> np.ndarray:
    """Analogue filter at FREQ_HZ."""
    b, a = signal.butter(order, 2 * np.pi * corner_hz, kind, analog=True)
    return np.asarray(signal.freqs(b, a, 2 * np.pi * FREQ_HZ)[1])


def low_pass(kind: str, order: int, corner_hz: float) -> np.ndarray:
    """Low-pass of kind "butterworth", "linkwitz-riley" (two Butterworth of half the order), "own end", or "none".

    "own end": a Linkwitz-Riley before a subwoofer that ends by itself at OWN_HZ with the fourth order.
    """
    if kind == "none":
        return np.ones(len(FREQ_HZ))
    if kind == "own end":
        return low_pass("linkwitz-riley", order, corner_hz) * butterworth(4, OWN_HZ, "low")
    return (
        butterworth(order, corner_hz, "low")
        if kind == "butterworth"
        else butterworth(order // 2, corner_hz, "low") ** 2
    )


def box(rng: np.random.Generator) -> np.ndarray:
    """A sealed box of Q 0.5 to 1, or a vented one with or without a subsonic filter; its driver ends somewhere."""
    low_hz, high_hz = rng.uniform(18, 38), np.exp(rng.uniform(np.log(180), np.log(900)))
    if rng.random() < 0.5:
        s, w, q = 2j * np.pi * FREQ_HZ, 2 * np.pi * low_hz, rng.uniform(0.5, 1.0)
        response = s**2 / (s**2 + s * w / q + w * w)
    else:
        response = butterworth(4, low_hz, "high") * (
            butterworth(2, 0.8 * low_hz, "high") if rng.random() < 0.4 else 1
        )
    return np.asarray(response * butterworth(int(rng.choice([1, 2])), float(high_hz), "low"))


def room_response(rng: np.random.Generator) -> tuple[np.ndarray, float]:
    """(spectrum at FREQ_HZ, flight [s]) of one place of a subwoofer and a seat in one room."""
    size = np.array([rng.uniform(4, 8.5), rng.uniform(3.2, 6), rng.uniform(2.3, 3.2)])
    walls = rng.uniform(0.80, 0.97, (3, 2))
    while True:
        sub = np.array([rng.uniform(0.2, s - 0.2) for s in size[:2]] + [rng.uniform(0.15, 0.45)])
        sub[rng.integers(2)] = rng.choice([0.3, 0.5])
        ears = size * [rng.uniform(0.25, 0.85), rng.uniform(0.15, 0.85), 0.0] + [0, 0, rng.uniform(1.0, 1.5)]
        if np.linalg.norm(ears - sub) > 1.0:
            break
    offsets, gains = [], []
    for axis in range(3):
        n = int(np.ceil(REACH_S * SPEED_M_S / (2 * size[axis]))) + 1
        k = np.arange(-n, n + 1)
        offsets.append(np.concatenate((2 * k * size[axis] + sub[axis], 2 * k * size[axis] - sub[axis])) - ears[axis])
        near, far = walls[axis]
        direct, mirrored = (near * far) ** np.abs(k), near ** np.abs(k - 1) * far ** np.abs(k)
        gains.append(np.concatenate((direct, mirrored)))
    x, y, z = np.ix_(*offsets)
    distance = np.sqrt(x**2 + y**2 + z**2).ravel()
    along_x, along_y, along_z = np.ix_(*gains)
    gain = (along_x * along_y * along_z).ravel()
    heard = distance < REACH_S * SPEED_M_S
    index = np.round(distance[heard] / SPEED_M_S * RATE_HZ * OVERSAMPLING).astype(int)
    fine = np.bincount(index, weights=gain[heard] / distance[heard], minlength=FRAMES * OVERSAMPLING)
    return np.fft.rfft(fine)[: len(FREQ_HZ)], float(distance.min()) / SPEED_M_S


def subwoofer(
    seed: int, kind: str = "none", order: int = 4, corner_hz: float = 80.0, noise_db: float = -55.0
) -> tuple[np.ndarray, float]:
    """(impulse response with noise [shape=(FRAMES,)], true arrival [s]) of one subwoofer in one room."""
    rng = np.random.default_rng(seed)
    spectrum, flight_s = room_response(rng)
    chain = butterworth(1, 10, "high") * butterworth(1, 10000, "low") * np.clip((22000 - FREQ_HZ) / 2000, 0, 1)
    spectrum = spectrum * box(rng) * low_pass(kind, order, corner_hz) * chain
    h = np.fft.irfft(spectrum * np.exp(-2j * np.pi * FREQ_HZ * LEAD_S), FRAMES)
    h += rng.normal(0, np.abs(h).max() * 10 ** (noise_db / 20), FRAMES)
    return h.astype(np.float32), flight_s + LEAD_S


FILTERS = [("none", 0, 80.0)] + [
    (kind, order, corner)
    for kind, orders in (("butterworth", (1, 2, 3, 4)), ("linkwitz-riley", (2, 4, 8)), ("own end", (2, 4)))
    for order in orders
    for corner in (60.0, 80.0, 100.0, 120.0)
]


def main(rooms: int = 25) -> None:
    """Print bias, scatter and stated uncertainty of each low-pass, and the coefficients fitted again."""
    from commission.dsp import timing

    orders, products = [], []
    for kind, order, corner_hz in FILTERS:
        errors, stated = [], []
        for seed in range(rooms):
            h, truth_s = subwoofer(1000 + seed, kind, order, corner_hz)
            found = timing.sub_arrival(h, RATE_HZ)
            onset = int(np.argmax(np.abs(h) >= 0.1 * np.abs(h).max()))
            slopes = timing.low_passes_of(h, RATE_HZ, onset)
            if found.time_s is None or slopes is None:
                continue
            slope = max(slopes, key=lambda each: each.delay_s)
            errors.append(1000 * (found.time_s - truth_s))
            stated.append(1000 * found.u_s)
            if order > 1:
                orders.append(np.log(slope.order))
                products.append(np.log(max(onset / RATE_HZ - truth_s, 1e-5) * slope.corner_hz))
        print(
            f"{kind:15s} {order} {corner_hz:4.0f} Hz: bias {np.mean(errors):+.2f}, sd {np.std(errors):.2f}, "
            f"{np.min(errors):+.2f} to {np.max(errors):+.2f} ms; stated u {np.mean(stated):.2f} ms, n = {len(errors)}"
        )
    print("coefficients:", np.round(np.polynomial.polynomial.polyfit(orders, products, 2), 3))


if __name__ == "__main__":
    main()
