"""One patient's way through, as a therapist tells it. The only place where edges meet the core."""

from __future__ import annotations

from rungwise.clinic.asked import (
    change_files,
    changes_now,
    measure_again,
    own_error_now,
    score_now,
    told_change,
    told_forms,
    units_now,
)
from rungwise.clinic.capture import capture_file
from rungwise.clinic.folder import decide_now, hand_over, keep_edited, note_of, renew_plan
from rungwise.clinic.group import class_sheets, class_ways, group_class, hand_out
from rungwise.clinic.measure import reps_now, stance_now
from rungwise.clinic.phone import phone_file, phone_link, phone_site
from rungwise.clinic.photograph import Clicked, photo_now
from rungwise.clinic.programme import demo_exams, examine, ladders_of, make_plan, open_book, sheets
from rungwise.course import blank_answers, open_course
from rungwise.diary import (
    add_log_code,
    add_paper,
    open_plan,
    read_entries,
    read_grid,
    read_week,
    shown_days,
)
from rungwise.exam_file import blank_exam, exam_schema, read_exam, read_pins
from rungwise.plan_code import write_plan_code
from rungwise.uses import uses_of
from rungwise.written import write_file, write_folder

__all__ = [
    "Clicked",
    "add_log_code",
    "add_paper",
    "blank_answers",
    "blank_exam",
    "capture_file",
    "change_files",
    "changes_now",
    "class_sheets",
    "class_ways",
    "decide_now",
    "demo_exams",
    "exam_schema",
    "examine",
    "group_class",
    "hand_out",
    "hand_over",
    "keep_edited",
    "ladders_of",
    "make_plan",
    "measure_again",
    "note_of",
    "open_book",
    "open_course",
    "open_plan",
    "own_error_now",
    "phone_file",
    "phone_link",
    "phone_site",
    "photo_now",
    "read_entries",
    "read_exam",
    "read_grid",
    "read_pins",
    "read_week",
    "renew_plan",
    "reps_now",
    "score_now",
    "sheets",
    "shown_days",
    "stance_now",
    "told_change",
    "told_forms",
    "units_now",
    "uses_of",
    "write_file",
    "write_folder",
    "write_plan_code",
]
