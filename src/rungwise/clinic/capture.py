"""The page that measures with a phone, for nobody in particular: no plan and no person is in it."""

from __future__ import annotations

from rungwise.core.evidence import Evidence

__all__ = ["capture_file"]


def capture_file(book: Evidence, language: str = "en") -> bytes:
    """The page that counts, times and records with a phone, as one file.

    Parameters
    ----------
    book : Evidence
        The book whose rows it measures by.
    language : str
        Language of the page.

    Raises
    ------
    InputError
        No such language.
    EvidenceError
        A text of it is missing.
    """
    from rungwise.phone.capture import capture_page
    from rungwise.words import load_words

    return capture_page(book, load_words(language)).encode()
