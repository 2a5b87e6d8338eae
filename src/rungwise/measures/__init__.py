"""The measuring side: what has changed, how surely, and when to measure again."""

from rungwise.measures.follow import follow, open_changes
from rungwise.measures.values import Changes, DiaryPain, Followed, Target

__all__ = ["Changes", "DiaryPain", "Followed", "Target", "follow", "open_changes"]
