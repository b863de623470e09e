"""The page: what is chosen goes in, the picture and the plots follow."""

import asyncio
import shlex
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from bokeh.document import Document, without_document_lock
from bokeh.models import ColumnDataSource

from ..checking.check import LEFT_OUT_REACH_PX
from ..choices import Settings
from ..errors import OutputError, StarcalError
from ..fit.sources import source_tally
from ..pipeline import RunResult, folder_of, run_settings
from ..texts import counted
from . import looks, panel, points, rows
from .choosing import USUAL_SCREEN_PX, ChoicePage, typed_path
from .counting import counted_outcome
from .displayed import DisplayJob
from .history import History
from .job import (
    OF_SINGLE_STARS,
    Cure,
    Job,
    cure_of,
    fitted_alike,
)
from .picture import make_picture, show_halves
from .plots import make_plots
from .visible import after_shown, before_shown
from .words import page_words

CLICK_PX = 15  # of the screen: a click so far from a star still means it
MOST_MARKS = 60  # in the picture at a time, the brightest: more hide it
MOST_NUMBERS = 10  # of chosen stars, beside their rings
COUNT_AFTER_MS = 1500  # without another choice: counting takes seconds of large frames
COUNTING = "Counting the stars of impossible colours …"


class Page(ChoicePage):
    """One open page: the models that it shows and the choices that they stand for.

    Parameters
    ----------
    document : Document
        Of a new session; the page fills it.
    job : Job or DisplayJob
    history : History
        What has been chosen so far.
    out, overwrite
        Where files go and whether they may replace others, at first.
    keep : callable
        Is given each new history, so that a reloaded page finds its choices.
    save : callable
        As `pipeline.run_settings`.
    """

    def __init__(
        self,
        document: Document,
        job: Job | DisplayJob,
        history: History,
        *,
        out: str | None = None,
        overwrite: bool = False,
        keep: Callable[[History], None] = lambda history: None,
        save: Callable[..., RunResult] = run_settings,
    ):
        self.save_files = save
        job = job.with_cores(history.now)
        super().__init__(document, job, history, keep)
        self.check = job.refit(history.now)
        self.cure = cure_of(job, self.check, history.now)
        self.other: Cure | None = None  # what another route makes of it, left of the divider
        self.visible = None
        self.before_seen = None
        self.stars = ColumnDataSource(points.columns_of(self.cure), name="stars")
        self.picture = make_picture(job.shape, self.stars, job.shapes)
        self.plots = make_plots(self.stars)
        self._make_controls(str(out or folder_of(history.now.first_file)), overwrite)
        self._make_texts()
        self._connect()
        self._show_stars()
        self._show_chosen()
        self.plots.show_ranges(
            points.chromaticity_range(
                self.stars.data, points.clear(self.check), self.plots.locus.data
            )
        )
        self._lay_out("page.html", job.frame.name, "star colours", self._roots())
        self.is_open = True
        document.on_session_destroyed(self._closed)
        self._count_soon()

    def _make_controls(self, folder: str, overwrite: bool) -> None:
        now = self.history.now
        self.buttons = {name: panel.button(name) for name in panel.BUTTONS}
        self.sliders = panel.setting_sliders(now, self.job.numbers)
        self.cores = panel.cores_box(now)
        self.route = panel.route_select(now, self.job.routes)
        self.bands = panel.bands_field(now)
        self.folder = panel.folder_field(folder)
        self.overwrite = panel.overwrite_box(overwrite)
        self.marks = panel.stars_toggle()
        self.shapes = panel.shapes_toggle(bool(self.picture.shapes))
        self.beside = panel.beside_select(self.job.routes)

    def _make_texts(self) -> None:
        self.plots_key = panel.text("plots_key")
        self.plots_key.text = looks.plots_key_html()
        self.outcome = panel.text("outcome", role="status", aria_live="polite")
        self.verdict = panel.text("verdict")
        self.legend = panel.text("legend")
        self.states = panel.text("states")
        self.table = panel.text("table", role="region", aria_label="chosen stars")
        self.status = panel.text("status", role="status", aria_live="polite")

    def _roots(self) -> tuple:
        """What stands on the page besides the picture, the buttons and the sliders."""
        switches = (panel.divider_slider(), panel.plots_toggle(), self.marks, self.shapes)
        fields = (self.route, self.beside, self.bands, self.cores, self.folder, self.overwrite)
        texts = (self.outcome, self.verdict, self.legend, self.plots_key, self.states)
        return (*self.plots.figures, *switches, *fields, *texts, self.table, self.status)

    def _connect(self) -> None:
        self._connect_view()
        self._connect_choices()
        self.picture.figure.on_event("tap", self._clicked)
        self.stars.selected.on_change(
            "indices", lambda attribute, old, new: self._show_chosen()
        )
        self.route.on_change("value", lambda attribute, old, new: self.choose(route=new))
        self.bands.on_change("value", lambda attribute, old, new: self._bands_typed(new))
        self.beside.on_change("value", lambda attribute, old, new: self._put_beside())
        self.marks.on_change(
            "active", lambda attribute, old, new: self.picture.marks.update(visible=new)
        )
        self.shapes.on_change("active", lambda attribute, old, new: self._show_shapes(new))
        self._connect_buttons()

    def _connect_buttons(self) -> None:
        act = {
            "leave_out": self.leave_out,
            "take_back": self.take_back,
            "save": self.save,
            "next": partial(self._step, 1),
            "previous": partial(self._step, -1),
        }
        for name, action in act.items():
            self.buttons[name].on_click(action)

    # --- choices ------------------------------------------------------------------------

    def choose(self, **changes) -> None:
        """Change settings by name, and show what comes of it."""
        self.choose_left()
        self._go(self.history.choose(**changes))

    def _bands_typed(self, typed: str) -> None:
        """Fit with the curves of the file that was typed, or without any."""
        try:
            self.choose(bands=str(typed_path(typed)) if typed.strip() else None)
        except OutputError as error:
            self._say(page_words(error))
            self._show_choices()

    def leave_out(self) -> None:
        """Leave the chosen stars out of the fit."""
        self.choose_left()
        if places := self._chosen_places("used", "outlier"):
            self._go(self.history.leave_out(places))
        else:
            self._say(rows.NONE_IN_FIT if self.stars.selected.indices else rows.NOTHING_CHOSEN)

    def take_back(self) -> None:
        """Let the chosen stars take part in the fit again."""
        self.choose_left()
        stars = np.reshape(self._chosen_places("left out"), (-1, 2))
        if len(stars):  # a place that was typed need not be the star's to the last digit
            self._go(
                self.history.take_back(
                    tuple(
                        place
                        for place in self.history.now.leave_out
                        if np.hypot(*(stars - place).T).min() <= LEFT_OUT_REACH_PX
                    )
                )
            )
        else:
            self._say(
                rows.NONE_LEFT_OUT if self.stars.selected.indices else rows.NOTHING_CHOSEN
            )

    def _chosen_places(self, *states: str) -> tuple:
        """Places of the chosen stars of which the fit has made this."""
        return tuple(
            (float(self.stars.data["x"][i]), float(self.stars.data["y"][i]))
            for i in self.stars.selected.indices
            if self.stars.data["state"][i] in states
        )

    def _turn_to(self, history: History) -> None:
        """Make a history's choices hold, unless they cannot: then say why and stay."""
        self._refresh()  # whatever comes of it: the page waits for an answer
        if history is self.history:  # what was said of the choice before stays
            self._show_choices()
            return
        try:
            now = history.now
            same_fit = fitted_alike(now, self.history.now)
            checked = self.check if same_fit else self.job.refit(now)
            job = self.job.with_cores(now)
            cure = cure_of(job, checked, now)
        except StarcalError as error:
            self._say(page_words(error))
        else:
            if job is not self.job or now.star_size != self.shown_settings.star_size:
                self.visible = None
            self.job = job
            self.history = history
            self.check = checked
            self.cure = cure
            self.shown_settings = history.now
            self.keep(history)
            self._say("")  # what was said of the choices before
            self._put_beside()
            self._count_soon()
            self.stars.data = points.columns_of(cure)
            self._show_stars()
            self._show_chosen()
        self._show_choices()

    def _show_choices(self) -> None:
        """Put every control where the choices are."""
        now = self.history.now
        self.route.value = now.route
        self.bands.value = now.bands or ""
        self.bands.disabled = self.check.flags_before_fit is None  # nothing is fitted
        self._put_sliders()
        for name, control in (*self.sliders.items(), ("clipped_cores", self.cores)):
            control.disabled = name in self.cure.idle
        for name in ("leave_out", "next", "previous"):
            self.buttons[name].disabled = self.check.fit is None
        self.buttons["take_back"].disabled = self.check.fit is None and not now.leave_out

    def _preview(self, settings: Settings) -> None:
        """Have the next rendering show what a slider would do, while it moves."""
        shown = self.shown_settings
        if self.job.quick and any(
            getattr(settings, each) != getattr(shown, each) for each in OF_SINGLE_STARS
        ):
            self.cure = cure_of(self.job, self.check, settings)
            self.other = self._by_other_route(settings)
        if settings.star_size != shown.star_size:
            self.visible = None
        self.shown_settings = settings

    # --- another route beside -----------------------------------------------------------

    def _put_beside(self) -> None:
        """Put what was asked for on the left of the divider; the frame where it cannot be had."""
        try:
            self.other = self._by_other_route(self.history.now)
        except StarcalError as error:
            self._say(page_words(error))
            self.beside.value = panel.BEFORE  # which comes here again
        self._refresh()

    def _by_other_route(self, settings: Settings) -> Cure | None:
        """What the route beside makes of the frame; None for the frame as it is."""
        if self.beside.value == panel.BEFORE:
            return None
        return cure_of(self.job, self.check, replace(settings, route=self.beside.value))

    # --- what came of it ----------------------------------------------------------------

    def _count_soon(self) -> None:
        """Count impossible colours once the choices have rested for a while."""
        self.outcome.text = f"<p>{COUNTING}</p>"
        cure, settings = self.cure, self.history.now
        count = without_document_lock(partial(self._count, cure, settings))
        self.document.add_timeout_callback(count, COUNT_AFTER_MS)

    async def _count(self, cure: Cure, settings: Settings) -> None:
        """Count beside the page, and let it say what came of these choices."""
        outcome = await asyncio.to_thread(
            counted_outcome, self.job, cure, settings, lambda: self._still(cure)
        )
        if outcome is not None and self._still(cure):
            self.document.add_next_tick_callback(partial(self._show_outcome, cure, outcome))

    def _still(self, cure: Cure) -> bool:
        """Whether this is what holds, on a page that is still open."""
        return self.is_open and self.cure is cure

    def _closed(self, session_context) -> None:
        self.is_open = False

    def _show_outcome(self, cure: Cure, outcome) -> None:
        if self.cure is cure:
            self.outcome.text = rows.outcome_html(outcome)

    # --- what is seen -------------------------------------------------------------------

    def _forget_view(self) -> None:
        self.visible = None

    def render(self) -> None:
        """Render the visible part."""
        if self.visible is None:
            self.visible = self.job.look(self._window(), self.shown_settings.star_size)
            self._show_marks()
        settings, before = self.shown_settings, None
        seen = (self.visible.window, settings.black, settings.strength, self.other)
        if self.other is not None:
            seen = (*seen, settings.star_size)
        if seen != self.before_seen:
            self.before_seen, before = seen, self._left_of_divider()
        show_halves(
            self.picture.halves,
            self.visible.window,
            before,
            after_shown(self.cure, self.visible, settings),
        )

    def _left_of_divider(self):
        """The frame as it is, or the picture by another route, as pixels of the screen."""
        if self.other is None:
            return before_shown(self.job, self.visible, self.shown_settings)
        return after_shown(self.other, self.visible, self.shown_settings)

    def _show_shapes(self, shown: bool) -> None:
        for glyph in self.picture.shapes:
            glyph.visible = shown

    def _show_marks(self) -> None:
        """Mark the brightest stars in view, the larger the nearer they are seen."""
        x, y, (left, low, width, height) = (
            self.stars.data["x"],
            self.stars.data["y"],
            self.visible.window.box,
        )
        inside = np.flatnonzero(
            (x > left) & (x < left + width) & (y > low) & (y < low + height)
        )
        inside = inside[self.stars.data["source"][inside] != "kept"]  # nothing was done to them
        snr = np.nan_to_num(np.array(self.cure.check.stars["snr"], float))[inside]
        self.picture.in_view.indices = inside[np.argsort(-snr, kind="stable")][
            :MOST_MARKS
        ].tolist()
        self.picture.fit_marks(max(self.check.stars.meta["fwhm_px"]) / self._px_per_screen())

    def _show_stars(self) -> None:
        """All that depends on fit and route, besides the picture."""
        self._show_fit()
        self.verdict.text = rows.verdict_html(self.cure)
        sources = source_tally(self.cure.source.astype(str))
        self.legend.text = looks.legend_html(looks.SOURCE_MARKS, sources, "colour from")
        states = self.stars.data["state"][self.plots.matched.indices]
        self.states.text = looks.legend_html(
            looks.STATE_MARKS, source_tally(states.astype(str))
        )
        self._show_choices()

    def _show_fit(self) -> None:
        """The plots of fit and chromaticities."""
        self.plots.matched.indices = points.with_catalogue(self.stars.data).tolist()
        self.plots.clear.indices = points.clear(self.check).tolist()
        self.plots.curves.data = points.curves_of(self.check)
        self.plots.locus.data = points.locus_of(self.check)
        self.plots.show_ranges(
            points.fit_ranges(
                self.stars.data, self.plots.matched.indices, self.plots.curves.data
            )
        )
        for label in self.plots.no_fit:
            label.visible = self.check.fit is None

    def _show_chosen(self) -> None:
        chosen = sorted(self.stars.selected.indices)
        self.picture.chosen.data = {
            "x": self.stars.data["x"][chosen],
            "y": self.stars.data["y"][chosen],
            "name": [str(i + 1) if len(chosen) <= MOST_NUMBERS else "" for i in chosen],
        }
        self.table.text = rows.table_html(self.cure, chosen)

    def _clicked(self, event) -> None:
        """Choose the star under a click in the picture; none there, none chosen."""
        away_px = np.hypot(self.stars.data["x"] - event.x, self.stars.data["y"] - event.y)
        near = len(away_px) and away_px.min() <= CLICK_PX * self._px_per_screen()
        self.stars.selected.indices = [int(away_px.argmin())] if near else []

    def _px_per_screen(self) -> float:
        """Pixels of the frame on one of the screen."""
        plot = self.picture.figure
        return (plot.x_range.end - plot.x_range.start) / max(
            self._sides_on_screen()[0] or USUAL_SCREEN_PX, 1
        )

    def _step(self, by: int) -> None:
        """Choose the star of the fit next to the chosen one in the order of residuals, the worst
        first."""
        left = np.hypot(self.stars.data["rho_left"], self.stars.data["beta_left"])
        taking_part = np.flatnonzero(
            np.isfinite(left) & (self.stars.data["state"] != "not used")
        )
        order = taking_part[np.argsort(-left[taking_part], kind="stable")].tolist()
        if order:
            chosen = self.stars.selected.indices
            at = order.index(chosen[0]) + by if chosen and chosen[0] in order else 0
            star = order[at % len(order)]
            self.stars.selected.indices = [star]
            self._bring_into_view(
                float(self.stars.data["x"][star]), float(self.stars.data["y"][star])
            )

    def _bring_into_view(self, x_px: float, y_px: float) -> None:
        """Move the view onto a place that it does not show."""
        ranges = (self.picture.figure.x_range, self.picture.figure.y_range)
        shares = [
            (at - range_.start) / (range_.end - range_.start)
            for at, range_ in zip((x_px, y_px), ranges, strict=True)
        ]
        if not all(0 < share < 1 for share in shares):
            for range_, share in zip(ranges, shares, strict=True):
                by_px = round(
                    share * (range_.end - range_.start) - (range_.end - range_.start) / 2
                )
                range_.update(start=range_.start + by_px, end=range_.end + by_px)

    # --- files --------------------------------------------------------------------------

    def save(self) -> None:
        """Write the files of a run with the choices that hold."""
        self.choose_left()
        folder = self.folder.value.strip() or str(folder_of(self.history.now.first_file))
        overwrite = self.overwrite.active
        self._save_by(partial(_saved_run, self.save_files, self.history.now, folder, overwrite))


def _saved_run(save: Callable, settings: Settings, folder: str, overwrite: bool) -> str:
    """Write the files of a run; in words."""
    done = save(settings, typed_path(folder), overwrite=overwrite)
    told = f"Saved in {done.folder}: {counted(len(done.files), 'file')}."
    if not settings.first_file:  # an array, which no command can name
        return told
    kept = shlex.quote(str(done.folder / "result.json"))
    again = f"starcal run --settings {kept} --out ANOTHER-FOLDER"
    return f"{told} To repeat it: {again}"
