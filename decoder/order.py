"""The order of restrictiveness: a partial order on what an indication orders and promises."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Orders:
    """What an indication orders here and promises ahead, as levels of its book.

    Attributes
    ----------
    here, at_next, at_second : int
        Rank of the speed in force at this signal, and of the speed announced for the next
        and for the second next signal, in the book's list of speeds: 0 is the most
        restrictive (stop and stay). An indication that says nothing of the second signal
        promises there no more than it promises at the next one.
    """

    here: int
    at_next: int
    at_second: int

    def at_least_as_restrictive_as(self, other: Orders) -> bool:
        """Whether obeying this one also obeys `other`, whichever of the three is looked at."""
        return (
            self.here <= other.here
            and self.at_next <= other.at_next
            and self.at_second <= other.at_second
        )

    def meet(self, other: Orders) -> Orders:
        """Return the least restrictive orders that obey both."""
        return Orders(
            min(self.here, other.here),
            min(self.at_next, other.at_next),
            min(self.at_second, other.at_second),
        )

    def rank(self) -> tuple[int, int, int]:
        """Sort key that never contradicts the partial order; what holds here counts first."""
        return (self.here, self.at_next, self.at_second)
