"""Options that several commands share, one decorator a group.

Each group arrives in a command as one record of `choices`: ``fleet_options`` as ``fleet_choice`` and so on.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable
from typing import Any, Final, TypeVar

import click

from ..text.limits import LIMIT_WORDS, LimitOption
from ..text.units import HEIGHT_ABOVE_ELLIPSOID, HOW_TO_GET_A_HEIGHT
from .parsing import DEFAULT_MASK_DEG, FleetChoice, OutputChoice, ServiceChoice, SiteChoice, SpanChoice, mask
from .usage import NUMBER, OneOf

__all__ = [
    "DEFAULT_MASK_DEG",
    "POLICY_NAMES",
    "FleetChoice",
    "OutputChoice",
    "ServiceChoice",
    "SiteChoice",
    "SpanChoice",
    "allow_stale_option",
    "at_option",
    "between_option",
    "bundle",
    "days_span_options",
    "fleet_name_option",
    "fleet_options",
    "mask",
    "output_options",
    "place_options",
    "service_options",
    "site_options",
    "span_options",
    "strict_option",
    "workspace_option",
]

Command = TypeVar("Command", bound=Callable[..., Any])


def bundle(name: str, record: type[Any], *options: Callable[[Command], Command]) -> Callable[[Command], Command]:
    """Return a decorator that adds `options` to a command and hands their values over as one `record`.

    An option that another bundle of the command has added already is shared, not added twice.
    """

    def decorate(command: Command) -> Command:
        @functools.wraps(command)
        def bundled(*args: Any, **given: Any) -> Any:
            # The context keeps what another bundle has taken out already.
            params = click.get_current_context().params
            fields = dataclasses.fields(record)
            # What is lent by another record of the command may be missing, and goes to the command all the same.
            lent = {
                field.name: params[field.name] for field in fields if "lent" in field.metadata and field.name in params
            }
            values = {
                field.name: params[field.name]
                for field in fields
                if "lent" not in field.metadata and field.name in params
            }
            rest = {key: value for key, value in given.items() if key not in values}
            return command(*args, **{name: record(**values, **lent)}, **rest)

        for option in reversed(options):
            if option not in getattr(bundled, _OPTIONS, ()):
                bundled = option(bundled)
                setattr(bundled, _OPTIONS, (*getattr(bundled, _OPTIONS, ()), option))
        return bundled  # type: ignore[return-value]

    return decorate


# Where a command keeps which shared options it has.
_OPTIONS = "_passim_options"

at_option = click.option(
    "--at",
    "at_text",
    metavar="TIME",
    help="The time to treat as now, local time or with its offset from UTC. Default: the clock.",
)
strict_option = click.option(
    "--strict",
    is_flag=True,
    help="Refuse element files with a damaged record. Default: leave it out and say so, up to 1 record in 100.",
)

allow_stale_option = click.option(
    "--allow-stale",
    is_flag=True,
    help="Answer even if the elements are over 14 days away from the time asked about. Default: refuse them.",
)
workspace_option = click.option(
    "--workspace",
    "workspace_dir",
    metavar="DIR",
    help="The folder that holds passim.toml. Default: the current folder, else the user's data folder.",
)
fleet_name_option = click.option(
    "--fleet", "fleet_name", metavar="NAME", help="A fleet of the workspace. Default: its first."
)

fleet_options = bundle(
    "fleet_choice",
    FleetChoice,
    workspace_option,
    fleet_name_option,
    click.option(
        "--elements",
        multiple=True,
        metavar="PATH",
        help="A file or folder of element sets: two-line, or OMM as JSON, CSV, XML or KVN, also .gz. Repeat for more.",
    ),
    strict_option,
    allow_stale_option,
)

_mask_option = click.option(
    "--mask",
    "mask_text",
    metavar="DEG|FILE.csv",
    help="Elevation from which a satellite is in view: degrees all round, or a horizon file with "
    f"the columns azimuth_deg,elevation_deg. Default: the spot's own; {DEFAULT_MASK_DEG:g} for coordinates.",
)
_PLACE: Final = (
    workspace_option,
    click.option(
        "--site",
        "site_text",
        metavar="NAME|LAT,LON[,HEIGHT_M]",
        help="A site of the workspace (default: its first), or a place in degrees, north and east positive, and its "
        f"{HEIGHT_ABOVE_ELLIPSOID} in metres (default 0): {HOW_TO_GET_A_HEIGHT}.",
    ),
    click.option(
        "--spot", "spot_name", metavar="NAME", help="A mounting spot of the workspace's site. Default: its first."
    ),
)
# The library's words for the policies, kept here so that help need not load it; a test holds them equal.
POLICY_NAMES: Final = ("keep-then-highest", "keep-then-longest", "highest")

_SERVICE: Final = (
    click.option(
        "--policy",
        type=OneOf(POLICY_NAMES),
        help="How satellites are chosen: keep one until it is lost, then take the highest or the one that stays "
        f"longest; or always use the highest. Default: the workspace's, else {POLICY_NAMES[0]}.",
    ),
    click.option(
        "--clock",
        "clock_text",
        metavar="PERIOD[,OFFSET]",
        help="Satellites are assigned only every PERIOD seconds, counted from 1970-01-01 00:00 UTC plus OFFSET (so "
        "from each midnight UTC where PERIOD divides the day); one lost in between is not replaced until then. "
        "Default: the workspace's, else none.",
    ),
    click.option(
        "--acquisition",
        "acquisition_s",
        type=NUMBER,
        metavar="S",
        help="Seconds without service each time a satellite is acquired. Default: the workspace's, else 0.",
    ),
)


def _limit_option(name: str, words: LimitOption) -> Callable[[Command], Command]:
    """Return the option of a limit that a few numbers state; they arrive as `SiteChoice.numbers_of_limits`."""

    def retain(context: click.Context, parameter: click.Parameter, text: str | None) -> None:
        numbers = context.params.setdefault("numbers_of_limits", {})
        if text is not None:
            numbers[name] = text

    return click.option(f"--{name}", metavar=words.metavar, help=words.help, expose_value=False, callback=retain)


*_FIRST_LIMITS, _LAST_LIMIT = LIMIT_WORDS
_LIMITS: Final = (
    click.option(
        "--zone",
        "zone_name",
        metavar="NAME",
        help="Time zone of local times, such as Atlantic/Azores. Default: the site's, or the zone at the coordinates.",
    ),
    click.option(
        "--gateway",
        "gateways",
        multiple=True,
        metavar="LAT,LON[,MASK]",
        help=f"A gateway that a serving satellite must see too, above its own mask (default {DEFAULT_MASK_DEG:g}). "
        "Repeat for more: one in view is enough.",
    ),
    *(_limit_option(name, words.option) for name, words in LIMIT_WORDS.items() if words.option is not None),
    click.option(
        "--share",
        "share_text",
        metavar="PERCENT[,SEED]",
        help="The share of the fleet that serves; SEED picks which satellites (default 0).",
    ),
    click.option(
        "--exclude", "excluded", multiple=True, metavar="ID", help="A satellite that does not serve. Repeat for more."
    ),
    *_SERVICE,
    click.option(
        "--without",
        "without",
        multiple=True,
        metavar="LIMIT",
        help=f"Lift a limit: {', '.join(_FIRST_LIMITS)} or {_LAST_LIMIT}. Repeat for more.",
    ),
)
# For commands that bring limits of their own.
service_options = bundle("service_choice", ServiceChoice, *_SERVICE)
site_options = bundle("site_choice", SiteChoice, *_PLACE, _mask_option, *_LIMITS)
# For commands that bring horizons of their own, to which a mask would have nothing to say.
place_options = bundle("site_choice", SiteChoice, *_PLACE, *_LIMITS)

_from_option = click.option(
    "--from",
    "from_text",
    metavar="TIME",
    help="Start: local time of the site, such as '2026-11-25 08:00' or 'tomorrow 08:00', or with its offset, "
    "2026-11-25T08:00Z. Default: now.",
)
span_options = bundle(
    "span_choice",
    SpanChoice,
    _from_option,
    click.option("--to", "to_text", metavar="TIME", help="End, as for --from; instead of --hours."),
    click.option("--hours", type=NUMBER, metavar="N", help="Length in hours, at most 2208 (92 days). Default: 24."),
    at_option,
)
# For commands that look whole days ahead and have --days, which says the length there unless --hours or --to does.
days_span_options = bundle(
    "span_choice",
    SpanChoice,
    _from_option,
    click.option("--to", "to_text", metavar="TIME", help="End, as for --from; instead of --days."),
    click.option("--hours", type=NUMBER, metavar="N", help="Length in hours; instead of --days."),
    at_option,
)

between_option = click.option(
    "--between",
    "between_text",
    metavar="HH:MM-HH:MM",
    help="Count only these hours of each day, local time of the site; 22:00-04:00 goes over midnight.",
)

quiet_option = click.option("--quiet", is_flag=True, help="Leave out the notes, except the caution.")
notes_option = click.option(
    "--notes",
    "all_notes",
    is_flag=True,
    help="Show all notes, including those that only say where the answer comes from; JSON always holds them.",
)

output_options = bundle(
    "output_choice",
    OutputChoice,
    click.option(
        "--format",
        "format_name",
        type=OneOf(["table", "csv", "json"]),
        help="Table in local time, or csv or json in UTC with local columns. Default: by the suffix of "
        "--out, else table.",
    ),
    click.option("--out", metavar="FILE", help="Write the answer to FILE instead of standard output."),
    click.option("--all", "show_all", is_flag=True, help="Show every row of a long table. Default: the first 40."),
    quiet_option,
    notes_option,
)
