"""Search results for each choice between evenness and output, also on the steps of the processor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from commission.dsp import bass_search as search_of
from commission.dsp.bass_sum import SubResponses, SubSettings
from commission.steps.bass.choices import PRICES
from commission.steps.bass.memory import once, search_numbers
from commission.steps.bass.search_space import SearchSpace


@dataclass(frozen=True, slots=True, eq=False)
class SearchResult:
    """Result of the slow part of the search, for one set of responses and one choice of the trade."""

    settings: SubSettings
    """Without a grid."""
    settled: tuple[SubSettings, ...]
    """Settings on the steps of the processor, the most robust first."""


def search_all(room: SubResponses, space: SearchSpace, temperature_c: float) -> dict[str, SearchResult]:
    """The search result for each choice of the trade."""

    def compute() -> dict[str, SearchResult]:
        found = search_of.tradeoff(room, space.bounds, tuple(PRICES.values()))
        return {
            name: SearchResult(each.settings, _on_grid(room, space, each.settings, price, temperature_c))
            for (name, price), each in zip(PRICES.items(), found, strict=True)
        }

    return once((*search_numbers(room, space), temperature_c), compute)


def _on_grid(
    room: SubResponses, space: SearchSpace, settings: SubSettings, price: float, temperature_c: float
) -> tuple[SubSettings, ...]:
    """Settings on the steps of the processor, the most robust first."""
    settled = [
        search_of.refine_on_grid(room, space.bounds, space.grid, settings[k], price)
        for k in range(len(settings.gain_db))
    ]
    mean_costs = [
        search_of.robustness(room, each, temperature_c).mean_db2
        - price * search_of.figures(room, each, price).output_db
        for each in settled
    ]
    return tuple(settled[k] for k in np.argsort(mean_costs, kind="stable"))
