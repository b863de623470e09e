"""What an audit found: one frozen object that prints well, shows well in a notebook, and turns into
JSON."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from astropy.table import Table

from ..texts import UNBROKEN, aligned, broken, counted, escaped, html_table
from . import plots

if TYPE_CHECKING:
    from matplotlib.axes import Axes

IMPOSSIBLE_WORDS = {
    "green": "green to cyan",
    "magenta": "magenta to purple",
    "blue": "bluer than any star",
}

IMPOSSIBLE_KINDS = ("green", "magenta", "blue")

KIND_WORDS = {
    "possible": "as real stars",
    "suspicious": "a little off, or too near the limit to tell",
    "green": "impossible: green to cyan",
    "magenta": "impossible: magenta to purple",
    "blue": "impossible: bluer than the hottest star",
}


@dataclass(frozen=True, eq=False)
class Audit:
    """The star colours of a picture, with the evidence.

    Attributes
    ----------
    name : str
        Of the picture.
    stretched : bool
        Judged as display values (decoded first), or as linear light.
    how_judged : str
        What that rests on.
    neutral_bv : float or None
        B-V of the star that the picture is taken to show neutral; None: D65.
    stars : Table
        A row a star: ``x_px, y_px, snr, width_px``; core colour as displayed ``u_prime, v_prime``,
        ``duv, duv_error`` and ``green_index`` after undoing the neutral star, ``hue`` as
        displayed; ``rim_u_prime, rim_v_prime``; ``fringe_uv`` (distance of the rim, or of its worst
        quarter, from the core) with ``fringe_error``; ``fringed``; ``kind``: possible, suspicious,
        green, magenta, blue, unknown; ``why_unknown``; ``flags`` of `measure_stars`.

    Examples
    --------
    >>> import starcal
    >>> calibrated = starcal.calibrate("broadband.fits")
    >>> audit = starcal.audit_picture(calibrated.pixels)
    >>> isinstance(audit, starcal.Audit), audit.n_impossible
    (True, 0)
    """

    name: str
    stretched: bool
    how_judged: str
    neutral_bv: float | None
    stars: Table = field(repr=False)

    @property
    def n_found(self) -> int:
        """Stars found."""
        return len(self.stars)

    @property
    def n_judged(self) -> int:
        """Stars whose colour is known well enough."""
        return int(np.count_nonzero(self.stars["kind"] != "unknown"))

    @property
    def n_impossible(self) -> int:
        """Judged stars of a colour that no star has."""
        return int(np.count_nonzero(self.impossible))

    @property
    def n_suspicious(self) -> int:
        """Judged stars of a colour that a real star hardly has."""
        return int(np.count_nonzero(self.stars["kind"] == "suspicious"))

    @property
    def n_rims(self) -> int:
        """Stars whose rim could be compared with the core."""
        return int(np.count_nonzero(np.isfinite(self.stars["fringe_uv"])))

    @property
    def n_fringed(self) -> int:
        """Stars whose rim is of visibly another colour than the core."""
        return int(np.count_nonzero(self.stars["fringed"]))

    @property
    def impossible(self) -> np.ndarray:
        """Which rows of `stars` have a colour that no star has."""
        return np.isin(self.stars["kind"], IMPOSSIBLE_KINDS)

    @property
    def share_impossible(self) -> float | None:
        """Of the measured stars; None where none could be judged."""
        return self.n_impossible / self.n_judged if self.n_judged else None

    @property
    def kinds(self) -> dict[str, int]:
        """How many stars are of each kind."""
        return {
            kind: int(np.count_nonzero(self.stars["kind"] == kind))
            for kind in ("possible", "suspicious", *IMPOSSIBLE_KINDS, "unknown")
        }

    @property
    def hues(self) -> dict[str, int]:
        """Hue, as displayed, of the impossible stars: how many of each, the most frequent first."""
        return _tally_of_words(self.stars["hue"][self.impossible])

    @property
    def unknown(self) -> dict[str, int]:
        """Why stars were not judged: how many for each reason."""
        return _tally_of_words(self.stars["why_unknown"][self.stars["kind"] == "unknown"])

    def to_dict(self) -> dict:
        """Plain numbers and words for JSON; what could not be measured is None."""
        median = (
            float(np.median(self.stars["duv"][self.stars["kind"] != "unknown"]))
            if self.n_judged
            else None
        )
        return {
            "name": self.name,
            "stretched": self.stretched,
            "how_judged": self.how_judged,
            "neutral_bv": self.neutral_bv,
            "found": self.n_found,
            "judged": self.n_judged,
            "impossible": self.n_impossible,
            "share_impossible": self.share_impossible,
            "suspicious": self.n_suspicious,
            "kinds": self.kinds,
            "hues": self.hues,
            "median_duv": median,
            "rims_compared": self.n_rims,
            "fringed": self.n_fringed,
            "unknown": self.unknown,
        }

    def summary(self) -> str:
        """One sentence."""
        if not self.n_judged:
            why = ", ".join(f"{count} {reason}" for reason, count in self.unknown.items())
            return f"No star could be measured ({why or 'no star was found'})."
        hues = ", ".join(
            f"{self.kinds[kind]} {word}"
            for kind, word in IMPOSSIBLE_WORDS.items()
            if self.kinds[kind]
        )
        has = "has" if self.n_impossible == 1 else "have"
        return (
            f"{self.n_impossible} of {counted(self.n_judged, 'measured star')} "
            f"({100 * self.share_impossible:.1f} %) {has} a "
            "colour that no star has" + (f": {hues}." if hues else ".")
        )

    def rows(self) -> list[tuple[str, str]]:
        """The numbers that matter, as (name, text) pairs: for the terminal and the report."""
        white = "D65" if self.neutral_bv is None else f"B-V {self.neutral_bv:.2f}"
        shown = "stretched" if self.stretched else "linear"
        rows = [
            ("picture", self.name),
            ("measured as", f"{shown}: {self.how_judged}"),
            ("taken as neutral", white),
            ("stars found", str(self.n_found)),
            ("stars measured", str(self.n_judged)),
        ]
        rows += self._kind_rows()
        for reason, count in self.unknown.items():
            rows.append((f"not measured: {reason}", str(count)))
        if self.n_rims:
            seen = f"{self.n_fringed} of {self.n_rims} rims"
            rows.append(("fringes", f"{seen} are visibly of another colour than the core"))
        return rows

    def _kind_rows(self) -> list[tuple[str, str]]:
        """How many stars are of each kind of colour."""
        return [
            (kind, f"{count}  ({KIND_WORDS[kind]})")
            for kind, count in self.kinds.items()
            if count and kind != "unknown"
        ]

    def __repr__(self) -> str:
        """One line; the table would fill a screen."""
        return f"<Audit of {self.name}: {self.summary()}>"

    def __str__(self) -> str:
        """Several lines for a terminal."""
        return self.text()

    def text(self, width: int = UNBROKEN, *, all_numbers: bool = True) -> str:
        """Lines for a terminal, none longer than a width; there are few numbers, and all shown."""
        rows = [row for row in self.rows() if row[1]]
        return "\n".join([*broken(self.summary(), width), *aligned(rows, width)])

    def _repr_html_(self) -> str:
        """For notebooks."""
        return f"<p><strong>{escaped(self.summary())}</strong></p>{html_table(self.rows())}"

    def plot_chromaticity(self, ax: Axes | None = None) -> Axes:
        """Plot the measured stars in u'v' as displayed, beside real stars and the limits of the
        possible.

        Parameters
        ----------
        ax : Axes, optional
            A new figure if not given.

        Returns
        -------
        Axes
        """
        return plots.plot_judged_colours(self.stars, self.neutral_bv, ax)

    def plot_map(self, ax: Axes | None = None) -> Axes:
        """Plot where on the picture stars have impossible colours, and where rims differ from
        cores.

        Parameters
        ----------
        ax : Axes, optional
            A new figure if not given.

        Returns
        -------
        Axes
            In pixels, x to the right, y upwards.
        """
        return plots.plot_judged_places(self.stars, ax)


def _tally_of_words(words) -> dict[str, int]:
    found, count = np.unique(np.asarray(words), return_counts=True)
    order = np.argsort(-count, kind="stable")
    return {str(found[i]): int(count[i]) for i in order}
