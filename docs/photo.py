"""Measure drawn photographs of which the truth is known, and write docs/photo.md.

    python docs/photo.py --keep trials.jsonl

Trials are appended to the file that is kept and not done again, so that a run may be broken off.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "src")]

from rungwise.book import load_book  # noqa: E402
from tests.measure.scenes import BAD, RANGES  # noqa: E402
from tests.measure.trial import Trial, trial  # noqa: E402

Line = Iterator[str]


def kept(path: Path) -> dict[tuple[str, int], Trial]:
    """Trials done before, by kind and seed."""
    if not path.exists():
        return {}
    trials = [Trial(**json.loads(line)) for line in path.read_text("utf-8").splitlines()]
    return {(one.kind, one.seed): one for one in trials}


def run(wanted: dict[str, int], path: Path) -> dict[str, list[Trial]]:
    """Do what is wanted of each kind and is not done yet."""
    book = load_book()
    done = kept(path)
    with path.open("a", encoding="utf-8") as file:
        for kind, count in wanted.items():
            for seed in range(count):
                if (kind, seed) not in done:
                    done[kind, seed] = trial(seed, kind, book)
                    file.write(json.dumps(asdict(done[kind, seed])) + "\n")
                    file.flush()
    return {
        kind: [done[kind, seed] for seed in range(count)] for kind, count in wanted.items() if count
    }


def wilson(hits: int, of: int) -> str:
    """A share with its 95 % interval by Wilson [%]."""
    z, p = 1.96, hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * (p * (1 - p) / of + z * z / (4 * of * of)) ** 0.5
    return f"{100 * p:.1f} % ({100 * (middle - half):.1f} to {100 * (middle + half):.1f})"


def row(name: str, trials: Sequence[Trial]) -> str:
    """One line of the table of errors."""
    read = [one for one in trials if not one.why]
    if not read:
        return f"| {name} | {len(trials)} | - | - | - | - | - |"
    off = np.abs([one.error_deg for one in read])
    covered = sum(bool(one.covered) for one in read)
    cells = [
        name,
        str(len(trials)),
        wilson(len(trials) - len(read), len(trials)),
        f"{np.median(off):.2f}°",
        f"{np.quantile(off, 0.95):.2f}°",
        f"{off.max():.2f}°",
        wilson(covered, len(read)),
    ]
    return "| " + " | ".join(cells) + " |"


def length_row(name: str, trials: Sequence[Trial]) -> str:
    """One line of the table of lengths."""
    off = np.abs([mm for one in trials for mm in one.length_errors_mm])
    hit = [bool(c) for one in trials for c in one.lengths_covered]
    middle, most = np.median(off), np.quantile(off, 0.95)
    within = wilson(int((off <= 2).sum()), len(off))
    cells = [
        name,
        len(off),
        f"{middle:.2f} mm",
        f"{most:.2f} mm",
        within,
        wilson(sum(hit), len(hit)),
    ]
    return "| " + " | ".join(map(str, cells)) + " |"


def page(found: dict[str, list[Trial]], command: str) -> Line:
    """The lines of docs/photo.md."""
    yield "# How well a photograph is read"
    yield ""
    yield "Written by `docs/photo.py`; do not edit. Every number here is of **drawn scenes**, of"
    yield "which the truth is known (`tests/measure/scenes.py`). No foot was photographed:"
    yield "where a mark"
    yield "belongs on a foot, and how the foot was held, is not in these errors and is"
    yield "larger than they"
    yield "are (`rom.position.photograph` stays an assumption)."
    yield ""
    yield f"    {command}"
    yield ""
    yield "## The bend"
    yield ""
    yield "Aims, set before: median at most 0.5°, 95th percentile at most 1.5°, interval"
    yield "of 95 % covers"
    yield "93 to 97 %, at most 2 % refused. *As told*: the lens within 6° of the line square to the"
    yield "joint. *Carelessly*: within 15°; there the interval is wide, and still has to hold."
    yield ""
    yield "| scenes | n | refused | median | 95th percentile | largest | covered |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    told = found["told"]
    yield row("as told", told)
    yield row("as told, dots found", [one for one in told if one.dots])
    yield row("as told, marks clicked", [one for one in told if not one.dots])
    if "loose" in found:
        yield row("carelessly", found["loose"])
    yield ""
    ratios = [one.drawn_over_first for kind in found.values() for one in kind if not one.why]
    low, high = np.quantile(ratios, [0.01, 0.99])
    yield "Standard error of 400 random draws over the first order:"
    yield f"{low:.2f} to {high:.2f} (98 % of scenes)."
    yield ""
    yield "## Heel to joint"
    yield ""
    yield "| scenes | n | median | 95th percentile | within 2 mm | covered |"
    yield "| --- | --- | --- | --- | --- | --- |"
    yield length_row("as told", told)
    if "loose" in found:
        yield length_row("carelessly", found["loose"])
    yield ""
    yield "## Views that must be refused"
    yield ""
    yield "Aim: at least 99 %. Any reason counts; a blurred card is often simply not found."
    yield ""
    yield "| spoilt by | n | refused | reasons given |"
    yield "| --- | --- | --- | --- |"
    bad = [one for kind in BAD for one in found.get(kind, [])]
    for kind in BAD:
        trials = found.get(kind, [])
        if trials:
            why = Counter(one.why for one in trials if one.why).most_common(4)
            said = ", ".join(f"{name} {n}" for name, n in why)
            gone = sum(bool(one.why) for one in trials)
            yield f"| {kind} | {len(trials)} | {gone} | {said} |"
    if bad:
        yield f"| **all** | {len(bad)} | {wilson(sum(bool(one.why) for one in bad), len(bad))} | |"
    yield ""
    yield "## Ranges of the scenes"
    yield ""
    for name, says in RANGES.items():
        yield f"- {name}: {says}"
    yield ""
    yield "## What it cannot see"
    yield ""
    yield "- A foot out of the card's plane, when marks are clicked and no length of the foot is"
    yield "  known: the reading says so. With dots of known size, or the examination's"
    yield "  heel-to-joint"
    yield "  length, it is refused."
    yield "- A picture lying on its side without a heel mark, or of a steep heel raise:"
    yield "  the same lines"
    yield "  may stand upright. The angle is the same then; only which foot it is can be mistaken."
    yield "- A bent card, a card of another size, a tone curve far from the usual one."
    yield "- Marks in the wrong place, as long as bones of that length exist."


def main() -> None:
    """Run what is missing and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--told", type=int, default=500)
    parser.add_argument("--loose", type=int, default=200)
    parser.add_argument("--bad", type=int, default=40, help="scenes of each bad kind")
    parser.add_argument("--keep", type=Path, required=True)
    asked = parser.parse_args()
    wanted = {"told": asked.told, "loose": asked.loose} | dict.fromkeys(BAD, asked.bad)
    found = run(wanted, asked.keep)
    command = (
        f"python docs/photo.py --told {asked.told} --loose {asked.loose} --bad {asked.bad} "
        "--keep trials.jsonl"
    )
    text = "\n".join(page(found, command)) + "\n"
    (ROOT / "docs" / "photo.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
