"""Make the pictures of the README again, from the page of the sample job.

``python -m tests.browser.remake_pictures`` writes them, after a wanted change of the page's looks. Chromium draws the
page, and its own encoder makes the pictures small.
"""

from __future__ import annotations

import base64
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from playwright.sync_api import sync_playwright

from tests.browser.shown import JobPages, Shown

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PICTURES = Path(__file__).parents[1] / "pictures"
QUALITY = 0.6
"""Of the encoder: letters stay sharp, and a picture takes some tens of kilobytes."""
ENCODE = """async ([source, quality]) => {
  const image = await createImageBitmap(await (await fetch(source)).blob());
  const canvas = document.createElement("canvas");
  canvas.width = image.width; canvas.height = image.height;
  canvas.getContext("2d").drawImage(image, 0, 0);
  return canvas.toDataURL("image/webp", quality).split(",")[1];
}"""


def write(browser: Browser, name: str, picture: bytes) -> None:
    """Write a picture that a browser took in a small form."""
    page = browser.new_page()
    source = f"data:image/png;base64,{base64.b64encode(picture).decode()}"
    small = base64.b64decode(page.evaluate(ENCODE, [source, QUALITY]))
    page.close()
    (PICTURES / f"{name}.webp").write_bytes(small)
    print(f"{name}.webp: {len(small)} bytes")


def main() -> None:
    """Write the first screen of the failed job, and its time line."""
    path = shutil.which("chromium")
    if path is None:
        raise SystemExit("chromium is not installed")
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        shown = Shown(browser, JobPages(Path(folder))["failed"], width=1120)
        write(browser, "answer", shown.page.locator("#answer").screenshot())
        plot = shown.page.locator(".plot").first
        box = plot.bounding_box()
        lanes = plot.locator(".nsewdrag").first.bounding_box()
        if box is None or lanes is None:
            raise SystemExit("the time line was not drawn")
        height = lanes["y"] + lanes["height"] + 30 - box["y"]
        clip = {"x": box["x"], "y": box["y"], "width": box["width"], "height": height}
        write(browser, "time-line", shown.page.screenshot(clip=clip, full_page=True))  # type: ignore[arg-type]
        browser.close()


if __name__ == "__main__":
    main()
