"""``passim sites``: places, latitudes, the world and fleets side by side."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..command_line.options import between_option, fleet_options, output_options, service_options, span_options
from ..command_line.parsing import (
    DEFAULT_MASK_DEG,
    FleetChoice,
    OutputChoice,
    ServiceChoice,
    SiteChoice,
    SpanChoice,
    found_workspace,
    gateway,
    mask,
)
from ..command_line.times import hours_of_day
from ..command_line.usage import NUMBER, WHOLE
from ..command_line.worker_options import WorkerChoice, workers_options
from ..text.limits import descriptions
from ..text.notes import Note, background, led, without
from ..text.service import everywhere_notes, lifted_note, sky_alone_note, without_handovers_note

if TYPE_CHECKING:
    import pandas as pd

    from passim import Fleet, Span
    from passim.answers.sites import refinement
    from passim.parallel import chunks as work
    from passim.sky import view as views
    from passim.spans import DailyHours
    from passim.workspace import Workspace

    from ..command_line.parsing import Spotted
    from ..text.answer import Answer
    from ..text.columns import Column


INTERRUPTED = 130
_MORE = """\
Latitudes and the world are looked at coarse first, then finer. With --out FILE.csv, or --format csv, each row is
written as soon as it is known. Ctrl-C keeps what there is: the answer then says how much came, and the exit status is
130. A file is put in order, from the north for the world, once the last row has come.

