"""The profile of a frame's stars in one channel: a Moffat core, a table of what the stars differ
from it by, and wings.

It is that of a round star of middling width; a `warp` carries it to a star elsewhere in the frame
(the division of labour of Stetson 1987, PASP 99, 191; the effective profile, light already summed
over pixels, of Anderson & King 2000, PASP 112, 1360).
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .stamps import disc_offsets
from .warp import SAME, warped

TABLE_STEP = 0.15  # of a FWHM, between the cells of the table
LOPSIDED_STEP = 0.5  # the same of the map of wings that are not round
# Of the round profile: beyond so many widths no star is drawn, and over a cell of so many a wing
# bends by a thousandth
RADIAL_FWHM, RADIAL_CELLS = 64.0, 1024
WING_END = 0.5  # of the farthest radius known: from there on its slope is told
# Log slopes: anything shallower would hold infinite light; a steeper one, as a Gaussian's, makes a
# clipped star of nothing but its far rim brighter than the sun
STEEPEST_WING, SHALLOWEST_WING = -12.0, -2.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Psf:
    """Profile of a star in one channel.

    Attributes
    ----------
    shift_px : tuple of float
        Where this channel's stars lie, x and y, against the positions of the star table.
    fwhm_px, beta : float
        Width and exponent of the round Moffat profile, before pixels sum it.
    table : ndarray, (m, m)
        What the core differs from that profile with its wings by, every `TABLE_STEP` of the width,
        in units of flux per pixel.
    wing_radius_px, wing_factor : ndarray, (k,)
        Factor on the Moffat profile by distance.
    wing_slope : float
        d log light / d log r where the wing leaves its last measured radius.
    stars : int
        How many stars the core was measured on; 0: a textbook profile.
    residual : float
        Scatter of the stars about it, as a share of their peak.
    scale : float
        Factor that makes all its light 1; see `normalised`.
    lopsided : ndarray, (m, m), or None
        Factor on the wings every `LOPSIDED_STEP` of the width, 1 beyond; None: they are round.
    """

    shift_px: tuple[float, float]
    fwhm_px: float
    beta: float
    table: np.ndarray
    wing_radius_px: np.ndarray
    wing_factor: np.ndarray
    wing_slope: float
    stars: int
    residual: float
    scale: float = 1.0
    lopsided: np.ndarray | None = None

    def __call__(
        self, dx_px: np.ndarray, dy_px: np.ndarray, warp: np.ndarray = SAME
    ) -> np.ndarray:
        """Share of a star's light in pixels at these offsets from its position; float32, any one
        shape.

        ``warp`` is (..., 3) and broadcasts against the offsets.
        """
        dx, dy = dx_px - np.float32(self.shift_px[0]), dy_px - np.float32(self.shift_px[1])
        u, v, shrunk = warped(dx, dy, warp)
        square = u**2 + v**2
        light = self._round_light(square)
        if self.lopsided is not None:
            light *= self.lopsided_at(u, v)
        if self.table.any():  # wings that are solved for anew would else multiply it as well
            self._add_table(light, square, u, v)
        return (light * shrunk * np.float32(self.scale)).astype(np.float32, copy=False)

    def wing_at(self, u_px: np.ndarray, v_px: np.ndarray, radius_px: np.ndarray) -> np.ndarray:
        """Factor on the Moffat profile at offsets as in the middling star.

        Parameters
        ----------
        u_px, v_px, radius_px : ndarray, any one shape

        Returns
        -------
        ndarray
        """
        factor = self._wing(radius_px)
        return factor if self.lopsided is None else factor * self.lopsided_at(u_px, v_px)

    def lopsided_at(self, u_px: np.ndarray, v_px: np.ndarray) -> np.ndarray:
        """Factor by which the wings are not round, at offsets as in the middling star.

        Parameters
        ----------
        u_px, v_px : ndarray, any one shape

        Returns
        -------
        ndarray
        """
        return _between_cells(self.lopsided, u_px, v_px, LOPSIDED_STEP * self.fwhm_px)

    def smooth(
        self, dx_px: np.ndarray, dy_px: np.ndarray, warp: np.ndarray = SAME
    ) -> np.ndarray:
        """The same without the table: above 0 everywhere."""
        u, v, shrunk = warped(dx_px, dy_px, warp)
        return self._round_light(u**2 + v**2) * (shrunk * np.float32(self.scale))

    def at_radius(self, radius_px: np.ndarray) -> np.ndarray:
        """Share of a star's light per pixel at this distance, without the table: for sizes, not for
        subtraction."""
        square = np.asarray(radius_px) ** 2
        return moffat(square, self.fwhm_px, self.beta) * self._wing(radius_px) * self.scale

    def _round_light(self, square_px2: np.ndarray) -> np.ndarray:
        """The round profile at squared distances, Moffat and wings: some ten times as quick as
        `at_radius`."""
        first, slope, per_cell = self._straight_pieces
        place = np.log(square_px2 * steepness(self.fwhm_px, self.beta) + 1) * per_cell
        cell = np.minimum(place.astype(np.intp), RADIAL_CELLS - 1)
        place *= slope.take(cell)
        place += first.take(cell)
        return np.exp(place)

    @cached_property
    def _straight_pieces(self) -> tuple[np.ndarray, np.ndarray, float]:
        """The logarithm of the round profile in straight pieces of ln(1 + steepness r^2), in which
        the Moffat profile itself is straight, and wings are nearly: where each begins if it went
        back to 0, how it goes on a cell, and how many cells make 1. The last goes on for ever."""
        steep = steepness(self.fwhm_px, self.beta)
        step = np.log1p(steep * (RADIAL_FWHM * self.fwhm_px) ** 2) / RADIAL_CELLS
        number = np.arange(RADIAL_CELLS + 1)
        radius = np.sqrt(np.expm1(number * step) / steep)
        peak = np.log(moffat(0.0, self.fwhm_px, self.beta))
        light = peak - self.beta * number * step + self._ln_wing(radius)
        slope = np.diff(light)
        first = light[:-1] - number[:-1] * slope
        return first.astype(np.float32), slope.astype(np.float32), float(1 / step)

    def normalised(self) -> "Psf":
        """The same profile with its light, the power law of its wings to infinity included, summing
        to 1."""
        radius = np.ceil(10 * self.fwhm_px)
        dx, dy = disc_offsets(radius)
        steepness = -min(self.wing_slope, SHALLOWEST_WING - 0.5) - 2
        beyond = 2 * np.pi * radius**2 * float(self.at_radius(radius)) / steepness
        inside = float(self(dx.astype(np.float32), dy.astype(np.float32)).sum(dtype=float))
        return replace(self, scale=self.scale / (inside + beyond))

    def _add_table(self, light, square, u_px, v_px) -> None:
        """Add what the core differs from the Moffat profile by, where the table reaches."""
        reach_px = TABLE_STEP * self.fwhm_px * (len(self.table) // 2)
        core = square < reach_px**2  # the table fades to 0 within this circle
        if 2 * np.count_nonzero(core) > core.size:
            light += self._table_at(u_px, v_px)
        else:
            light[core] += self._table_at(u_px[core], v_px[core])

    def _table_at(self, u_px, v_px):
        """The table between its cells; 0, as its rim is, beyond."""
        return _between_cells(self.table, u_px, v_px, TABLE_STEP * self.fwhm_px)

    def _wing(self, radius_px: np.ndarray) -> np.ndarray:
        """Factor on the Moffat profile."""
        return np.exp(self._ln_wing(radius_px))

    def _ln_wing(self, radius_px: np.ndarray) -> np.ndarray:
        """Its logarithm: interpolated over that of the radius, a power law beyond."""
        log_r, log_f = np.log(self.wing_radius_px), np.log(self.wing_factor)
        beyond = np.log(np.maximum(radius_px, self.wing_radius_px[0]))
        farther = np.maximum(beyond - log_r[-1], 0)
        core = self.beta * (self._ln_rise(farther + log_r[-1]) - self._ln_rise(log_r[-1]))
        return np.interp(beyond, log_r, log_f) + farther * self.wing_slope + core

    def _ln_rise(self, log_radius: np.ndarray) -> np.ndarray:
        """What the Moffat profile is the power of, by the logarithm of the radius."""
        return np.log1p(steepness(self.fwhm_px, self.beta) * np.exp(2 * log_radius))


def with_factors(psf: Psf, radius_px: np.ndarray, factor: np.ndarray) -> Psf:
    """The profile with its light times factors, beyond the last of these radii as a power law.

    Parameters
    ----------
    psf : Psf
    radius_px, factor : ndarray, (k,)
        The first factor is 1: nearer than its radius the profile stays.

    Returns
    -------
    Psf
    """
    between = psf.wing_radius_px[psf.wing_radius_px < radius_px[-1]]
    knots = np.union1d(between, radius_px)
    times = np.exp(np.interp(np.log(knots), np.log(radius_px), np.log(factor)))
    light = psf.at_radius(knots) / psf.scale * times
    return with_light(psf, knots, light, WING_END * radius_px[-1])


def with_light(psf: Psf, radius_px: np.ndarray, light: np.ndarray, tail_px: float) -> Psf:
    """The profile with other wings.

    Parameters
    ----------
    psf : Psf
    radius_px, light : ndarray, (k,)
        What it is at these radii, before its scale.
    tail_px : float
        From here on the light tells the slope beyond the last radius.

    Returns
    -------
    Psf
    """
    end = radius_px >= tail_px
    slope = np.polyfit(np.log(radius_px[end]), np.log(light[end]), 1)[0]
    return replace(
        psf,
        wing_radius_px=radius_px,
        wing_factor=light / moffat(radius_px**2, psf.fwhm_px, psf.beta),
        wing_slope=float(np.clip(slope, STEEPEST_WING, SHALLOWEST_WING)),
    )


def _between_cells(cells: np.ndarray, u_px, v_px, step_px: float) -> np.ndarray:
    """A square map of cells at offsets from its middle, linear in between; its rim beyond."""
    side = len(cells)
    column, across = _cell_and_way(u_px, side, step_px)
    row, down = _cell_and_way(v_px, side, step_px)
    first = row * side + column
    cells = cells.ravel()
    upper = cells.take(first)
    upper += across * (cells.take(first + 1) - upper)
    lower = cells.take(first + side)
    lower += across * (cells.take(first + (side + 1)) - lower)
    upper += down * (lower - upper)
    return upper


def _cell_and_way(offset_px, side: int, step_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Cell before each offset along one axis, and how far it is on the way to the next."""
    place = np.float32(offset_px) * np.float32(1 / step_px) + np.float32(side // 2)
    place = np.clip(place, 0, side - 1)
    cell = np.minimum(place.astype(np.intp), side - 2)
    return cell, place - cell.astype(np.float32)


def textbook_psf(
    fwhm_px: float, beta: float, core_fwhm: float, shift_px: tuple[float, float] = (0.0, 0.0)
) -> Psf:
    """A Moffat profile and nothing else; its wings may be measured beyond ``core_fwhm`` widths."""
    return Psf(
        shift_px=shift_px,
        fwhm_px=fwhm_px,
        beta=beta,
        table=np.zeros((3, 3), np.float32),
        wing_radius_px=np.full(1, core_fwhm * fwhm_px),
        wing_factor=np.ones(1),
        wing_slope=max(-2 * beta, STEEPEST_WING),
        stars=0,
        residual=np.nan,
    )


def moffat(square_px2: np.ndarray, fwhm_px: float, beta: float) -> np.ndarray:
    """Round profile of unit flux at squared distances (Moffat 1969, A&A 3, 455), in their
    precision."""
    steep = steepness(fwhm_px, beta)
    peak = (beta - 1) / np.pi * steep
    return float(peak) * np.exp(-float(beta) * np.log1p(steep * square_px2))


def steepness(fwhm_px: float, beta: float) -> float:
    """What squared distances are multiplied by in a Moffat profile."""
    return float(4 * (2 ** (1 / beta) - 1) / fwhm_px**2)


def over_pixels(
    dx_px: np.ndarray, dy_px: np.ndarray, fwhm_px: float, beta: float
) -> np.ndarray:
    """The profile integrated over pixels, by two Gauss-Legendre nodes each way."""
    node = 0.5 / np.sqrt(3)
    return sum(
        moffat((dx_px + across) ** 2 + (dy_px + down) ** 2, fwhm_px, beta) / 4
        for across in (-node, node)
        for down in (-node, node)
    )
