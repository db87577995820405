"""Takes the README's pictures from the running demo: ``make pictures`` (needs Chromium).

Starts ``vatside demo`` in a temporary folder, waits until the winter is on record, and keeps
each page at desktop and phone width under ``.pictures``.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from tests.browser.conftest import ARGUMENTS

ROOT = Path(__file__).resolve().parent.parent.parent
PICTURES = ROOT / ".pictures"
PAGES = {
    "room": "",
    "prints": "prints",
    "causes": "causes",
    "soak": "soak",
    "breaks": "breaks",
    "resins": "resins",
}
WIDTHS = {"desktop": (1280, 900), "phone": (390, 844)}
LIMIT_S = 90


def main() -> int:
    """Take every picture; 0 when all are there."""
    chromium = shutil.which("chromium")
    if chromium is None:
        print("Chromium is not installed; the pictures are taken with it.", file=sys.stderr)
        return 2
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        demo = subprocess.Popen(
            [sys.executable, "-m", "dashboards.cli", "demo", "--folder", folder],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        try:
            url = address(demo)
            wait_for_the_winter(url)
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=chromium, args=ARGUMENTS)
                for width, (across, down) in WIDTHS.items():
                    page = browser.new_page(viewport={"width": across, "height": down})
                    for name, path in PAGES.items():
                        take(page, url, path, PICTURES / f"{name}-{width}.png")
                browser.close()
        finally:
            demo.terminate()
            demo.wait(20)
    return 0


def address(demo: subprocess.Popen[str]) -> str:
    """The one address that the demo prints."""
    assert demo.stdout is not None
    for line in demo.stdout:
        found = re.search(r"open (http://\S+)", line)
        if found:
            return found.group(1)
    raise RuntimeError("the demo ended without printing an address")


def wait_for_the_winter(url: str) -> None:
    """Wait until the number of readings has stopped leaping."""
    end = time.monotonic() + LIMIT_S
    before = -1
    while time.monotonic() < end:
        with urllib.request.urlopen(f"{url}api/health") as answer:
            stored = int(json.load(answer)["accounts"]["readings_stored"])
        if stored > 100_000 and stored - before < 1_000:
            return
        before = stored
        time.sleep(2)
    raise RuntimeError("the demo's winter did not arrive")


def take(page: Page, url: str, path: str, file: Path) -> None:
    """One page as a picture, once its charts are drawn; a list page's first entry for soak."""
    page.goto(url + path)
    if path == "soak":
        page.locator("main a[href^='/soak/']").first.click()
    page.wait_for_load_state("load")
    if page.locator("[data-chart]").count():
        page.locator("[data-chart] svg").first.wait_for(timeout=20_000)
    page.wait_for_timeout(500)
    page.screenshot(path=str(file))
    print(file.relative_to(ROOT))


if __name__ == "__main__":
    sys.exit(main())