With --shares a map counts the gateways that are named. The closed form beside a sweep by latitude is the long-run mean
in view of the mask alone. --fleets looks under masks of 25, 30, 35 and 40°, with and without the site's gateway. Large
work is shared among processors, or machines with --cluster; the answer does not depend on how many.
"""


@click.command("sites", short_help="Sites, latitudes, the world and fleets side by side.", epilog=_MORE)
@fleet_options
@click.option(
    "--site",
    "site_texts",
    multiple=True,
    metavar="NAME|LAT,LON[,HEIGHT_M]",
    help="A site of the workspace, with all its mounting spots, a place in degrees, or a way from the first of the "
    "others or the site in use, such as '60 km S' or '25 km at 190°'. Repeat for more. Default: every site of the "
    "workspace.",
)
@click.option(
    "--mask",
    "mask_text",
    metavar="DEG|FILE.csv",
    help=f"Minimum elevation for all of them. Default: each spot's own; {DEFAULT_MASK_DEG:g} elsewhere.",
)
@click.option(
    "--same-roof-line",
    is_flag=True,
    help="Let a place that is no site of the workspace stand under the roof line of the first spot of the first --site "
    "that is one, else of the site in use: then the places alone differ.",
)
@click.option(
    "--gateway", "gateways", multiple=True, metavar="LAT,LON[,MASK]", help="A gateway that counts for all of the sites."
)
@service_options
@click.option("--without", "without", multiple=True, metavar="LIMIT", help="Lift a limit everywhere. Repeat for more.")
@click.option(
    "--latitudes",
    "latitudes_text",
    metavar="FROM:TO:STEP",
    help="Compare these latitudes instead, in both hemispheres, averaged over longitudes and without gateways.",
)
@click.option("--longitudes", type=WHOLE, metavar="N", help="Places around each latitude. Default: 12.")
@click.option(
    "--world",
    "world_deg",
    type=NUMBER,
    is_flag=False,
    flag_value=10.0,
    metavar="[STEP]",
    help="Compare a grid of the world instead, with places STEP degrees apart; 10 if none is given.",
)
@click.option(
    "--shares",
    "shares_s",
    type=NUMBER,
    metavar="SECONDS",
    help="With --world or --latitudes: shares alone, counted once in so many seconds (1 to 60), for large fleets and "
    "fine grids; the answer says how near they are. A map then takes --gateway too.",
)
@click.option(
    "--fleets", is_flag=True, help="Compare every fleet of the workspace, or file of --elements, at one site instead."
)
@span_options
@between_option
@workers_options
@output_options
def sites(
    fleet_choice: FleetChoice,
    site_texts: tuple[str, ...],
    mask_text: str | None,
    same_roof_line: bool,
    gateways: tuple[str, ...],
    service_choice: ServiceChoice,
    without: tuple[str, ...],
    latitudes_text: str | None,
    longitudes: int | None,
    world_deg: float | None,
    shares_s: float | None,
    fleets: bool,
    span_choice: SpanChoice,
    between_text: str | None,
    workers: int | None,
    cluster: str | None,
    output_choice: OutputChoice,
) -> None:
    """Compare places: how much of the time each is covered, how often service breaks, and which limit costs most.

    --latitudes and --world place one terminal at many places, without gateways; --fleets compares several fleets at
    one site before anything is bought.

    \b
    Example:
      passim sites --workspace school
      passim sites --workspace school --between 08:00-12:00
      passim sites --elements fleet.json --site 45.0,-28.0 --site 58.5,-28.0 --mask 35
      passim sites --elements fleet.json --latitudes 0:60:5 --hours 24 --out latitudes.csv
      passim sites --elements fleet.json --world 10 --workers 2 --out world.csv
      passim sites --elements fleet.json --world 5 --shares 10 --gateway 39.6,-28.0 --gateway 57.4,-28.0
      passim sites --fleets --elements one.json --elements other.json --site 45.0,-28.0 --gateway 39.6,-28.0
    """
    from ..command_line.output import write

    if sum((latitudes_text is not None, world_deg is not None, fleets)) > 1:
        raise click.UsageError("--latitudes, --world and --fleets are three questions: give one of them.")
    sweeping = latitudes_text is not None or world_deg is not None
    if shares_s is not None and not sweeping:
        raise click.UsageError("--shares goes with --world or --latitudes; named places are always searched exactly.")
    mapped = world_deg is not None and shares_s is not None
    if sweeping and gateways and not mapped and not site_texts:
        raise click.UsageError("--gateway goes with a map by shares: --world STEP --shares SECONDS, or leave it out.")
    if sweeping and (site_texts or (gateways and not mapped)):
        raise click.UsageError("--site and --gateway belong to one place, and --latitudes and --world go everywhere.")
    if same_roof_line and (sweeping or fleets or mask_text is not None):
        raise click.UsageError("--same-roof-line is of named places: leave --latitudes, --world, --fleets and --mask.")
    if longitudes is not None and latitudes_text is None:
        raise click.UsageError("--longitudes goes with --latitudes.")
    hours = hours_of_day(between_text, "--between")
    if hours is not None and (sweeping or fleets):
        raise click.UsageError("--between compares named places in those hours: leave --latitudes, --world, --fleets.")
    worker_config, span = WorkerChoice(workers, cluster).config(), span_choice.span()
    places = _Places(
        site_texts, mask_text, gateways, service_choice, without, fleet_choice.workspace_dir, same_roof_line
    )
    if fleets:
        answer = _fleet_answer(fleet_choice, places, span, worker_config)
    elif latitudes_text is not None:
        sweep = _Sweep(fleet_choice, places, shares_s, span, worker_config, output_choice)
        answer = sweep.latitudes(latitudes_text, longitudes)
    elif world_deg is not None:
        sweep = _Sweep(fleet_choice, places, shares_s, span, worker_config, output_choice)
        answer = sweep.world(world_deg)
    else:
        answer = _site_answer(fleet_choice, places, span, hours)
    write(answer, output_choice, streamed=sweeping)
    if answer.facts.get("stopped"):
        click.get_current_context().exit(INTERRUPTED)


@dataclasses.dataclass(frozen=True)
class _Places:
    """Which places are asked about, and what limits their service."""

    site_texts: tuple[str, ...]
    mask_text: str | None
    gateways: tuple[str, ...]
    service_choice: ServiceChoice
    without: tuple[str, ...]
    workspace_dir: str | None
    same_roof_line: bool = False

    def named(self) -> tuple[list[Spotted], list[Note]]:
        """Return the view of each place with its call hours, and what the user should be told."""
        workspace = found_workspace(self.workspace_dir)
        texts: tuple[str | None, ...] = self.site_texts
        if not texts and workspace is not None:
            texts = workspace.site_names
        texts = tuple(self._led(text, workspace) for text in texts)
        found, notes = self._choice(None, None).each_spot(texts or (None,))
        return self._under_one_sky(found, notes, workspace)

    def _under_one_sky(
        self, found: list[Spotted], notes: list[Note], workspace: Workspace | None
    ) -> tuple[list[Spotted], list[Note]]:
        """Return places with the roof line of a spot where no site of the workspace is theirs, or say that they differ.

        Raises UsageError where there is no such spot.
        """
        from ..text.sites import under_sentence

        names = () if workspace is None else workspace.site_names
        own = next((view for view, _ in found if view.site.name in names), None)
        if own is None and workspace is not None and names:
            own = self._choice(None, None).each_spot((None,))[0][0][0]
        elsewhere = [view for view, _ in found if view.site.name not in names]
        if self.same_roof_line and (own is None or not elsewhere):
            raise click.UsageError("--same-roof-line needs a site of the workspace, and a --site that is none of it.")
        if own is None or not elsewhere or own.site.horizon.is_flat or self.mask_text is not None:
            return found, notes
        horizon = own.site.horizon
        if self.same_roof_line:
            found = [
                (dataclasses.replace(view, site=dataclasses.replace(view.site, horizon=horizon)), hours)
                if view in elsewhere
                else (view, hours)
                for view, hours in found
            ]
        titles = [view.title for view in elsewhere]
        words = under_sentence(titles, DEFAULT_MASK_DEG, own.title, same=self.same_roof_line)
        return found, [Note(words), *notes]

    def _led(self, text: str | None, workspace: Workspace | None) -> str | None:
        """Return the coordinates of a place that is told by its way from another, and any other text as it is.

        Ways lead from the first --site that is none, else from the site in use. Raises InputError, UsageError.
        """
        from passim import Site
        from passim.sky import ground

        names = [] if workspace is None else [name.casefold() for name in workspace.site_names]
        origin = Site("the site", 0.0, 0.0)

        def leads(each: str) -> bool:
            return each.strip().casefold() not in names and ground.way_from(origin, each) is not None

        if text is None or not leads(text):
            return text
        other = next((each for each in self.site_texts if not leads(each)), None)
        if other is None and workspace is None:
            raise click.UsageError(f"--site {text!r} leads from another site: give that with --site as well.")
        choice = self._choice(other, None)
        led = ground.way_from(choice.each_spot((other,))[0][0][0].site, text)
        assert led is not None  # it is a way, wherever it begins
        return ",".join(f"{round(each, 4):.9g}" for each in led)

    def one(self) -> tuple[views.View, list[Note]]:
        """Return the view of the one place asked about, and what the user should be told."""
        if len(self.site_texts) > 1:
            raise click.UsageError("--fleets compares fleets at one site: give --site once.")
        text = self.site_texts[0] if self.site_texts else None
        return self._choice(self._led(text, found_workspace(self.workspace_dir)), None).view()

    def anywhere(self) -> tuple[views.View, list[Note]]:
        """Return the view of a terminal that may stand anywhere, and what the user should be told."""
        from passim import GatewayLimit, Site
        from passim.answers.sites import sweeps
        from passim.sky import view

        horizon, words = mask(f"{DEFAULT_MASK_DEG:g}" if self.mask_text is None else self.mask_text)
        site = Site("anywhere", 0.0, 0.0, 0.0, "UTC", horizon)
        workspace = found_workspace(self.workspace_dir)
        seen = view.View.usual(site)
        notes = [background(words, "horizon")]
        if workspace is not None:
            seen = workspace.view_from(site, ())
            notes.append(background(f"Terminal: that of {workspace.file}."))
        seen = dataclasses.replace(seen, service=self.service_choice.service(seen.service))
        if self.without:
            seen = seen.without(*dict.fromkeys(self.without))
            notes.append(lifted_note(self.without))
        seen = sweeps.travelling(seen)
        if not self.gateways:
            return seen, [*everywhere_notes(seen), *notes]
        limit = GatewayLimit(tuple(gateway(text) for text in self.gateways))
        left_out = without_handovers_note(seen)
        return dataclasses.replace(seen, limits=(*seen.limits, limit)), [*left_out, *notes]

    def _choice(self, site_text: str | None, spot: str | None) -> SiteChoice:
        return SiteChoice(
            site_text,
            self.mask_text,
            None,
            spot,
            self.workspace_dir,
            gateways=self.gateways,
            **dataclasses.asdict(self.service_choice),
            without=self.without,
        )


def _site_answer(fleet_choice: FleetChoice, places: _Places, span: Span, hours: DailyHours | None) -> Answer:
    """Return the answer that compares named places, in `hours` of each one's own day where they are given."""
    from passim.answers.sites import compare as side_by_side

    from ..command_line.output import progress
    from ..text.answer import Answer
    from ..text.query import CAUTION, headed, search_notes, searched, serving_notes
    from ..text.sites import SITE_COLUMNS, call_hours_sentence, site_sentence
    from ..text.units import duration

    named, notes = places.named()
    fleet, fleet_notes = fleet_choice.fresh_fleet(span)
    with progress("Comparing sites") as advance:
        found = side_by_side.compare_sites(
            fleet,
            [view for view, _ in named],
            span,
            call_hours=[hours for _, hours in named],
            hours=hours,
            progress=advance,
        )
    looked = searched(found.report, span, fleet_choice.timing_model())
    lift = background("Do not add up the service regained by different limits.")
    messages = (
        lift,
        *sky_alone_note(*(view for view, _ in named)),
        *search_notes(looked),
        *serving_notes(found.health),
        *notes,
        *fleet_notes,
        CAUTION,
    )
    limits = {view.title: descriptions(view) for view, _ in named}
    length = duration(span.duration_s) + (f" ({hours.clock_words} of each day alone)" if hours else "")
    sentences = filter(None, (site_sentence(found, length), call_hours_sentence(found)))
    sentence = headed("\n".join(sentences), looked)
    facts = _facts(span, limits=limits, **({"hours_of_day": hours.clock_words} if hours else {}))
    return Answer("sites", sentence, found.table, SITE_COLUMNS, messages, facts)


