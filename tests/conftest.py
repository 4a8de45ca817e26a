"""Makes the helpers beside this file importable from every test folder; the sample job, made once for a whole run."""

from __future__ import annotations

import gc
import json
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from _pytest.unraisableexception import gc_collect_iterations_key
from hypothesis import settings

if TYPE_CHECKING:
    from commission.cli.local_services import LocalServices
    from commission.ui.app import CommissionApp

HERE = str(Path(__file__).parent)
if HERE not in sys.path:
    sys.path.insert(0, HERE)

# Before numpy loads: with a process on every core, more threads wait for each other and triple the processor time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# A job is synchronised after every event; in memory no test waits for that. A run that keeps all its files takes 1.2 GB.
MEMORY = Path("/dev/shm")
if MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > 4e9:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))

# Modules compiled once are there for all workers, and for the programs that tests start.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# The same examples at every run: a failure is one of the change, not of chance. How long an example takes says more about the
# machine than about the program; the benchmarks measure time. `--hypothesis-profile=explore` draws others, and twice as many.
settings.register_profile("explore", deadline=None)
settings.register_profile("repeatable", deadline=None, derandomize=True, max_examples=50)
settings.load_profile("repeatable")


# Modules and tests are thousands of objects that are never garbage: Python looks through all of them less often.
gc.set_threshold(100_000, 20, 50)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """A process for every core and two more: tests of live sound and of other processes mostly wait."""
    from xdist.plugin import pytest_xdist_auto_num_workers as cores

    return 2 + cores(config)


def pytest_make_parametrize_id(val: object, argname: str) -> str | None:
    """A short name for large parameters: a file of 11 MB made a name of 45 MB, sent with every report."""
    return argname if isinstance(val, bytes | str) and len(val) > 100 else None


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """Before all tests are collected, each process imports a part: a module that was changed is compiled in one of them.

    What fails here fails again when it is collected, and is reported then.
    """
    config = session.config
    if worker := getattr(config, "workerinput", None):
        number, count = int(worker["workerid"].removeprefix("gw")), worker["workercount"]
        files = sorted({file for each in config.args for file in Path(each).rglob("test_*.py")})
        for file in files[number::count]:
            if str(file.parent) not in sys.path:
                sys.path.insert(0, str(file.parent))
            with suppress(Exception, pytest.skip.Exception):
                import_module(file.stem)


def pytest_collection_finish() -> None:
    gc.collect()
    gc.freeze()


def pytest_configure(config: pytest.Config) -> None:
    import idle_screens

    idle_screens.install()
    # pytest searches for lost errors five times at the end, for interpreters that need it; every search takes half a second.
    config.stash[gc_collect_iterations_key] = 1


@pytest.fixture(scope="session", autouse=True)
def comparisons_made_once() -> Iterator[None]:
    import kept_comparisons

    with pytest.MonkeyPatch.context() as patch:
        kept_comparisons.keep(patch)
        yield


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample job, analysed, as `commission demo` makes it: a file to copy, with its kept analyses in `state` beside it.

    What the command printed is in `demo.json`. One for all processes.
    """
    import fcntl

    import programs

    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "sample-job"
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # the first makes it, the others wait
        path = folder / "harbour-lane.commission"
        if not path.exists():
            made = folder / "made"
            made.mkdir()
            done = programs.run(made, "demo")
            (folder / "demo.json").write_text(
                json.dumps([done.returncode, done.stdout, done.stderr]), encoding="utf-8"
            )
            shutil.move(made / "state" / "commission", folder / "state")
            shutil.move(made / path.name, path)
    return path


@pytest.fixture
def sample_copy(sample: Path, tmp_path: Path) -> Path:
    """The sample job as a file of the test's own; services on `state` beside it know the analyses."""
    shutil.copytree(sample.parent / "state" / "analyses", tmp_path / "state" / "analyses")
    return Path(shutil.copy(sample, tmp_path / "harbour-lane.commission"))


@pytest.fixture
def soft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> LocalServices:
    """Services of an installer who has stored three readings in `soft.commission`, in the current folder."""
    from builders import cinema, levels

    from commission.cli.local_services import LocalServices

    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "soft", cinema(["FL", "FC", "FR"]))
    visit.append(*levels({"FL": 76.0, "FC": 75.0, "FR": 74.0}))
    visit.close()
    return services


@pytest.fixture
def soft_app(soft: LocalServices, tmp_path: Path) -> CommissionApp:
    """The program on that job."""
    from commission.ui.app import CommissionApp

    return CommissionApp(soft, tmp_path / "soft.commission", keys=tmp_path / "no-keys.toml")


@pytest.fixture
def app(sample_copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> CommissionApp:
    """The program on a copy of the sample, with a home of its own; keys may be set in `no-keys.toml`."""
    from solved_services import SolvedServices

    from commission.ui.app import CommissionApp

    monkeypatch.chdir(tmp_path)
    return CommissionApp(SolvedServices(tmp_path / "state"), sample_copy, keys=tmp_path / "no-keys.toml")
