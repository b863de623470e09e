"""A frame without its stars, held in the memory of what is hidden under them."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..frame.room import room_for


@dataclass(frozen=True, eq=False, kw_only=True)
class Starless:
    """The frame itself, but for the footprints of stars. It gives its channels one by one, made
    then, each in the room of the one before it.

    Attributes
    ----------
    frame : ndarray, (3, y, x) float32
    footprint : ndarray of bool, (y, x)
    hidden : ndarray, (3, n) float32
        What the pixels of the footprint would be, row by row.
    """

    frame: NDArray[np.float32]
    footprint: NDArray[np.bool_]
    hidden: NDArray[np.float32]

    @classmethod
    def left_by(
        cls,
        stars: NDArray[np.float32],
        frame: NDArray[np.float32],
        footprint: NDArray[np.bool_],
    ) -> "Starless":
        """What a star layer leaves of a frame.

        Parameters
        ----------
        stars, frame : ndarray, (3, y, x) float32
        footprint : ndarray of bool, (y, x)
            The layer is 0 elsewhere.

        Returns
        -------
        Starless
        """
        hidden = room_for((len(frame), np.count_nonzero(footprint)))
        for own, plane, light in zip(hidden, frame, stars, strict=True):
            np.subtract(plane[footprint], light[footprint], out=own)
        return cls(frame=frame, footprint=footprint, hidden=hidden)

    @property
    def shape(self) -> tuple[int, ...]:
        """Channels, rows and columns."""
        return self.frame.shape

    @property
    def ndim(self) -> int:
        """Number of its axes."""
        return self.frame.ndim

    def __len__(self) -> int:
        """How many channels."""
        return len(self.frame)

    def __iter__(self) -> Iterator[NDArray[np.float32]]:
        """The channels, each until the next is asked for."""
        whole = room_for(self.shape[1:])
        for plane, own in zip(self.frame, self.hidden, strict=True):
            whole[:] = plane
            whole[self.footprint] = own
            yield whole

    def __array__(self, dtype=None, copy=None) -> NDArray:
        """All of it, an array of its own."""
        whole = room_for(self.shape)
        for plane, own in zip(whole, self, strict=True):
            plane[:] = own
        return np.asarray(whole, dtype=dtype)