@dataclasses.dataclass(frozen=True)
class _Sweep:
    """A sweep by latitude or over the world: coarse first, its rows written as they come, kept where it is stopped."""

    fleet_choice: FleetChoice
    places: _Places
    shares_s: float | None
    span: Span
    worker_config: work.WorkerConfig
    output_choice: OutputChoice

    def latitudes(self, text: str, longitudes: int | None) -> Answer:
        """Return the answer of a sweep by latitude."""
        from passim.answers.sites import refinement, sweeps

        from ..command_line.output import progress
        from ..text.sites import LATITUDE_COLUMNS, closed_form_notes, latitude_sentence, stopped_sentence
        from ..text.units import duration

        latitudes_deg = latitudes(text)
        view, notes, fleet, fleet_notes = self._asked()
        with progress("Sweeping latitudes") as advance:
            walk = refinement.LatitudeWalk(
                fleet,
                view,
                latitudes_deg,
                self.span,
                longitudes=sweeps.LONGITUDES if longitudes is None else longitudes,
                step_s=self.shares_s,
                workers=self.worker_config,
                progress=advance,
            )
            came = self._written(walk, lambda row: row)
        found = walk.swept
        sentences = [latitude_sentence(found, duration(self.span.duration_s))]
        if len(came) < len(latitudes_deg):
            sentences.insert(0, stopped_sentence(len(came), len(latitudes_deg), "latitude"))
        messages = (*closed_form_notes(found.left_out), *notes)
        facts = _stopped_facts(len(came), len(latitudes_deg))
        return self._answer(walk, sentences, found.table, LATITUDE_COLUMNS, view, messages, fleet_notes, facts)

    def world(self, step_deg: float) -> Answer:
        """Return the answer of a grid of the world."""
        from passim.answers.sites import refinement, sweeps

        from ..command_line.output import progress
        from ..text.answer import plain_numbers
        from ..text.sites import WORLD_COLUMNS, stopped_sentence, world_sentence
        from ..text.units import duration

        points_deg = sweeps.world_places(step_deg)
        view, notes, fleet, fleet_notes = self._asked()
        with progress("Going round the world") as advance:
            walk = refinement.WorldWalk(
                fleet,
                view,
                points_deg,
                self.span,
                step_s=self.shares_s,
                workers=self.worker_config,
                progress=advance,
            )
            came = self._written(walk, sweeps.world_row)
        sentences, facts = [], _stopped_facts(len(came), len(points_deg))
        if len(came) < len(points_deg):
            sentences.append(stopped_sentence(len(came), len(points_deg), "point"))
        summary = walk.summary
        if summary is not None:
            sentences.append(world_sentence(summary, walk.whole_step_deg, duration(self.span.duration_s)))
            numbers = {
                "covered_fraction": summary.covered_fraction,
                "never_out_fraction": summary.never_out_fraction,
                "never_in_fraction": summary.never_in_fraction,
            }
            facts["surface"] = plain_numbers(numbers)
        return self._answer(walk, sentences, sweeps.world_table(came), WORLD_COLUMNS, view, notes, fleet_notes, facts)

    def _asked(self) -> tuple[views.View, list[Note], Fleet, list[Note]]:
        """Return the view and the fleet that go round, each with what the user should be told."""

        view, notes = self.places.anywhere()
        fleet, fleet_notes = self.fleet_choice.fresh_fleet(self.span)
        return view, notes, fleet, fleet_notes

    def _written(self, walk: Iterable[Any], row_of: Callable[[Any], Mapping[str, Any]]) -> list[Any]:
        """Write rows as they come and return what came: all, or what there was when the user pressed Ctrl-C."""
        from ..command_line.output import RowStream, echo_err
        from ..text.sites import NOTHING_YET

        came = []
        with RowStream(self.output_choice) as stream, contextlib.suppress(KeyboardInterrupt):
            for each in walk:
                stream.add(row_of(each))
                came.append(each)
        if not came:
            echo_err(NOTHING_YET)
            click.get_current_context().exit(INTERRUPTED)
        return came

    def _answer(
        self,
        walk: refinement.LatitudeWalk | refinement.WorldWalk,
        sentences: Sequence[str],
        rows: pd.DataFrame,
        columns: Sequence[Column],
        view: views.View,
        notes: Sequence[Note],
        fleet_notes: Sequence[Note],
        facts: dict[str, Any],
    ) -> Answer:
        from ..text.answer import Answer
        from ..text.query import CAUTION, headed, search_notes, searched
        from ..text.sites import shares_note

        looked = searched(walk.report, self.span, self.fleet_choice.timing_model())
        near = [] if self.shares_s is None else [shares_note(self.shares_s, walk.share_error)]
        messages = (*near, *search_notes(looked), *notes, *fleet_notes, CAUTION)
        whole_facts = _facts(self.span, limits=descriptions(view), **facts)
        return Answer("sites", headed("\n".join(sentences), looked), rows, columns, messages, whole_facts)


