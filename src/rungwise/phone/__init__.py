"""The patient's page on the phone: today, one exercise a screen, a led session, pain, diary.

One self-contained file, or a folder for any web host. Both lead by the plan, may hold, lower or
stop, and never raise. Nothing leaves the phone unless the patient sends it.
"""

from rungwise.phone.content import page_data
from rungwise.phone.folder import static_folder
from rungwise.phone.page import single_file

__all__ = ["page_data", "single_file", "static_folder"]
