"""Make the README's pictures again from the demo review: `python tests/documents/make_pictures.py`.

Needs Chromium (Debian's package) for the picture of the page; run it when the report or a figure changes its look.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

PICTURES = Path(__file__).parent / "pictures"
BROWSER = [
    "chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run",
]  # fmt: skip


def shoot(page: Path, picture: Path, width: int, height: int) -> None:
    """Take a picture of the top of a page, reduced to 128 colours to keep the repository small."""
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [*BROWSER, f"--user-data-dir={profile}", f"--window-size={width},{height}", f"--screenshot={picture}",
             page.resolve().as_uri()],
            check=True, capture_output=True,
        )  # fmt: skip
    Image.open(picture).convert("RGB").quantize(128).save(picture, optimize=True)


def main() -> None:
    """Run the demo and take the pictures."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        subprocess.run(
            [sys.executable, "-m", "metakit", "demo", "--out", folder], check=True, capture_output=True
        )
        shoot(out / "report.html", PICTURES / "report.png", 1180, 1500)
        for figure, picture, height in (
            ("forest-01-complications-lrti", "forest", 1020),
            ("network-01-complications-network-geometry", "network", 490),
        ):
            alone = out / f"{picture}.html"
            svg = (out / "figures" / f"{figure}.svg").read_text(encoding="utf-8")
            start = svg.index("<svg")
            style = "<style>body{margin:12px;background:white}svg{width:880px;height:auto}</style>"
            alone.write_text(f"<!doctype html><meta charset=utf-8>{style}{svg[start:]}", encoding="utf-8")
            shoot(alone, PICTURES / f"{picture}.png", 904, height)


if __name__ == "__main__":
    main()