def _stopped_facts(came: int, wanted: int) -> dict[str, Any]:
    """Return what JSON holds of a sweep that was stopped; nothing of a whole one."""
    return {"stopped": True, "places_wanted": wanted} if came < wanted else {}


def _fleet_answer(fleet_choice: FleetChoice, places: _Places, span: Span, worker_config: work.WorkerConfig) -> Answer:
    """Return the answer that compares fleets at one place."""
    from passim.answers.sites import compare as side_by_side

    from ..command_line.output import progress
    from ..text.answer import Answer, plain_records
    from ..text.query import CAUTION, headed, search_notes, searched
    from ..text.sites import FLEET_COLUMNS, fleet_sentence
    from ..text.units import duration

    view, notes = places.one()
    fleets, fleet_notes = _fleets(fleet_choice, span)
    for fleet in fleets:
        at = f"the middle of the span in {fleet.name}"
        fleet_choice.check_age(fleet, span.middle, at)
    with progress("Comparing fleets") as advance:
        found = side_by_side.compare_fleets(fleets, view, span, workers=worker_config, progress=advance)
    hangs = "Masks are flat and replace the site's own horizon, which is unknown until you have stood there."
    messages = [
        *without_handovers_note(view),
        Note(hangs),
        *sky_alone_note(view),
        *without(notes, "horizon", "policy"),
        *fleet_notes,
    ]
    looked = [searched(report_on_it, span, fleet_choice.timing_model()) for report_on_it in found.reports]
    for fleet, each in zip(fleets, looked, strict=True):
        messages += led(search_notes(each), fleet.name)
    facts = _facts(span, site=view.title, sensitivity=plain_records(found.sensitivity))
    sentence = fleet_sentence(found, view.title, duration(span.duration_s))
    # The oldest fleet decides whether a warning stands before the answer.
    sentence = headed(sentence, max(looked, key=lambda each: each.fresh.median_s))
    return Answer("sites", sentence, found.table, FLEET_COLUMNS, (*messages, CAUTION), facts)


