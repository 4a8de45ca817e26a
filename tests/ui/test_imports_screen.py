"""The import screen shows where each file would go and why, and stores corrected rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from builders import cinema
from scipy import signal
from stand_ins import screen_text, settle

from commission.cli.local_services import LocalServices
from commission.model import ResponseStored
from commission.ui.app import CommissionApp

RATE = 48000


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Stereo recordings with a loopback on the right, the stimulus beside them, and a mapping that names a new round."""
    time_s = np.arange(2 * RATE) / RATE
    played = 0.4 * signal.chirp(time_s, 20, 2, 20000, method="logarithmic", phi=-90)
    takes = tmp_path / "takes"
    takes.mkdir()
    soundfile.write(takes / "played.wav", played, RATE, subtype="PCM_24")
    for n, name in enumerate(("A2 Front left", "x")):
        late = np.concatenate((np.zeros(4800 * (n + 1)), played, np.zeros(RATE)))
        h = np.zeros(4800)
        h[480 + 48 * n], h[900] = 0.5, 0.1
        heard = signal.oaconvolve(late, h)[: len(late)]
        soundfile.write(takes / f"{name}.wav", np.stack((heard, late), axis=1), RATE, subtype="PCM_24")
    (takes / "map.csv").write_text("file,round,channel,seat,kind\nx.wav,Tuesday,front right,a2,\n")
    LocalServices(tmp_path / "state").create(tmp_path / "job", cinema(["FL", "FR"], ["A2"])).close()
    return tmp_path


async def test_files_are_shown_corrected_and_stored(folder: Path) -> None:
    app = CommissionApp(LocalServices(folder / "state"), folder / "job.commission", keys=folder / "no-keys.toml")
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("i")
        await settle(pilot)
        app.screen.query_one("#path").value = str(folder / "takes")  # type: ignore[attr-defined]
        await pilot.press("enter")
        await settle(pilot)
        text = " ".join(screen_text(app).split())
        assert "A2 Front left.wav FL A2" in text
        assert "– played" in text
        assert "the clean sweep: name it as the loopback" in text
        assert "the round “Tuesday”, which the job does not" in text
        await pilot.press("b")
        await settle(pilot)
        await pilot.press("down", "down", "enter")
        await settle(pilot)
        assert "deconvolved with its loopback" in " ".join(screen_text(app).split())
        await pilot.press("end", "o")
        await settle(pilot)
        assert "Tuesday: begin this round" in screen_text(app)
        await pilot.press("end", "enter")
        await settle(pilot)
        assert "2 in order, 1 played" in screen_text(app)
        await pilot.press("w")
        await settle(pilot)
        assert app.visit is not None
        stored = [event.body for event in app.visit.job.log if isinstance(event.body, ResponseStored)]
        assert {(body.round, body.channel, body.clock, body.loopback_channel) for body in stored} == {
            ("as-found", "FL", "loopback", 1),
            ("Tuesday", "FR", "loopback", 1),
        }
