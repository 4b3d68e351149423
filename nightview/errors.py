"""The one error type: it says where, what was expected, what came, and what to write."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


class NightviewError(Exception):
    """Something the user can put right; the command line prints it and exits with status 2.

    ``where`` is the place ("garden.toml: fixture "path-3": beam"), ``problem`` what was expected
    and what came, ``remedy`` what to write or do instead.
    """

    def __init__(self, where: str, problem: str, remedy: str = "") -> None:
        self.where, self.problem, self.remedy = where, problem, remedy
        super().__init__(f"{where}: {problem}" + (f"; {remedy}" if remedy else ""))


@contextmanager
def within(place: str) -> Iterator[None]:
    """Put the file's name before whatever goes wrong inside."""
    try:
        yield
    except SceneFaultsError:
        raise
    except NightviewError as error:
        if error.where == place or error.where.startswith(f"{place}:"):
            raise
        raise NightviewError(f"{place}: {error.where}", error.problem, error.remedy) from None


class SceneFaultsError(NightviewError):
    """All faults found in one reading, so that a user mends a file in one go."""

    def __init__(self, faults: list[NightviewError]) -> None:
        self.faults = tuple(faults)
        Exception.__init__(self, "\n".join(str(fault) for fault in faults))
        self.where, self.problem, self.remedy = faults[0].where, faults[0].problem, faults[0].remedy
