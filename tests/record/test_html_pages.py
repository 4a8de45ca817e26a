"""HTML records in a real browser with an accessibility engine (axe-core), and under the Nu HTML Checker (W3C).

Both come from npm and need Chromium, Node and Java, so these tests run where they are installed (as in CI):
copy pages/package.json into a folder, `npm install` there, and name the folder in COMMISSION_TEST_PAGES.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import threading
from pathlib import Path

import pytest
from jobs import CREATED_AT
from record_samples import hostile, ordinary, png
from solved_services import SolvedServices
from test_content import ODD

from commission.model.progress import unwatched
from commission.record.document import Letterhead
from commission.record.export import record_document, render
from commission.record.html.render import render_html
from commission.visit import Visit

CHECK = Path(__file__).parent / "pages" / "check.mjs"
MODULES = os.environ.get("COMMISSION_TEST_PAGES", "")
pytestmark = pytest.mark.skipif(
    not MODULES, reason="COMMISSION_TEST_PAGES names no folder with axe-core, puppeteer-core and vnu-jar from npm"
)
KNOWN = ("Content Security Policy", "Normalization Form C")
"""Warnings, not errors, of the checker that are wrong: a block of data is no script (HTML, 4.12.1), `img-src data:` lets
pictures inside the page through (the browser shows them, looked at here); and letters of an attachment stay as they are."""


def page_of(visit: Visit, letterhead: Letterhead | None = None) -> bytes:
    document = record_document(visit, paper="a4", letterhead=letterhead, created_at=CREATED_AT)
    return render(document, ".html")


def illustrated(sample: Path, folder: Path) -> bytes:
    """The sample with letterhead and photographs."""
    from PIL import Image

    services = SolvedServices(sample.parent / "state")
    visit = services.open(Path(shutil.copy(sample, folder)))
    for mode, ending in (("RGB", "jpg"), ("P", "png")):
        Image.linear_gradient("L").convert(mode).save(folder / f"{mode}.{ending}")
        services.attach_photo(
            visit, folder / f"{mode}.{ending}", step="wiring", round_id=None, caption=f"Gestell {mode}"
        )
    visit.analyse(threading.Event(), unwatched)
    logo = png()
    head = Letterhead(name="Federkiel & Töchter", lines=("Seestraße 1",), logo=logo, logo_media_type="image/png")
    made = page_of(visit, head)
    visit.close()
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def pages(sample: Path, folder: Path) -> list[Path]:
    """Records that are in order; the first one has every kind of block."""
    made = {"ordinary": render_html(ordinary()), "hostile": render_html(hostile())}
    made |= {name.replace(" ", "-"): page_of(ODD[name]()) for name in ("2.1 with one seat", "hostile names")}
    made["sample"] = illustrated(sample, folder)
    for name, raw in made.items():
        (folder / f"{name}.html").write_bytes(raw)
    return [folder / f"{name}.html" for name in made]


def program(*names: str) -> str:
    """The path of a program; a folder of modules without the programs is a set-up error, never a reason to skip."""
    found = next(filter(None, map(shutil.which, names)), None)
    assert found is not None, f"COMMISSION_TEST_PAGES is set, but there is none of {', '.join(names)}"
    return found


def in_browser(*files: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "NODE_MODULES_AT": str(Path(MODULES).resolve()) + os.sep}
    command = [
        program("node"),
        str(CHECK),
        program("chromium", "google-chrome", "chromium-browser"),
        *files,
    ]
    return subprocess.run(command, capture_output=True, text=True, timeout=600, env=environment, check=False)


def checked(files: list[Path]) -> list[str]:
    """The messages of the HTML checker, without its known false ones."""
    jar = Path(MODULES) / "node_modules" / "vnu-jar" / "build" / "dist" / "vnu.jar"
    command = [program("java"), "-jar", str(jar), "--format", "json", "--also-check-svg", *map(str, files)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600, check=False)
    printed = json.loads(done.stderr)["messages"]
    return [
        f"{Path(m.get('url', '')).name}:{m.get('lastLine')}: {m['message']}"
        for m in printed
        if not (m["type"] == "info" and any(known in m["message"] for known in KNOWN))
    ]


IN_BROWSER = {
    "image-alt": ('alt="A rack"', ""),
    "color-contrast": ("--soft:#54585f", "--soft:#c4c8cf"),
    "html-has-lang": ('<html lang="en"', "<html"),
    "px wide": ("<main", '<main style="width:90rem"'),
    "pictures are not shown": ("img-src data:", "img-src 'none'"),
    "fetches http": ('<img src="data:image/png', '<img src="http://127.0.0.1:9/x.png?'),
}
"""What is reported → what is replaced in a page, and by what."""
IN_HTML = {
    "Duplicate ID": ('id="grid-13"', 'id="record"'),
    "Stray end tag": ("</figcaption>", "</figcaption></span>"),
    "“scope”": ('scope="col"', 'scope="up"'),
    "“h1”": ("<dd>", "<dd><h1>x</h1>"),
    "“main”": ("<li>", "<li><main>x</main>"),
    "CSS": ("margin:0 auto", "margin:0 outo"),
}


def broken(folder: Path, name: str, changes: dict[str, tuple[str, str]]) -> dict[str, Path]:
    text = render_html(ordinary()).decode()
    files = {}
    for number, (reported, (old, new)) in enumerate(changes.items()):
        assert text.replace(old, new) != text
        files[reported] = folder / f"broken-{name}-{number}.html"
        files[reported].write_text(text.replace(old, new), encoding="utf-8")
    return files


def only_the_broken(lines: list[str], files: dict[str, Path]) -> None:
    """Only broken pages are reported, each with its own fault."""
    others = [line for line in lines if ".html" in line and "broken-" not in line]
    assert others == []
    missed = [
        reported for reported, path in files.items() if not any(path.name in x and reported in x for x in lines)
    ]
    assert missed == [], lines


def test_a_browser_reports_the_broken_pages_alone(pages: list[Path], folder: Path) -> None:
    """The page with every kind of block is checked in both widths and colour schemes, the others as on a phone in light
    mode.
    """
    files = broken(folder, "browser", IN_BROWSER)
    done = in_browser(str(pages[0]), "--once", *map(str, (*pages[1:], *files.values())))
    assert (done.returncode, done.stderr) == (1, ""), done.stderr
    only_the_broken(done.stdout.splitlines(), files)


def test_the_checker_reports_the_broken_pages_alone(pages: list[Path], folder: Path) -> None:
    files = broken(folder, "checker", IN_HTML)
    only_the_broken(checked([*pages, *files.values()]), files)
