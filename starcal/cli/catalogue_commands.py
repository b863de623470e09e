"""The commands about the star catalogues and their cache."""

from dataclasses import asdict

from ..catalogue import cache, embedded
from ..catalogue.choose import fetch as fetch_field
from ..catalogue.deep import deep_info, deep_path, verify_deep
from ..catalogue.request import FieldRequest
from ..choices import DEEP, default_of
from ..frame import read_frame
from ..inputs import at_home
from ..place.hints import place_given
from ..place.locate import field_of
from ..texts import aligned, counted, path_as_typed
from .terminal import ProgressBar, show, width


def fetch(options) -> int:
    """Put a field into the cache."""
    request = FieldRequest(options.catalogue, *_typed_circle(options), options.limit)
    with ProgressBar(options) as bar:
        bar(f"asking {options.catalogue}", 0.1)
        fetched = fetch_field(request, timeout_s=options.timeout)
    show(options, asdict(fetched), fetched)
    return 0


def _typed_circle(options) -> tuple[float, float, float]:
    """Centre and radius that were typed, or that a frame fills, degrees."""
    if options.frame:
        for name in ("dec", "radius"):
            if getattr(options, name) is not None:
                options.fetch_parser.error(f"--{name} given, but --for FRAME tells the field")
        return field_of(read_frame(options.frame, cells=True))
    radius_deg = default_of("radius") if options.radius is None else options.radius
    return *place_given(options.ra, options.dec, options.object), radius_deg


def build(options) -> int:
    """Make the deep table."""
    from ..catalogue.deep_build import build_deep  # the client of the network takes 0.3 s

    path = at_home(options.out) if options.out else deep_path()
    with ProgressBar(options) as bar:
        made = build_deep(path, options.limit, progress=bar, overwrite=options.overwrite)
    known = path.resolve() == deep_path().resolve()
    advice = (
        "" if known else f"\nto use it: export STARCAL_DEEP={path_as_typed(path.resolve())}"
    )
    show(options, asdict(made), f"{made}{advice}")
    return 0


def list_fields(options) -> int:
    """List what the cache holds."""
    fields, notes = cache.fields()
    folder = str(cache.cache_folder())
    facts = {
        "folder": folder,
        "fields": [asdict(field) for field in fields],
        "notes": list(notes),
    }
    head = f"{counted(len(fields), 'field')} in {folder}"
    show(options, facts, "\n".join([head, *map(str, fields), *notes]))
    return 0


def info(options) -> int:
    """Say what the embedded catalogue is, or a field of the cache."""
    if options.name == DEEP:
        table = deep_info()
        show(options, asdict(table), table)
    elif options.name:
        field = cache.field_info(options.name)
        show(options, asdict(field), field)
    else:
        facts = asdict(embedded.info())
        show(options, facts, _aligned(facts))
    return 0


def verify(options) -> int:
    """Compare the catalogues' files with their checksums."""
    if options.name == DEEP:
        table = verify_deep()
        show(options, asdict(table), f"{table}\nit has its checksum")
        return 0
    facts = {} if options.name else asdict(embedded.verify())
    fields = cache.verify_fields(options.name)
    text = (
        f"of {counted(len(fields), 'field')} of the cache and of the catalogue, every file has its "
        "checksum"
    )
    lines = [_aligned(facts), text] if facts else [text]
    show(options, facts | {"fields": [asdict(field) for field in fields]}, "\n".join(lines))
    return 0


def forget(options) -> int:
    """Remove a field from the cache, or all of them."""
    gone = [str(path) for path in cache.forget(options.name)]
    text = "\n".join([f"{counted(len(gone), 'field')} removed", *gone])
    show(options, {"removed": gone}, text)
    return 0


def _aligned(facts: dict) -> str:
    return "\n".join(aligned([(name, str(value)) for name, value in facts.items()], width()))
