"""What was chosen so far, the way back and forth: frozen settings, one after the other."""

from dataclasses import dataclass, replace

from ..choices import Place, Settings


@dataclass(frozen=True)
class History:
    """The choices that hold now, those that held before, and those that were taken back.

    Attributes
    ----------
    now : Settings
    past : tuple of Settings
        The oldest first.
    future : tuple of Settings
        What was taken back, the last first.
    """

    now: Settings
    past: tuple[Settings, ...] = ()
    future: tuple[Settings, ...] = ()

    def choose(self, **changes) -> "History":
        """Change settings by name; what changes nothing is no step back either."""
        chosen = replace(self.now, **changes)
        return self if chosen == self.now else History(chosen, (*self.past, self.now))

    def amend(self, **changes) -> "History":
        """Change the last choice further: the way back leads to what held before it."""
        chosen = replace(self.now, **changes)
        return self if chosen == self.now else History(chosen, self.past)

    def undo(self) -> "History":
        """Go one step back; at the first nothing happens."""
        if not self.past:
            return self
        return History(self.past[-1], self.past[:-1], (self.now, *self.future))

    def redo(self) -> "History":
        """Go one step forth again; at the last nothing happens."""
        if not self.future:
            return self
        return History(self.future[0], (*self.past, self.now), self.future[1:])

    def leave_out(self, places: tuple[Place, ...]) -> "History":
        """Leave the stars at these places out of the fit, besides those already left out."""
        return self.choose(leave_out=tuple(dict.fromkeys((*self.now.leave_out, *places))))

    def take_back(self, places: tuple[Place, ...]) -> "History":
        """Let the stars at these places take part in the fit again."""
        return self.choose(
            leave_out=tuple(place for place in self.now.leave_out if place not in places)
        )
