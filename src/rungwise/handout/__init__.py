"""The sheet that a patient takes home: built as data, then laid out as PDF or plain text.

`build_handout` takes every number from the plan and every word from the language file; nothing is
worked out again here. Text that is not ours (label, clinic's lines, the patient's own activities)
reaches the page only as data: it is never read as markup.
"""

from rungwise.handout.build import build_handout
from rungwise.handout.page import reading_of, to_pdf, to_text
from rungwise.handout.sheet import Diary, Figure, Foot, Handout, Lines, Panel, Step, Week

__all__ = [
    "Diary",
    "Figure",
    "Foot",
    "Handout",
    "Lines",
    "Panel",
    "Step",
    "Week",
    "build_handout",
    "reading_of",
    "to_pdf",
    "to_text",
]
