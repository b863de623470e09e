"""Frames: pixels, where they are on the sky, and what is known of them; reading and writing.

One idea a file: `reading` puts a `Frame` together, `given` takes whatever a program has in place of
a file, `fits_files` and `pictures` fetch planes and header from FITS and from TIFF, PNG, JPEG
(`tiff_pages` which of a TIFF's, `upright` the right way up, `mosaic` a raw one's cells), `cards`
and `size_limit` refuse what claims too much, `room` is where large frames lie, `levels` finds the
full scale, blank borders and dead channels, `sky` makes sense of the header (WCS, epoch),
`celestial` turns other celestial frames to ICRS, `wcs_files` reads a WCS given apart, `regrid` puts
one grid onto another. `targets` judges where outputs may go, `whole` lets them take their names
complete or not at all, `locks` keeps others away meanwhile, `output` writes FITS and TIFF,
`in_kind` the format that a picture came in, `spaces` knows colour spaces by their profiles,
`displayed` takes pictures to sRGB, `straight_pieces` reads curves quickly, `steps` tells how coarse
channels were before they were moved, `inbox` keeps what a browser hands over.
"""

from .displayed import in_srgb
from .fits_files import COMPOSE, read_fits_table
from .in_kind import (
    JPEG_QUALITY,
    write_fits_in_kind,
    write_in_kind,
    write_jpeg,
)
from .inbox import Inbox, lasting_path, pictures_in
from .output import add_fits_table, write_bytes, write_fits, write_tiff16
from .pictures import PAIR_MARK, icc_profile_of, kind_of
from .reading import (
    Frame,
    Plane,
    filters_of,
    frame_of_planes,
    read_frame,
    read_plane,
    require_there,
)
from .size_limit import up_to_megapixels
from .sky import (
    ONE_SOLUTION_PX,
    corners_apart_px,
    pixel_scale_arcsec,
    pixels_of,
    require_same_place,
    require_wcs,
    undistorted,
    with_wcs,
)
from .spaces import SRGB, ColourSpace, colour_space, other_than_srgb
from .targets import check_folder, check_output, made_folder, require_not_inputs
from .wcs_files import write_wcs
from .whole import atomic_files, atomic_folder, atomic_write, settle

__all__ = [
    "COMPOSE",
    "JPEG_QUALITY",
    "ONE_SOLUTION_PX",
    "PAIR_MARK",
    "SRGB",
    "ColourSpace",
    "Frame",
    "Inbox",
    "Plane",
    "add_fits_table",
    "atomic_files",
    "atomic_folder",
    "atomic_write",
    "check_folder",
    "check_output",
    "colour_space",
    "corners_apart_px",
    "filters_of",
    "frame_of_planes",
    "icc_profile_of",
    "in_srgb",
    "kind_of",
    "lasting_path",
    "made_folder",
    "other_than_srgb",
    "pictures_in",
    "pixel_scale_arcsec",
    "pixels_of",
    "read_fits_table",
    "read_frame",
    "read_plane",
    "require_not_inputs",
    "require_same_place",
    "require_there",
    "require_wcs",
    "settle",
    "undistorted",
    "up_to_megapixels",
    "with_wcs",
    "write_bytes",
    "write_fits",
    "write_fits_in_kind",
    "write_in_kind",
    "write_jpeg",
    "write_tiff16",
    "write_wcs",
]
