"""Bass in a box with nearly rigid walls as a sum of modes, and how well it explains measured responses.

H(ω) = ω²·Σ ε·ψ(source)·ψ(ear) / (ω_n² − ω² + 2jδω), δ = 6.9/T, ψ = Π cos(nπx/L), ε = 2 for each n > 0 (Kuttruff, Room
Acoustics, equation (3.10), from memory). A subwoofer and its filters contribute one complex factor for each frequency,
the same at every seat: the one that fits the seats best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from commission.model import ComplexArray, FloatArray

TRIED_DECAYS_S = tuple(0.15 * 1.15**k for k in range(15))
"""0.15 to 1.06 s."""
TRIED_CLOCKS_S = np.arange(-0.08, 0.08, 0.25e-3)
HIGHEST = 1.6
"""Modes up to this times the highest frequency are summed."""


def box_responses(
    size_m: FloatArray,
    sources_m: FloatArray,
    ears_m: FloatArray,
    freq_hz: FloatArray,
    decay_s: float,
    speed_m_s: float,
) -> ComplexArray:
    """Responses up to a factor [shape=(sources, ears, n)]; positions from a corner of the box, along its sides."""
    highest = HIGHEST * float(freq_hz.max())
    counts = [int(np.ceil(2 * highest * side / speed_m_s)) for side in size_m]
    order = np.stack(np.meshgrid(*(np.arange(c + 1) for c in counts), indexing="ij"), -1).reshape(-1, 3)
    natural = speed_m_s / 2 * np.sqrt(((order / size_m) ** 2).sum(axis=1))
    order, natural = order[natural < highest], natural[natural < highest]
    omega = 2 * np.pi * freq_hz
    weight = np.prod(np.where(order > 0, 2.0, 1.0), axis=1)
    gain = weight[:, None] / ((2 * np.pi * natural)[:, None] ** 2 - omega**2 + 2j * 6.9 / decay_s * omega)
    shapes = [np.prod(np.cos(np.pi * order * p[:, None] / size_m), axis=-1) for p in (sources_m, ears_m)]
    together = shapes[0][:, None, :] * shapes[1][None]
    return np.asarray(together @ gain * omega**2)


@dataclass(frozen=True, slots=True, eq=False)
class BoxFit:
    """A box fitted to measured responses."""

    decay_s: float
    own: ComplexArray
    """Complex factor of each subwoofer [shape=(subs, n)]."""
    explained: FloatArray
    """Share of the power over seats that the box explains, for each subwoofer [shape=(subs,)]."""


def fit_box(
    values: ComplexArray,
    size_m: FloatArray,
    sources_m: FloatArray,
    ears_m: FloatArray,
    freq_hz: FloatArray,
    speed_m_s: float,
    *,
    one_clock: bool = True,
) -> BoxFit:
    """The box with the decay that explains responses best [values of shape (subs, seats, n)].

    Without `one_clock`, each seat has a separate time origin, which is also fitted.
    """
    best: BoxFit | None = None
    for decay_s in TRIED_DECAYS_S:
        model = box_responses(size_m, sources_m, ears_m, freq_hz, decay_s, speed_m_s)
        heard = values if one_clock else _on_one_clock(values, model, freq_hz)
        cross = np.einsum("isf,isf->if", np.conj(model), heard)
        power = np.einsum("isf,isf->if", np.abs(model), np.abs(model))
        total = np.einsum("isf,isf->if", np.abs(heard), np.abs(heard))
        coherent = np.abs(cross) ** 2 / np.maximum(power * total, 1e-300)
        explained = coherent.mean(axis=1)  # every frequency counts alike, as in the variance over seats
        if best is None or explained.mean() > best.explained.mean():
            best = BoxFit(decay_s, cross / np.maximum(power, 1e-300), explained)
    assert best is not None
    return best


def _on_one_clock(values: ComplexArray, model: ComplexArray, freq_hz: FloatArray) -> ComplexArray:
    """Responses of each seat shifted in time to fit those of the first one."""
    turn = np.exp(2j * np.pi * TRIED_CLOCKS_S[:, None] * freq_hz)
    out = np.array(values)
    for s in range(1, values.shape[1]):
        pair = np.conj(model[:, s]) * model[:, 0] * values[:, s] * np.conj(values[:, 0])
        k = int(np.argmax((turn @ pair.sum(axis=0)).real))
        out[:, s] = values[:, s] * turn[k]
    return out