def latitudes(text: str) -> list[float]:
    """Return the latitudes of "FROM:TO:STEP" in both hemispheres. Raises InputError."""
    from passim.answers.sites import sweeps
    from passim.errors import InputError

    try:
        from_deg, to_deg, step_deg = (float(part) for part in text.split(":"))
    except ValueError:
        raise InputError("--latitudes", got=text, wanted="FROM:TO:STEP in degrees", try_next="0:60:5") from None
    return sweeps.latitudes_both_ways(from_deg, to_deg, step_deg)


def _fleets(fleet_choice: FleetChoice, span: Span) -> tuple[list[Fleet], list[Note]]:
    """Return the fleets to compare: one a file of --elements, else all of the workspace."""

    if fleet_choice.elements:
        choices = [dataclasses.replace(fleet_choice, elements=(path,)) for path in fleet_choice.elements]
        names = [Path(path).name.partition(".")[0] or path for path in fleet_choice.elements]
    else:
        workspace = found_workspace(fleet_choice.workspace_dir)
        names = list(workspace.fleet_names) if workspace is not None else []
        if fleet_choice.fleet_name is not None:
            names = [fleet_choice.fleet_name]
        choices = [dataclasses.replace(fleet_choice, fleet_name=name) for name in names] or [fleet_choice]
    fleets: list[Fleet] = []
    notes: list[Note] = []
    for k, choice in enumerate(choices):
        fleet, messages = choice.fleet(span.start)
        fleets.append(fleet.holding(fleet.records, names[k] if k < len(names) else None))
        notes += messages
    return fleets, list(dict.fromkeys(notes))


def _facts(span: Span, **more: Any) -> dict[str, Any]:
    """Return what JSON holds beside the rows."""
    from ..text.answer import span_facts

    return {"span": span_facts(span), **more}
