"""How the page looks: dark, in fonts of the machine it is shown on, every mark told apart by its
shape."""

from pathlib import Path

from bokeh.document import Document
from bokeh.models import InlineStyleSheet
from bokeh.themes import Theme
from jinja2 import Environment, FunctionLoader, Template

INK, DIM_INK, PAPER, PANEL, RULE = "#e4e7ec", "#aab1bd", "#0d0f13", "#171a20", "#3c434f"
LINE, FAINT_LINE = "#f2f4f7", "#8b93a1"
CHOSEN = "#ffffff"

# Hues of Okabe & Ito (2008, Color Universal Design), which differ for every kind of eye; the shape
# says the same.
SOURCE_MARKS = {
    "gains": ("circle", "#56b4e9"),
    "catalogue": ("square", "#56b4e9"),
    "star frame": ("star", "#f2f4f7"),
    "continuum": ("triangle", "#e69f00"),
    "catalogue+continuum": ("diamond", "#5fd3a8"),
    "field spread": ("inverted_triangle", "#f0e442"),
    "field median": ("plus", "#cc79a7"),
    "palette": ("hex", "#cc79a7"),
    # of stretched pictures
    "own hue": ("circle_dot", "#5fd3a8"),
    "field": ("inverted_triangle", "#e69f00"),
    "kept": ("dash", "#7d8695"),
}
STATE_MARKS = {
    "used": ("circle", "#56b4e9"),
    "outlier": ("x", "#e69f00"),
    "left out": ("square_x", "#f0e442"),
    "not used": ("triangle", "#7d8695"),
}
BEFORE_MARK, AFTER_MARK = ("triangle", DIM_INK), ("circle", "#56b4e9")
SHAPES = {
    "circle": "○",
    "square": "□",
    "triangle": "△",
    "star": "☆",
    "diamond": "◇",
    "inverted_triangle": "▽",
    "plus": "+",
    "x": "×",
    "square_x": "⊠",
    "hex": "⬡",
    "circle_dot": "⊙",
    "dash": "−",
}

FONT = "system-ui, sans-serif"

THEME = Theme(
    json={
        "attrs": {
            "Plot": {
                "background_fill_color": PAPER,
                "border_fill_color": PAPER,
                "outline_line_color": RULE,
            },
            "Grid": {"grid_line_color": "#262b33"},
            "Axis": {
                "axis_line_color": RULE,
                "major_tick_line_color": RULE,
                "minor_tick_line_color": None,
                "major_label_text_color": INK,
                "axis_label_text_color": INK,
                "major_label_text_font": FONT,
                "axis_label_text_font": FONT,
                "major_label_text_font_size": "13px",
                "axis_label_text_font_size": "13px",
                "axis_label_text_font_style": "normal",
            },
            "Title": {
                "text_color": INK,
                "text_font": FONT,
                "text_font_size": "14px",
                "text_font_style": "normal",
            },
            "Legend": {
                "background_fill_color": PANEL,
                "background_fill_alpha": 0.85,
                "border_line_color": RULE,
                "label_text_color": INK,
                "label_text_font": FONT,
                "label_text_font_size": "12px",
                "padding": 4,
                "spacing": 1,
                "glyph_height": 14,
            },
        }
    }
)


def sheet() -> InlineStyleSheet:
    """What every control on the page wears."""
    return InlineStyleSheet(css=_beside("controls.css"))


def template(name: str) -> Template:
    """The page round the plots, or another one; what they share is `layout.html`, of those before
    there are plots `plain.html`."""
    return Environment(loader=FunctionLoader(_beside)).get_template(name)


def furnish(document: Document, template_name: str) -> None:
    """Give a page its look and its frame; a lost connection it tells itself."""
    document.config.update(notify_connection_status=False, reconnect_session=False)
    document.theme, document.template = THEME, template(template_name)


def moves() -> str:
    """The script that runs in the browser: divider, zoom, keys, choices."""
    return _beside("moves.js") + _beside("choices.js")


def _beside(name: str) -> str:
    return Path(__file__).with_name(name).read_text(encoding="utf-8")


def legend_html(
    marks: dict[str, tuple[str, str]], tally: dict[str, int], heading: str = ""
) -> str:
    """Shapes, their meaning, and how many there are of each."""
    entries = (
        f"<span class='entry'><span style='color:{marks[name][1]}'>{SHAPES[marks[name][0]]}</span> "
        f"{name} "
        f"{count}</span>"
        for name, count in tally.items()
    )
    return f"<p>{heading} {' '.join(entries)}</p>"


def plots_key_html() -> str:
    """What the lines and marks of the plots mean, besides the states of the stars."""
    entries = (
        (LINE, "━", "fit; real stars"),
        (FAINT_LINE, "╌", "channels of full star colour"),
        (BEFORE_MARK[1], SHAPES[BEFORE_MARK[0]], "before"),
        (AFTER_MARK[1], SHAPES[AFTER_MARK[0]], "after"),
    )
    return (
        "<p>"
        + " ".join(
            f"<span class='entry'><span style='color:{colour}'>{shape}</span> {meaning}</span>"
            for colour, shape, meaning in entries
        )
        + "</p>"
    )
