"""Documents printed beside other work: by a process of its own, while this one draws the pictures."""

from __future__ import annotations

import multiprocessing as mp
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager

from nightview.handover.document import Document
from nightview.handover.printed import pdf

Print = Callable[[Document, str], Callable[[], bytes]]
"""A document and a paper's name give a function that waits for the PDF."""


@contextmanager
def printer(aside: bool) -> Iterator[Print]:
    """What prints documents: in another process where there is other work meanwhile (``aside``), and
    else here and at once."""
    if not aside:
        yield _here
        return
    with ProcessPoolExecutor(1, mp.get_context("spawn"), _begin) as pool:

        def begin(document: Document, paper: str) -> Callable[[], bytes]:
            job = pool.submit(pdf, document, paper)

            def wait() -> bytes:
                try:
                    return job.result()
                except BrokenProcessPool:  # such as for want of memory; there is more of it now
                    return pdf(document, paper)

            return wait

        try:
            yield begin
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _here(document: Document, paper: str) -> Callable[[], bytes]:
    data = pdf(document, paper)
    return lambda: data


def _begin() -> None:
    """Set up the other process: control-C is the first one's to deal with, and its end is ours."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = mp.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
