"""Decay curves by band: backward integration with the noise subtracted and the decay below it extrapolated.

M. R. Schroeder, "New method of measuring reverberation time", JASA 37 (1965) 409–412; ISO 3382-1:2009 clause 5.3.3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from commission.dsp.band_energy import Bands, Filter, Spectra, band_energy, reaches
from commission.dsp.late_decay import LateDecay, late_decay
from commission.model import FloatArray

GRID_S = 0.0005
"""Time step of decay curves: a decay of 0.05 s falls 10 dB in sixteen of them."""
ONSET_DB = -20.0
"""Start of a response: first sample within this of the largest (ISO 3382-1:2009 A.3.4, from memory)."""
_LEAD_WIDTHS = 4.3
"""The zero-phase filter rings for this many 1/B before the sound, down to −60 dB."""


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Remaining energy of k responses in some bands, on a grid of GRID_S from the start of each."""

    energy: FloatArray
    """[shape=(k, bands, g)]; NaN beyond the crosspoint, and everywhere if there is no decay."""
    before: FloatArray
    """Energy that the filter spread to before the start [shape=(k, bands)]."""
    late: LateDecay
    """Rows in the order (response, band)."""
    in_reach: NDArray[np.bool_]
    """Whether the sample rate holds the band [shape=(bands,)]."""

    @property
    def range_db(self) -> FloatArray:
        """Level below its start at which each decay meets the noise, or the response ends [dB, shape=(k, bands)]; NaN
        without.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = self.energy[..., 0] / self.late.rest.reshape(self.before.shape)
            return np.asarray(np.where(np.isfinite(ratio), 10 * np.log10(ratio), np.nan))

    def select(self, places: Sequence[int]) -> Curves:
        """Curves of the bands with these indices."""
        chosen = list(places)

        def rows(values: FloatArray | NDArray[np.intp]) -> Any:
            return values.reshape(self.before.shape)[:, chosen].reshape(-1)

        late = self.late
        kept = LateDecay(rows(late.cross), rows(late.slope_db_s), rows(late.noise_power), rows(late.rest))
        return Curves(self.energy[:, chosen], self.before[:, chosen], kept, self.in_reach[chosen])

    @property
    def ended(self) -> NDArray[np.bool_]:
        """Whether the response ends while it still decays [shape=(k, bands)]."""
        return np.asarray(self.late.noise_power == 0.0).reshape(self.before.shape)


def onsets_s(impulses: FloatArray, rate_hz: float) -> FloatArray:
    """First time at which each response [shape=(k, n)] comes within 20 dB of its largest sample [s, shape=(k,)]."""
    highest, lowest = impulses.max(axis=-1), impulses.min(axis=-1)
    limits = 10 ** (ONSET_DB / 20) * np.maximum(highest, -lowest)
    first = [int(np.argmax((h >= limit) | (h <= -limit))) for h, limit in zip(impulses, limits, strict=True)]
    return np.array(first, dtype=float) / rate_hz


def decay_curves(
    spectra: Spectra,
    bands: Bands,
    members: Sequence[int],
    kind: Filter,
    starts_s: FloatArray,
) -> Curves:
    """Decay curves of the bands `members` (indices in `bands`) of k responses."""
    duration_s = spectra.frames / spectra.rate_hz
    counts = np.maximum(8, ((duration_s - np.asarray(starts_s)) / GRID_S).astype(np.intp))
    count = int(counts.max())
    times_s = starts_s[:, None] + np.arange(count + 1) * GRID_S
    shape = (len(starts_s), len(members))
    sums, before = np.zeros((*shape, count + 1)), np.zeros(shape)
    in_reach = np.zeros(len(members), dtype=bool)
    leads_s = np.zeros(len(members))
    for place, b in enumerate(members):
        centre_hz, width_hz = float(bands.centres_hz[b]), float(bands.widths_hz[b])
        in_reach[place] = reaches(spectra, centre_hz, bands.fraction)
        if in_reach[place]:
            energy = band_energy(spectra, centre_hz, bands.fraction, kind)
            sums[:, place] = energy.until(times_s)
            leads_s[place] = _LEAD_WIDTHS / width_hz
            before[:, place] = sums[:, place, 0] - energy.until(times_s[:, :1] - leads_s[place])[:, 0]
    rows = sums.reshape(-1, count + 1)
    first_s = np.tile(
        0.01 + 0.8 / bands.centres_hz[list(members)], shape[0]
    )  # Lundeby: 10 to 50 ms, longer in the bass
    late = late_decay(rows, GRID_S, first_s, np.repeat(counts, len(members)))
    before = np.maximum(before - late.noise_power.reshape(shape) * leads_s, 0.0)
    return Curves(_still_to_come(rows, late).reshape(sums.shape), before, late, in_reach)


def _still_to_come(sums: FloatArray, late: LateDecay) -> FloatArray:
    places = np.arange(sums.shape[1])
    cross = late.cross[:, None]
    left = np.take_along_axis(sums, cross, axis=1) - sums
    left -= late.noise_power[:, None] * GRID_S * (cross - places)
    left += late.rest[:, None]
    left[(places > cross) | (cross == 0)] = np.nan
    return np.asarray(left)
