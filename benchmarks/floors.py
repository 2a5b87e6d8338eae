"""The least that a batch must do, as programs of their own: measured from start to end like ours.

    python benchmarks/floors.py parse FOLDER PROCESSES          tomllib and json on each file
    python benchmarks/floors.py compile SHEETS COUNT PROCESSES  bare Typst compiles, in turn

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
def loaded(sheets: Path) -> list[tuple[tuple[Any, ...], dict[str, Any]]]:
    """Read templates, data and fonts once a process."""
    import typst

    calls: list[tuple[tuple[Any, ...], dict[str, Any]]] = pickle.loads(sheets.read_bytes())
    fonts = typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=calls[0][1]["font_paths"],
    )
    return [(args, {**named, "font_paths": fonts}) for args, named in calls]


def compile_sheet(sheets: Path, number: int) -> int:
    """Compile one of the sheets."""
    import typst

    calls = loaded(sheets)
    args, named = calls[number % len(calls)]
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
