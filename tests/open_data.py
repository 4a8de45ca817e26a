"""Published open measurements, in a folder beside the checkout, since they do not come with the project.

The woofer and tweeter of the ITA toolbox tutorial (BSD 4-clause), a living room (OpenAIR, public domain), and room A of the
IoSR at the University of Surrey: one loudspeaker at 37 angles around a dummy head.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

OPEN_DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
NO_DATA = "the open measurements are not beside this checkout"
MEASURED_ROOM = OPEN_DATA / "UniS_Room_A_BRIR_16k.sofa"
MEASURED_DRIVERS = OPEN_DATA / "loudspeaker_response_raw.ita"
LIVING_ROOM = OPEN_DATA / "living_room_1.wav"


def measured_room() -> tuple[np.ndarray, float, np.ndarray]:
    """Impulse responses [shape=(37, 2, n)] at two ears, their rate, and the angles of the loudspeaker [degrees]."""
    import h5py

    with h5py.File(MEASURED_ROOM) as file:
        impulses, rate_hz = np.asarray(file["Data.IR"], dtype=float), float(np.ravel(file["Data.SamplingRate"])[0])
        return impulses, rate_hz, np.asarray(file["SourcePosition"])[:, 0]


def measured_drivers() -> tuple[np.ndarray, float]:
    """Impulse responses of a woofer and a tweeter [shape=(2, n)], and their rate."""
    from scipy.io import loadmat

    data = loadmat(MEASURED_DRIVERS, struct_as_record=False, squeeze_me=True)["ITA_TOOLBOX_AUDIO_OBJECT"]
    return np.asarray(data.data, dtype=float).T, float(data.samplingRate)
