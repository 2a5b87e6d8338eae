"""Notes for the record, at the edge: their wording, their file formats, and their kept versions."""

from __future__ import annotations

from rungwise.notes.inputs import case_in, case_of, open_case, read_minutes
from rungwise.notes.kept import KeptNote, keep_note, kept_notes
from rungwise.notes.texts import load_lexicon, to_markdown, to_plain
from rungwise.notes.write import FORMATS, write_note

__all__ = [
    "FORMATS",
    "KeptNote",
    "case_in",
    "case_of",
    "keep_note",
    "kept_notes",
    "load_lexicon",
    "open_case",
    "read_minutes",
    "to_markdown",
    "to_plain",
    "write_note",
]
