"""The sheet that a patient takes home: built as data, then laid out as PDF or plain text.

`build_handout` makes the programme, `build_notice` the sheet of a person who may not exercise for
now. Each takes every number from the plan and every word from the language file; nothing is worked
out again here. Text that is not ours (label, clinic's lines, the patient's own activities) reaches
the page only as data: it is never read as markup.
"""

from rungwise.handout.build import build_handout
from rungwise.handout.changed import changed_lines
from rungwise.handout.notice import build_notice
from rungwise.handout.page import to_pdf
from rungwise.handout.sheet import (
    Diary,
    Figure,
    Finding,
    Foot,
    Handout,
    Lines,
    Notice,
    NotNow,
    Panel,
    Sheet,
    Step,
    Stopped,
    Week,
)
from rungwise.handout.text import reading_of, to_text

__all__ = [
    "Diary",
    "Figure",
    "Finding",
    "Foot",
    "Handout",
    "Lines",
    "NotNow",
    "Notice",
    "Panel",
    "Sheet",
    "Step",
    "Stopped",
    "Week",
    "build_handout",
    "build_notice",
    "changed_lines",
    "reading_of",
    "to_pdf",
    "to_text",
]
