"""What was chosen so far, and the way back: frozen settings, one after the other."""

from dataclasses import dataclass, replace

from ..choices import Place, Settings


@dataclass(frozen=True)
class History:
    """The choices that hold now, and those that held before.

    Attributes
    ----------
    now : Settings
    past : tuple of Settings
        The oldest first.
    """

    now: Settings
    past: tuple[Settings, ...] = ()

    def choose(self, **changes) -> "History":
        """Change settings by name; what changes nothing is no step back either."""
        chosen = replace(self.now, **changes)
        return self if chosen == self.now else History(chosen, (*self.past, self.now))

    def undo(self) -> "History":
        """Go one step back; at the first nothing happens."""
        return History(self.past[-1], self.past[:-1]) if self.past else self

    def leave_out(self, places: tuple[Place, ...]) -> "History":
        """Leave the stars at these places out of the fit, besides those already left out."""
        return self.choose(leave_out=tuple(dict.fromkeys((*self.now.leave_out, *places))))

    def take_back(self, places: tuple[Place, ...]) -> "History":
        """Let the stars at these places take part in the fit again."""
        return self.choose(
            leave_out=tuple(place for place in self.now.leave_out if place not in places)
        )
