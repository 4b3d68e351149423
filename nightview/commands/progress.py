"""A progress bar on the terminal, on standard error; silent where nobody looks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn


@contextmanager
def shown(title: str) -> Iterator[Callable[[int, int, str], None]]:
    """Yields a function to be told (done, of how many, what)."""
    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[what]}"),
        TimeRemainingColumn(),
    )
    with Progress(
        *columns, console=console, disable=not console.is_terminal, transient=True
    ) as bar:
        task = bar.add_task(title, total=None, what="")

        def report(done: int, total: int, what: str) -> None:
            bar.update(task, completed=done, total=total, what=what)

        yield report
