"""The system's browser, and how the tests start it."""

from __future__ import annotations

import shutil

CHROMIUM = shutil.which("chromium")
FLAGS = (
    *"--no-sandbox --disable-gpu --disable-background-networking --no-first-run".split(),
    *"--disable-component-update --disable-sync".split(),
)
