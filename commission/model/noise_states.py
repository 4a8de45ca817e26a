"""States of a room while its noise is recorded, by what is switched on, in any spelling.

Technicians may use other names; the program then knows nothing about the state.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

OFF = "everything off"
VENTILATION_LOW, VENTILATION_HIGH, VENTILATION = "ventilation low", "ventilation high", "ventilation on"
ELECTRONICS, PROJECTOR, NEIGHBOURS = "electronics on", "projector on", "neighbours"
CALIBRATOR = "calibrator"
"""A recording of the calibrator, which determines the level of full scale."""
UNNAMED = "state not named"
ORDER = (OFF, VENTILATION_LOW, VENTILATION, VENTILATION_HIGH, ELECTRONICS, PROJECTOR, NEIGHBOURS)
"""The order of measurement."""
STATES = tuple(state for state in ORDER if state != VENTILATION)
"""States offered on the screens."""
USUAL_CALIBRATOR_DB = 94.0
RECORDING_S = 30.0
"""Duration of a recording of each state; detecting hum takes 20 seconds or more."""

_SPELLINGS = {
    OFF: ("everything off", "all off", "off", "silence"),
    VENTILATION_LOW: ("ventilation low", "vent low", "hvac low"),
    VENTILATION_HIGH: ("ventilation high", "vent high", "hvac high"),
    VENTILATION: ("ventilation on", "ventilation", "vent on", "hvac", "hvac on"),
    ELECTRONICS: ("electronics on", "electronics", "equipment on"),
    PROJECTOR: ("projector on", "projector"),
    NEIGHBOURS: ("neighbours", "neighbors"),
}
_BY_SPELLING = {key: state for state, keys in _SPELLINGS.items() for key in keys}


def spelled(state: str) -> str:
    """A state in lower case with single spaces: "Ventilation_Low" and "ventilation low" are the same."""
    return " ".join(re.split(r"[\W_]+", state.casefold())).strip()


def known_state(state: str) -> str | None:
    """The known state with that name in any spelling; None for a technician's own state."""
    words = spelled(state)
    if words.split(" ")[0] == CALIBRATOR:
        return CALIBRATOR
    return _BY_SPELLING.get(words)


def calibrator_db(state: str) -> float:
    """Level of a calibrator by the name of its state, "calibrator 114 dB"; 94 dB if the name gives none."""
    found = re.search(r"\d+(?:[.,]\d+)?", state)
    return float(found[0].replace(",", ".")) if found else USUAL_CALIBRATOR_DB


def calibrator_state(words: Sequence[str]) -> str:
    """The state of a calibrator recording, as in "calibrator 94 dB", from the words of its file name."""
    level = next((word.removesuffix("db") for word in words if word.removesuffix("db").isdecimal()), None)
    return f"{CALIBRATOR} {level or f'{USUAL_CALIBRATOR_DB:.0f}'} dB"
