"""One thread that works off jobs: the most urgent first, and of each kind only the latest."""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable

from nightview.errors import NightviewError

Check = Callable[[], None]
Job = Callable[[Check], None]
"""Work to be done; it calls what it is given now and then, which raises where it is to stop."""


class Superseded(Exception):  # noqa: N818  it is no error
    """Something more urgent waits; the job is begun again later, unless a newer one takes its place."""


class Worker:
    """A thread with a place for one waiting job of each kind.

    kinds : from the most urgent to the least. failed : told of what goes wrong in a job. idle : told
    when nothing is left to do. ending : the thread's own last work.
    """

    def __init__(
        self,
        kinds: tuple[str, ...],
        failed: Callable[[str, Exception], None],
        idle: Callable[[], None] = lambda: None,
        ending: Callable[[], None] = lambda: None,
    ) -> None:
        self.kinds, self.failed, self.idle, self.ending = kinds, failed, idle, ending
        self._waiting: dict[str, Job] = {}
        self._due: dict[str, float] = {}
        self._running: str | None = None
        self._wake = threading.Condition()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name=f"nightview {kinds[0]}", daemon=True)
        self._thread.start()

    def post(self, kind: str, job: Job, delay_s: float = 0.0) -> None:
        """Have a job done, not before a delay; one of its kind that waits still is forgotten."""
        with self._wake:
            self._waiting[kind] = job
            self._due[kind] = time.monotonic() + delay_s
            self._wake.notify()

    def drop(self, *kinds: str) -> None:
        """Forget jobs that wait."""
        with self._wake:
            for kind in kinds:
                self._waiting.pop(kind, None)

    @property
    def busy(self) -> bool:
        """Whether anything is being done or waits."""
        with self._wake:
            return self._running is not None or bool(self._waiting)

    def end(self, timeout_s: float = 30.0) -> None:
        """Stop at the next check, and wait for that."""
        with self._wake:
            self._ended = True
            self._waiting.clear()
            self._wake.notify()
        self._thread.join(timeout_s)

    def _check(self, kind: str) -> None:
        with self._wake:
            if self._ended:
                raise Superseded
            rank = self.kinds.index(kind)
            now = time.monotonic()
            for other in self.kinds[: rank + 1]:
                if other in self._waiting and self._due[other] <= now:
                    raise Superseded

    def _ready(self) -> str | None:
        """The most urgent kind whose time has come."""
        now = time.monotonic()
        return next((k for k in self.kinds if k in self._waiting and self._due[k] <= now), None)

    def _run(self) -> None:
        try:
            self._work()
        finally:
            self.ending()

    def _work(self) -> None:
        while True:
            with self._wake:
                while not self._ended and (kind := self._ready()) is None:
                    due = [self._due[waiting] for waiting in self._waiting]
                    self._wake.wait(max(0.0, min(due) - time.monotonic()) if due else None)
                if self._ended or kind is None:
                    return
                job = self._waiting.pop(kind)
                self._running = kind
            try:
                job(lambda kind=kind: self._check(kind))  # type: ignore[misc]
            except Superseded:
                with self._wake:
                    if not self._ended:
                        self._waiting.setdefault(kind, job)
            except Exception as error:
                if not isinstance(error, NightviewError):
                    traceback.print_exc()
                self.failed(kind, error)
            with self._wake:
                self._running = None
                done = not self._waiting and not self._ended
            if done:
                self.idle()
