"""The commands whose result is a page of its own: an audit, an exposure plan."""

from astropy.io.fits import Header

from ..audit import audit_picture
from ..frame import read_frame
from ..place.hints import hints_from_header
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
USUAL_PIXELS = (6000, 4000)  # of a sensor that nobody has described


def audit(options) -> int:
    """Count the stars of impossible colours in a picture."""
    if options.report:
        require_outputs(options, options.report, fits=False)
    with ProgressBar(options) as bar:
        bar("reading", 0)
        frame = read_frame(options.picture)
        bar("judging the stars", 0.2)
        judged = audit_picture(
            frame.pixels,
            name=frame.name,
            neutral_bv=options.neutral_bv,
            stretched=STRETCHED[options.stretched],
        )
        if options.report:
            write_audit(options.report, judged, overwrite=options.overwrite)
    show(options, judged.to_dict(), told(options, judged))
    return 0


def plan(options) -> int:
    """Plan the exposures of a separate star frame."""
    if options.dec is not None and options.ra is None:
        given = "--for FRAME" if options.picture else "--object NAME"
        options.plan_parser.error(f"--dec goes with --ra: {given} tells both")
    if options.output:
        require_outputs(options, options.output, fits=False)
    sky_mag = BORTLE_SKY_MAG[options.bortle] if options.sky_mag is None else options.sky_mag
    night = Night(sky_mag, options.fwhm_arcsec)
    planned = plan_exposures(*_field_and_kit(options), night, faint_mag=options.faint_mag)
    text = told(options, planned)
    if options.output:
        write_plan(options.output, planned, overwrite=options.overwrite)
        text += f"\nwritten: {options.output}"
    show(options, planned.to_dict() | {"output": options.output}, text)
    return 0


def _field_and_kit(options):
    """The field to plan for, and the telescope and camera: those typed, else those of a frame."""
    if not options.picture:
        kit = _kit(options, Kit.focal_mm)
        return field_of_sensor(kit, options.pixels or USUAL_PIXELS, _typed_middle(options)), kit
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


def _typed_middle(options) -> tuple[float, float]:
    """The middle of the field that was typed, degrees."""
    hints = hints_from_header(
        Header(), ra=options.ra, dec=options.dec, scale_arcsec=1.0, named=options.object
    )
    return hints.ra_deg, hints.dec_deg
