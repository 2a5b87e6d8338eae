"""Long work of one session: it runs in a thread of its own, tells how far it is, can be stopped."""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event, Lock, Thread

from rungwise.core.errors import RungwiseError
from rungwise.web.page import Download

__all__ = ["Job", "Jobs", "Step", "StoppedError"]

log = logging.getLogger("rungwise.web")
KEPT, AT_ONCE = 8, 2
Step = Callable[[int, int], None]


class StoppedError(RungwiseError):
    """The work was stopped by who had asked for it."""


@dataclass
class Job:
    """One piece of long work.

    Parameters
    ----------
    id : str
        Random.
    kind : str
        What it is: a word of the pages.
    state : str
        ``runs``, ``done``, ``stopped`` or ``failed``.
    done, total : int
        How far it is, in steps; a total of 0 is not known yet [1].
    says : str
        What came of it, in words; or why it failed.
    made : Download or None
        The file that it made.
    """

    id: str
    kind: str
    state: str = "runs"
    done: int = 0
    total: int = 0
    says: str = ""
    made: Download | None = None
    stop: Event = field(default_factory=Event)

    def step(self, done: int, total: int) -> None:
        """Tell how far the work is; ends it when it was stopped.

        Parameters
        ----------
        done, total : int
            Steps done, and in all [1].
        """
        self.done, self.total = done, total
        if self.stop.is_set():
            raise StoppedError("stopped")


class Jobs:
    """The long work of one session; it and what it made are forgotten with the session."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._lock = Lock()

    def start(self, kind: str, work: Callable[[Step], str | Download]) -> str:
        """Begin a piece of work; returns its id. More than two at once are refused.

        Parameters
        ----------
        kind : str
            What it is.
        work : callable
            Takes a function to tell steps done and in all; returns words or a file.
        """
        with self._lock:
            running = [job for job in self._jobs.values() if job.state == "runs"]
            if len(running) >= AT_ONCE:
                return running[-1].id
            for old in [key for key, job in self._jobs.items() if job.state != "runs"][: -KEPT + 1]:
                del self._jobs[old]
            job = Job(secrets.token_hex(16), kind)
            self._jobs[job.id] = job
        Thread(target=_run, args=(job, work), name=f"job-{kind}", daemon=True).start()
        return job.id

    def find(self, job: str) -> Job | None:
        """A piece of work of this session; None when there is none of this id."""
        return self._jobs.get(job)

    def all(self) -> tuple[Job, ...]:
        """Every piece of work, the newest first."""
        return tuple(reversed(self._jobs.values()))

    def stop_all(self) -> None:
        """Stop everything that runs, and forget what was made."""
        with self._lock:
            for job in self._jobs.values():
                job.stop.set()
            self._jobs.clear()


def _run(job: Job, work: Callable[[Step], str | Download]) -> None:
    try:
        found = work(job.step)
        if isinstance(found, Download):
            job.made = found
        else:
            job.says = found
        job.state = "done"
    except StoppedError:
        job.state = "stopped"
    except RungwiseError as error:
        job.says, job.state = str(error), "failed"
    except Exception as error:  # noqa: BLE001 - a page must never show what went wrong inside
        log.error("job %s: %s", job.kind, type(error).__name__)  # no text of anybody's
        job.state = "failed"
