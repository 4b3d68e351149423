"""What a check says: one value at one place, against its limit."""

from __future__ import annotations

from dataclasses import dataclass

from nightview.checks.limits import RANK, Limit


@dataclass(frozen=True)
class Result:
    """One thing that was looked at.

    check : which check, "hot spot". place : where, in words; with check it is unique in a job.
    value : in the unit of the limit; None if it cannot be told. at : (x, y, z) [m], or None.
    lamps : those that cause it, the chief one first.
    said : for the installer, with figures. plain : for the client, one sentence without lux, of what
        is seen; empty where there is nothing to tell.
    reason : why it cannot be told.
    """

    check: str
    place: str
    value: float | None
    limit: Limit
    said: str
    plain: str = ""
    at: tuple[float, float, float] | None = None
    lamps: tuple[str, ...] = ()
    reason: str = ""
    meant: bool = False

    @property
    def key(self) -> tuple[str, str]:
        """By which it is known again after a change."""
        return self.check, self.place

    @property
    def verdict(self) -> str:
        """ "good", "warn", "strong", "meant" or "cannot tell"."""
        if self.value is None:
            return "cannot tell"
        found = self.limit.verdict(self.value)
        return "meant" if self.meant and found != "good" else found

    @property
    def rank(self) -> int:
        """0 good, 1 warn, 2 strong."""
        return RANK.get(self.verdict, 0)

    @property
    def is_finding(self) -> bool:
        """Whether there is something to mend, or at least to tell."""
        return self.rank > 0

    @property
    def counts(self) -> bool:
        """Whether it is more than taste."""
        return self.rank >= RANK[self.limit.fault] and self.limit.kind != "taste"
