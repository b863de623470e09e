"""The controls: buttons, sliders and fields, each with its name and, where it has one, its key."""

from bokeh.models import Button, Checkbox, Div, Select, Slider, TextInput, Toggle

from ..choices import Settings
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
STARS_ALONE = (
    "star_strength",
    "star_size",
    "brightest",
    "star_brightness",
    "saturation",
    "warmth",
)
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
    "whole": ("Whole frame", "0", "show all of the frame"),
    "full_size": ("100 %", "1", "one pixel of the frame on one of the screen"),
    "closer": ("Closer", "+", "zoom in"),
    "farther": ("Farther", "-", "zoom out"),
    "next": ("Next star", "n", "choose the next star of the fit, the worst residual first"),
    "previous": ("Previous star", "p", "choose the one before"),
    "leave_out": ("Leave out", "x", "leave the chosen stars out of the fit"),
    "take_back": ("Take back in", "t", "let the chosen stars take part again"),
    "save": ("Save files", "Ctrl+S", "write the same files as `starcal run`"),
}


def button(name: str) -> Button:
    """A button of the page; a key presses it, too."""
    label, key, what = BUTTONS[name]
    return Button(
        name=name,
        label=label,
        tags=[key],
        stylesheets=[sheet()],
        html_attributes={"title": f"{what} (key {key})"},
    )


def stars_toggle() -> Toggle:
    """Whether stars are marked in the picture."""
    return Toggle(
        name="marks",
        label="Stars",
        active=True,
        tags=["s"],
        stylesheets=[sheet()],
        html_attributes={"title": "mark the stars by the source of their colour (key s)"},
    )


def plots_toggle() -> Toggle:
    """Whether plots are shown below the picture; at first the page looks whether there is room."""
    return Toggle(
        name="plots",
        label="Plots",
        active=True,
        tags=["g"],
        stylesheets=[sheet()],
        html_attributes={"title": "show the plots below the picture (key g)"},
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
        stylesheets=[sheet()],
    )


def setting_sliders(settings: Settings) -> dict[str, Slider]:
    """A slider for each setting that is a number, wide enough for what was set before."""
    return {
        name: Slider(
            name=name,
            title=label,
            start=min(low, value := getattr(settings, name)),
            end=max(high, value),
            value=value,
            step=step,
            sizing_mode="stretch_width",
            margin=(0, 5, 0, 5),
            stylesheets=[sheet()],
        )
        for name, (label, low, high, step) in SLIDERS.items()
    }


def star_sliders(settings: Settings, star_count: int) -> dict[str, Slider]:
    """The sliders of stars that are laid over a nebula."""
    ranges = {name: SLIDERS[name] for name in STARS_ALONE if name in SLIDERS}
    ranges["star_strength"] = ("Star stretch", 0.1, 5.0, 0.05)
    ranges["brightest"] = ("Stars kept", 1, max(star_count, 2), 1)
    made = {}
    for name in STARS_ALONE:
        label, low, high, step = ranges[name]
        value = getattr(settings, name)
        made[name] = Slider(
            name=name,
            title=label,
            start=low,
            end=high,
            value=high if value is None else value,
            step=step,
            sizing_mode="stretch_width",
            margin=(0, 5, 0, 5),
            stylesheets=[sheet()],
        )
    return made


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
