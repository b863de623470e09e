"""The commands whose result is a page of its own: an audit, an exposure plan."""

from numpy.typing import NDArray

from ..audit import audit_picture
from ..choices import default_of
from ..draw.preview import Shown
from ..draw.tone import choose_stretch
from ..frame import Frame, in_srgb, read_frame
from ..place.hints import place_given
from ..plan import (
    BORTLE_SKY_MAG,
    Kit,
    Night,
    field_of_frame,
    field_of_sensor,
    focal_length_mm,
    plan_exposures,
)
from ..report.page import write_audit, write_plan
from .files import require_outputs
from .terminal import ProgressBar, show, told

STRETCHED = {"auto": None, "yes": True, "no": False}
# What a plan asks of whoever plans; `USUAL` has what holds where they do not say.
ASKED = ("aperture_mm", "focal_mm", "pixel_um", "full_well", "read_noise", "efficiency")
ASKED += ("bortle", "fwhm_arcsec", "faint_mag", "pixels")


def audit(options) -> int:
    """Count the stars of impossible colours in a picture."""
    if options.report:
        require_outputs(options, options.report, fits=False)
    with ProgressBar(options) as bar:
        bar("reading", 0)
        frame = read_frame(options.picture)
        bar("judging the stars", 0.2)
        judged = audit_picture(
            frame,
            neutral_bv=options.neutral_bv,
            stretched=STRETCHED[options.stretched],
        )
        if options.report:
            picture = _for_display(frame, judged.stretched)
            write_audit(options.report, judged, picture, overwrite=options.overwrite)
    show(options, judged.to_dict(), told(options, judged))
    return 0


def _for_display(frame: Frame, stretched: bool) -> NDArray | Shown:
    """A frame's pixels as they are looked at."""
    if stretched:
        return in_srgb(frame).pixels
    return Shown((frame.pixels,), choose_stretch(frame.pixels).apply)


def plan(options) -> int:
    """Plan the exposures of a separate star frame."""
    if options.dec is not None and options.ra is None:
        given = "--for FRAME" if options.picture else "--object NAME"
        options.plan_parser.error(f"--dec goes with --ra: {given} tells both")
    if options.output:
        require_outputs(options, options.output, fits=False)
    unsaid = _fill_in(options)
    sky_mag = BORTLE_SKY_MAG[options.bortle] if options.sky_mag is None else options.sky_mag
    night = Night(sky_mag, options.fwhm_arcsec)
    planned = plan_exposures(
        *_field_and_kit(options), night, faint_mag=options.faint_mag, unsaid=unsaid
    )
    text = told(options, planned)
    if options.output:
        write_plan(options.output, planned, overwrite=options.overwrite)
        text += f"\nwritten: {options.output}"
    show(options, planned.to_dict() | {"output": options.output}, text)
    return 0


def _fill_in(options) -> list[str]:
    """Put what is usual where nothing was typed, and name it; a frame tells its own focal length
    and pixels, a sky meter the sky."""
    unsaid = [name for name in ASKED if getattr(options, name) is None]
    told_by_frame = ("focal_mm", "pixels") if options.picture else ()
    if options.sky_mag is not None:
        unsaid.remove("bortle")
    unsaid = [name for name in unsaid if name not in told_by_frame]
    for name in unsaid:
        setattr(options, name, default_of(name))
    return unsaid


def _field_and_kit(options):
    """The field to plan for, and the telescope and camera: those typed, else those of a frame."""
    if not options.picture:
        kit = _kit(options, options.focal_mm)
        middle = place_given(options.ra, options.dec, options.object)
        return field_of_sensor(kit, options.pixels, middle), kit
    frame = read_frame(options.picture, cells=True)
    field, scale_arcsec = field_of_frame(frame)
    kit = _kit(options, focal_length_mm(options.pixel_um, scale_arcsec / frame.cell_px))
    if options.focal_mm is None and options.pixels is None:
        return field, kit
    height, width = (side * frame.cell_px for side in frame.pixels.shape[1:])
    return field_of_sensor(kit, options.pixels or (width, height), field), kit


def _kit(options, focal_mm: float) -> Kit:
    return Kit(
        aperture_mm=options.aperture_mm,
        focal_mm=options.focal_mm or focal_mm,
        pixel_um=options.pixel_um,
        full_well_electrons=options.full_well,
        read_noise_electrons=options.read_noise,
        efficiency=options.efficiency,
    )
