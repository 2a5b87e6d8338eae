"""The clinic in the browser: pages rendered here, opened on this computer alone by default.

``app`` holds the frame (routes, guards, errors), ``access`` who may come in, ``page`` what a page
is; ``pages`` one module for each group of pages. No clinical rule stands here: every answer comes
from :mod:`rungwise.casebook`.
"""
