"""What a run tells of itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..audit import Audit
from ..audit.plots import plot_beside
from ..checking.result import ALL_NUMBERS, CheckResult
from ..report.outcome import Outcome, outcome_of
from ..texts import UNBROKEN, aligned, broken, escaped, html_list

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False)
class RunResult:
    """What a run decided and where it put it.

    Attributes
    ----------
    check : CheckResult
        The verdict with its evidence.
    audit_before, audit_after : Audit
        How many stars have impossible colours in the frame and in the picture.
    folder : Path
        Where the files are.
    files : tuple of str
        Their names.

    Examples
    --------
    >>> import starcal
    >>> result = starcal.run("broadband.fits", overwrite=True)
    >>> result.check.route, (result.folder / "report.html").exists()
    ('gains', True)
    >>> print(result.outcome.how)
    Calibrated by gains from ... catalogue stars.
    """

    check: CheckResult
    audit_before: Audit
    audit_after: Audit
    folder: Path
    files: tuple[str, ...]

    @property
    def outcome(self) -> Outcome:
        """What came of it: stars of impossible colours before and after, and how it was done."""
        return outcome_of(self.check, self.audit_before, self.audit_after)

    def __str__(self) -> str:
        """Several lines for a terminal, with every number."""
        return self.text()

    def text(self, width: int = UNBROKEN, *, all_numbers: bool = True) -> str:
        """Lines for a terminal: what came of it, why, the numbers, the files.

        Parameters
        ----------
        width : int
            Longer lines are broken there; by default none is.
        all_numbers : bool
            Show every number, or those that matter most.

        Returns
        -------
        str
        """
        outcome = self.outcome
        check = self.check
        rows = check.rows() if all_numbers else check.main_rows()
        lines = [
            *broken(outcome.stars, width),
            *broken(outcome.how, width),
            "",
            *check.reason_lines(width, outcome.how),
            "",
            *aligned([*rows, *self._ends(all_numbers)], width),
        ]
        lines += check.second_lines() if all_numbers else []
        return "\n".join(lines)

    def _ends(self, all_numbers: bool) -> list[tuple[str, str]]:
        """The audits, where the files are, and what to do with them."""
        return [
            ("before", self.audit_before.summary()),
            ("after", self.audit_after.summary()),
            ("written", f"{self.folder}: {', '.join(self.files)}"),
            *([] if all_numbers else [("", ALL_NUMBERS)]),
        ]

    def to_dict(self) -> dict:
        """What the command prints as JSON."""
        return self.check.to_dict() | {
            "outcome": str(self.outcome),
            "audit": {
                "before": self.audit_before.to_dict(),
                "after": self.audit_after.to_dict(),
            },
            "folder": str(self.folder),
            "files": list(self.files),
        }

    def __repr__(self) -> str:
        """One line; the check would fill a screen."""
        return f"<RunResult {self.check.frame}, in {self.folder}: {self.outcome.stars}>"

    def _repr_html_(self) -> str:
        """For notebooks."""
        audits = html_list(
            "ul",
            [f"before: {self.audit_before.summary()}", f"after: {self.audit_after.summary()}"],
        )
        outcome = self.outcome
        return (
            f"<p><strong>{escaped(outcome.stars)}</strong></p><p>{escaped(outcome.how)}</p>"
            f"{self.check._repr_html_()}{audits}<p>Written to {escaped(str(self.folder))}: "
            f"{escaped(', '.join(self.files))}</p>"
        )

    def plot_chromaticity(self, ax: Sequence[Axes] | None = None) -> np.ndarray:
        """Plot the colours of the stars before and after, beside those of real stars.

        Parameters
        ----------
        ax : 2 Axes, optional
            For before and after; a new figure if not given.

        Returns
        -------
        ndarray of 2 Axes
            Of u'v'.
        """
        return plot_beside((self.audit_before, self.audit_after), ax)
