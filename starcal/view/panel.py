"""The controls: buttons, sliders and fields, each with its name and, where it has one, its key."""

from bokeh.models import Button, Checkbox, Div, Select, Slider, TextInput, Toggle

from ..choices import Settings, default_of
from .looks import sheet

# Setting: label, lowest, highest, step. Stars of warmth 0 and 2 are a usual spread of colour bluer
# and redder.
SLIDERS = {
    "warmth": ("Warmth", -1.0, 3.0, 0.05),
    "saturation": ("Saturation", 0.0, 3.0, 0.05),
    "star_brightness": ("Star brightness", 0.1, 3.0, 0.05),
    "star_size": ("Star size", 0.4, 1.5, 0.05),
    "black": ("Black point", -2.0, 1.0, 0.05),
    "strength": ("Stretch", 0.1, 5.0, 0.05),
}
OPEN_ENDED = ("brightest", "faintest_mag")  # at the end of the slider: all stars
STARS_ALONE = (
    "star_strength",
    "star_size",
    *OPEN_ENDED,
    "star_brightness",
    "saturation",
    "warmth",
)
BEFORE = "before"  # in the place of a route
ROUTE_LABELS = {
    "best": "best for this frame",
    "gains": "gains for the whole frame",
    "catalogue": "catalogue, star by star",
    "continuum": "continuum, star by star",
    "palette": "palette: one yellow-white",
}

# Name: label, the key that presses it, what it does.
BUTTONS = {
    "undo": ("Undo", "u", "take the last choice back"),
    "redo": ("Redo", "r", "make it hold again"),
    "reset": ("Usual values", "d", "put every slider where it usually stands"),
    "whole": ("Whole", "0", "show all of the frame"),
    "full_size": ("100 %", "1", "one pixel of the frame on one of the screen"),
    "full_screen": ("Full screen", "f", "the picture alone, and back"),
    "closer": ("Closer", "+", "zoom in"),
    "farther": ("Farther", "-", "zoom out"),
    "next": ("Next star", "n", "choose the next star of the fit, the worst residual first"),
    "previous": ("Previous star", "p", "choose the one before"),
    "leave_out": ("Leave out", "x", "leave the chosen stars out of the fit"),
    "take_back": ("Take back in", "t", "let the chosen stars take part again"),
    "export": (
        "Picture as PNG",
        "e",
        "save what is seen, as it is seen, in the browser's folder",
    ),
    "save": ("Save files", "Ctrl+S", "write the same files as `starcal run`"),
}


def button(name: str) -> Button:
    """A button of the page; a key presses it, too."""
    label, key, what = BUTTONS[name]
    return Button(
        name=name,
        label=label,
        tags=[key],
        margin=0,  # the lines that buttons stand in have gaps
        stylesheets=[sheet()],
        html_attributes={"title": f"{what} (key {key})"},
    )


def stars_toggle() -> Toggle:
    """Whether stars are marked in the picture."""
    return _toggle("marks", "Stars", "s", "mark the stars by the source of their colour")


def shapes_toggle(known: bool) -> Toggle:
    """Whether the shapes of the stars from place to place are drawn over the picture."""
    what = "map of the stars' shapes, drawn out five times"
    return _toggle("shapes", "Shapes", "m", what, disabled=not known)


def plots_toggle() -> Toggle:
    """Whether plots are shown below the picture; at first it has the room to itself."""
    return _toggle("plots", "Plots", "g", "show the plots below the picture")


def _toggle(name: str, label: str, key: str, what: str, **state: bool) -> Toggle:
    """A switch of what is seen, off at first; a key turns it, too."""
    return Toggle(
        name=name,
        label=label,
        margin=0,
        tags=[key],
        stylesheets=[sheet()],
        html_attributes={"title": f"{what} (key {key})"},
        **state,
    )


def divider_slider() -> Slider:
    """Where the divider stands, in percent of the picture's width."""
    return Slider(
        name="split",
        title="",
        show_value=False,
        start=0,
        end=100,
        value=50,
        step=0.5,
        width=110,
        margin=(5, 5, 5, 16),  # its handle reaches beyond its left end
        stylesheets=[sheet()],
    )


