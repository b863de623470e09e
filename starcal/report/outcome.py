"""What came of a run, in two sentences: how many stars had impossible colours and how many have
now, and how that was done."""

from __future__ import annotations

from dataclasses import dataclass

from ..audit import Audit
from ..checking.result import CheckResult
from ..texts import counted


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of a run.

    Attributes
    ----------
    stars : str
        How many stars had impossible colours before, and how many have now.
    how : str
        What was done, and why that.
    """

    stars: str
    how: str

    def __str__(self) -> str:
        """Both sentences."""
        return f"{self.stars} {self.how}"


def outcome_of(result: CheckResult, before: Audit, after: Audit) -> Outcome:
    """Say what came of a run.

    Parameters
    ----------
    result : CheckResult
        With the route that was taken.
    before, after : Audit
        Of the frame and of the picture.

    Returns
    -------
    Outcome
    """
    return Outcome(stars=_told_stars(before, after), how=_told_how(result))


def _told_stars(before: Audit, after: Audit) -> str:
    """How many stars had impossible colours, and how many have now."""
    if not before.n_judged or not after.n_judged:
        return "Too few stars can be measured to say how many had impossible colours."
    judged = counted(before.n_judged, "measured star")
    if not before.n_impossible and not after.n_impossible:
        return (
            f"None of {judged} had an impossible colour, and none of {after.n_judged} has now."
        )
    what = "an impossible colour" if before.n_impossible <= 1 else "impossible colours"
    had = f"{before.n_impossible or 'None'} of {judged} had {what}"
    has = "has" if after.n_impossible <= 1 else "have"
    return f"{had}, {after.n_impossible or 'none'} of {after.n_judged} {has} now."


def _told_how(result: CheckResult) -> str:
    """What was done, and why."""
    if result.route == "star frame":
        return f"The stars are those of a separate frame: {_ended(result.route_reason)}"
    if result.route == "gains":
        return _told_gains(result)
    if "colour_source" not in result.stars.colnames:
        return f"Left as it was: {_ended(result.route_reason)}"
    how = "as displayed" if result.linearity.stretched else "star by star"
    return f"Coloured {how}, {_why_by_star(result)}"


def _told_gains(result: CheckResult) -> str:
    """By how many stars, and whether the verdict advised it."""
    by = "by gains"
    if result.fit is not None:
        by = f"by gains from {counted(result.fit.n_used, 'catalogue star')}"
    if result.own_fit is not None:
        return f"Calibrated {by} and from those of other frames."
    if result.verdict.verdict == "rescue":
        return f"Calibrated {by}."
    return f"Calibrated {by}, as asked, though the verdict is {result.verdict.verdict}."


def _why_by_star(result: CheckResult) -> str:
    """Why stars were coloured one by one."""
    reason = _ended(result.verdict.reasons[0])
    if result.verdict.verdict == "rescue":
        return "as asked: gains would serve, too."
    if result.verdict.verdict == "undecided":
        return f"because nobody knows whether gains can serve: {reason}"
    return f"because gains cannot serve: {reason}"


def _ended(text: str) -> str:
    """A reason as the end of a sentence."""
    return f"{text.rstrip('.')}."
