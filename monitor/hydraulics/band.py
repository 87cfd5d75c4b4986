"""A value that is only known between two bounds."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Band:
    """low and high bound of one quantity, unit as the function that gives it says.

    high may be math.inf where the physics has no upper end ("never"); low is always finite.
    """

    low: float
    high: float

    @property
    def middle(self) -> float:
        """Half way between the bounds."""
        return 0.5 * (self.low + self.high)

    def holds(self, value: float) -> bool:
        """Whether the value lies within the bounds, ends included."""
        return self.low <= value <= self.high
