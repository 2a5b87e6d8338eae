"""The least that a batch must do, as programs of their own: measured from start to end like ours.

    python benchmarks/floors.py parse FOLDER PROCESSES         tomllib and json on every examination
    python benchmarks/floors.py compile SHEET COUNT PROCESSES  bare Typst compiles of one sheet

Nothing of rungwise is imported here.
"""

from __future__ import annotations

import json
import pickle
import sys
import tomllib
from concurrent.futures import ProcessPoolExecutor
from functools import lru_cache, partial
from pathlib import Path
from typing import Any


def parse(path: Path) -> int:
    """Read one examination and write it as JSON."""
    return len(json.dumps(tomllib.loads(path.read_text("utf-8")), default=str))


@lru_cache
def loaded(sheet: Path) -> tuple[tuple[Any, ...], dict[str, Any]]:
    """Read template, data and fonts once a process."""
    import typst

    args, named = pickle.loads(sheet.read_bytes())
    named["font_paths"] = typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=named["font_paths"]
    )
    return args, named


def compile_sheet(sheet: Path, _: int) -> int:
    """Compile the sheet once."""
    import typst

    args, named = loaded(sheet)
    return len(typst.compile(*args, **named))


def main(words: list[str]) -> None:
    """Do what the words ask for."""
    job, path, *numbers = words
    with ProcessPoolExecutor(int(numbers[-1])) as pool:
        if job == "parse":
            list(pool.map(parse, sorted(Path(path).iterdir()), chunksize=16))
        else:
            list(pool.map(partial(compile_sheet, Path(path)), range(int(numbers[0])), chunksize=2))


if __name__ == "__main__":
    main(sys.argv[1:])
