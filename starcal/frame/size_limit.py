"""How large a packed picture may be: small files may hold large even pictures, and decoding asks
for all the memory at once."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

from ..choices import MOST_MEGAPIXELS
from ..errors import FrameError

LIMIT_MPX = ContextVar("pixels that a picture may have", default=MOST_MEGAPIXELS)


@contextmanager
def up_to_megapixels(limit_mpx: float) -> Iterator[None]:
    """Decode pictures (TIFF, PNG, JPEG) up to a size inside; larger ones are refused.

    Parameters
    ----------
    limit_mpx : float
        Millions of pixels, above 0; outside such a block `choices.MOST_MEGAPIXELS`.
    """
    token = LIMIT_MPX.set(limit_mpx)
    try:
        yield
    finally:
        LIMIT_MPX.reset(token)


def require_within_limit(path: Path, width: int, height: int) -> None:
    """Refuse a picture that is larger than allowed, before it is decoded.

    Parameters
    ----------
    path : Path
    width, height : int
        As its header claims, px.

    Raises
    ------
    FrameError
    """
    limit_mpx = LIMIT_MPX.get()
    if width * height > limit_mpx * 1e6:
        raise FrameError(
            f"{path.name}: it holds {width} x {height} pixels, more than {limit_mpx:g} million. "
            f"If that is right, type: --max-megapixels {-(-width * height // 10**6)}"
        )
