"""Makes the tables in this folder and in ../weighting with PyOctaveBand 2.0.0: `pip install PyOctaveBand==2.0.0`, then run
this.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyoctaveband
from pyoctaveband.compliance import class_limits

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))
from references.sounds import RATE_HZ, ventilation  # noqa: E402

BY = f"PyOctaveBand {pyoctaveband.__version__} (MIT), by bands/make_by_pyoctaveband.py"


def write(name: str, source: str, head: list[str], lines: Sequence[Sequence[object]]) -> None:
    with (HERE.parent / name).open("w", encoding="utf-8") as file:
        file.write(f"# source: {source}\n")
        table = csv.writer(file, lineterminator="\n")
        table.writerow(head)
        table.writerows(lines)


def main() -> None:
    omega = np.unique(np.concatenate((10 ** np.linspace(-0.75, 0.75, 61), 10 ** np.linspace(-0.06, 0.06, 49))))
    lines = []
    for fraction in (1, 3):
        least, largest = class_limits(fraction, 1, omega)
        lines += [
            [fraction, f"{o:.6f}", f"{a:.4f}", f"{b:.4f}"] for o, a, b in zip(omega, least, largest, strict=True)
        ]
    write(
        "bands/independent_class1_limits.csv",
        f"IEC 61260-1:2014 Table 1, formulas (9) to (11), in {BY}; attenuation in dB",
        ["fraction", "f_over_fm", "least_db", "largest_db"],
        lines,
    )

    sound, lines = ventilation(), []
    for fraction, limits in ((1, [30, 17000]), (3, [24, 17000])):
        levels, centres = pyoctaveband.octavefilter(sound, RATE_HZ, fraction, 6, limits)
        lines += [[fraction, f"{f:.3f}", f"{level:.3f}"] for f, level in zip(centres, levels, strict=True)]
    write(
        "bands/independent_levels.csv",
        f"levels re 20 µPa of sounds.ventilation(), Butterworth of sixth order, {BY}",
        ["fraction", "centre_hz", "level_db"],
        lines,
    )

    lines = []
    for kind in "ACZ":
        heard = pyoctaveband.weighting_filter(sound, RATE_HZ, kind)
        lines.append([f"L{kind}eq", f"{10 * np.log10(np.mean(heard**2) / 4e-10):.3f}"])
        for mode, letter in (("fast", "F"), ("slow", "S")):
            level = 10 * np.log10(pyoctaveband.time_weighting(heard, RATE_HZ, mode)[5 * RATE_HZ :] / 4e-10)
            lines += [[f"L{kind}{letter}max", f"{level.max():.3f}"], [f"L{kind}{letter}min", f"{level.min():.3f}"]]
    write(
        "weighting/independent_levels.csv",
        f"levels re 20 µPa of sounds.ventilation(), extremes after 5 s, {BY}",
        ["quantity", "level_db"],
        lines,
    )


if __name__ == "__main__":
    main()