def setting_sliders(
    settings: Settings, numbers: dict[str, tuple[float, float]]
) -> dict[str, Slider]:
    """A slider for each setting that is a number; ``numbers`` are the ends of those that the job
    tells."""
    ranges = SLIDERS | _numbers_ranges(numbers)
    return {name: _slider(name, ranges[name], settings) for name in ranges}


def _numbers_ranges(numbers: dict[str, tuple[float, float]]) -> dict[str, tuple]:
    """Of sliders of how many stars there are."""
    words = {"brightest": ("Stars kept", 1), "faintest_mag": ("Faintest V", 0.1)}
    return {name: (words[name][0], *ends, words[name][1]) for name, ends in numbers.items()}


def _slider(name: str, ranges: tuple, settings: Settings) -> Slider:
    """A slider wide enough for what was set before; its tag is its usual value."""
    label, low, high, step = ranges
    usual = default_of(name)
    value = getattr(settings, name)
    stand = high if value is None else value
    return Slider(
        name=name,
        title=label,
        start=min(low, stand),
        end=max(high, stand),
        value=stand,
        step=step,
        tags=[high if usual is None else usual],
        show_value=False,  # a field beside it does, and can be typed into
        sizing_mode="stretch_width",
        margin=(0, 5, 0, 5),
        stylesheets=[sheet()],
    )


def star_sliders(
    settings: Settings, numbers: dict[str, tuple[float, float]]
) -> dict[str, Slider]:
    """The sliders of stars that are laid over a nebula; ``numbers`` as for `setting_sliders`."""
    ranges = SLIDERS | _numbers_ranges(numbers)
    ranges["star_strength"] = ("Star stretch", 0.1, 5.0, 0.05)
    return {
        name: _slider(name, ranges[name], settings) for name in STARS_ALONE if name in ranges
    }


CORES_TICKED = {True: "rebuild", False: "keep"}


def cores_box(settings: Settings) -> Checkbox:
    """Whether clipped cores are rebuilt."""
    return Checkbox(
        name="clipped_cores",
        label="rebuild burnt-out cores",
        active=settings.clipped_cores == CORES_TICKED[True],
        width=200,
        stylesheets=[sheet()],
    )


def route_select(settings: Settings, routes: tuple[str, ...]) -> Select:
    """Which source the colours come from, of those that there are."""
    return Select(
        name="route",
        title="Route",
        value=settings.route,
        sizing_mode="stretch_width",
        stylesheets=[sheet()],
        options=[(name, ROUTE_LABELS[name]) for name in routes],
    )


def bands_field(settings: Settings) -> TextInput:
    """The file with the response curves of the channels."""
    return TextInput(
        name="bands",
        title="Response curves",
        placeholder="a file, if you have them",
        value=settings.bands or "",
        sizing_mode="stretch_width",
        stylesheets=[sheet()],
        html_attributes={
            "title": "ECSV or CSV with wavelength, red, green, blue: a few stars are enough then"
        },
    )


def beside_select(routes: tuple[str, ...]) -> Select:
    """What is seen on the left of the divider: the frame before, or the picture by another
    route."""
    return Select(
        name="beside",
        title="Left of the divider",
        value=BEFORE,
        sizing_mode="stretch_width",
        stylesheets=[sheet()],
        options=[
            (BEFORE, "the frame before"),
            *[(name, ROUTE_LABELS[name]) for name in routes],
        ],
    )


def folder_field(folder: str) -> TextInput:
    """Where the files go."""
    return TextInput(
        name="folder",
        title="Folder for the files",
        value=folder,
        sizing_mode="stretch_width",
        stylesheets=[sheet()],
    )


def overwrite_box(active: bool) -> Checkbox:
    """Whether files of an earlier run may be replaced."""
    return Checkbox(
        name="overwrite",
        label="replace earlier files",
        active=active,
        width=200,
        stylesheets=[sheet()],
    )


def text(name: str, **attributes) -> Div:
    """A place for words that change."""
    return Div(
        name=name,
        text="",
        sizing_mode="stretch_width",
        stylesheets=[sheet()],
        html_attributes={key.replace("_", "-"): value for key, value in attributes.items()},
    )
