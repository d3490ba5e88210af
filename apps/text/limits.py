"""The words of every limit of service: what it is, what lifting it means, its name in a picture, its option.

A limit has one entry in `LIMIT_WORDS`, in the order in which people are told of them. What limits there are, and what
they allow, is `passim.sky.limits`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from .service import service_words
from .units import in_a_row

if TYPE_CHECKING:
    from passim import Site
    from passim.sky import limits, view


@dataclass(frozen=True)
class LimitOption:
    """The option of a limit that a few numbers state: what stands behind it, what is wanted, an example, its help."""

    metavar: str
    wanted: str
    example: str
    help: str


@dataclass(frozen=True)
class LimitWords:
    """How people are told of one limit.

    what        what it is, from the limit itself: "keep-out of 18° around the geostationary arc"
    lifted      what lifting it means, behind "if"; {floor} stands for the elevation at which the terminal begins
    label       its name in a picture of the sky, where it has a place there
    option      its option, where a few numbers of the terminal state it; without one, the option is made by hand
    """

    what: Callable[[Any], str]
    lifted: str
    label: str = ""
    option: LimitOption | None = None


ROOF_LINE: Final = "horizon"
# What stands in for a roof line is not called one.
NO_ROOF_LINE: Final = "no roof line entered yet"


def _horizon(limit: limits.HorizonLimit) -> str:
    low, high = limit.horizon.lowest_deg, limit.horizon.highest_deg
    if not limit.horizon.is_flat:
        return f"horizon from {low:g}° to {high:g}° by direction"
    return f"horizon {low:g}° all round{f', {NO_ROOF_LINE}' if limit.horizon.assumed else ''}"


def _cone(limit: limits.Cone) -> str:
    where = "straight up" if limit.tilt_deg == 0.0 else f"tilted {limit.tilt_deg:g}° towards {limit.azimuth_deg:g}°"
    return f"antenna cone of {limit.half_angle_deg:g}° half-angle, {where}"


def the_gateways(names: Sequence[str]) -> str:
    """Return gateways by their names within a sentence: "the gateway South"; one named "gateway" is not told twice."""
    if len(names) > 1:
        return f"the gateways {in_a_row(names)}"
    return f"the {names[0]}" if names[0].casefold() == "gateway" else f"the gateway {names[0]}"


def _gateway(limit: limits.GatewayLimit, site: Site | None = None) -> str:
    """Return which gateways a satellite must see, and how far each is from a `site`."""
    from passim.sky import ground

    names = [gateway.name for gateway in limit.gateways]
    away = ["" if site is None else f"{ground.distance_km(site, each.site):,.0f} km away" for each in limit.gateways]
    if len(names) == 1:
        return ", ".join(filter(None, [f"a satellite must also see {the_gateways(names)}", *away]))
    told = [f"{name} ({how_far})" if how_far else name for name, how_far in zip(names, away, strict=True)]
    return f"a satellite must also see one of the gateways {', '.join(told)}"


def _excluded(limit: limits.Excluded) -> str:
    count = len(limit.satellite_ids)
    return f"{count:,} satellite{'s' if count != 1 else ''} left out by number"


LIMIT_WORDS: Final = {
    ROOF_LINE: LimitWords(_horizon, "the horizon were open down to {floor:g}°", "horizon, your roof line"),
    "cone": LimitWords(
        _cone,
        "the antenna could use the whole sky",
        "edge of the antenna's cone",
        LimitOption(
            "AZ,TILT,HALF", "AZ,TILT,HALF in degrees", "0,20,50",
            "The antenna's cone: azimuth and tilt from straight up of where it points, and its half-angle, degrees.",
        ),
    ),
    "arc": LimitWords(
        lambda limit: f"keep-out of {limit.angle_deg:g}° around the geostationary arc",
        "satellites near the geostationary arc could be used",
        "the geostationary arc",
        LimitOption("DEG", "degrees", "18", "Angle to keep clear of the geostationary arc. Default: none."),
    ),
    "gateway": LimitWords(_gateway, "the satellite did not have to see a gateway", "no gateway in view here"),
    "serving": LimitWords(
        lambda limit: "only satellites in their shell are taken to serve", "satellites off station served too"
    ),
    "share": LimitWords(
        lambda limit: f"{limit.percent:g} % of the satellites taken to serve (draw {limit.seed})",
        "every satellite served",
    ),
    "excluded": LimitWords(_excluded, "the excluded satellites served"),
    "handover": LimitWords(service_words, "the terminal lost no time at handovers"),
}  # fmt: skip

_IN_SENTENCES: Final = {"serving": "satellites out of place", "excluded": "excluded satellites"}
# What opened a gap that no limit and no pair of them closes.
_NO_LIMIT: Final = {"no satellite": "no satellite high enough", "three or more": "three limits or more"}


def what_it_is(limit: limits.Limit) -> str:
    """Return what a limit is, in a few plain words; its name for one that has no words here."""
    words = LIMIT_WORDS.get(limit.name)
    return limit.name if words is None else words.what(limit)


def descriptions(seen: view.View) -> dict[str, str]:
    """Return what each of the `View.names` is, by name; of gateways, how far they are as well."""
    from passim import GatewayLimit

    found = {
        limit.name: _gateway(limit, seen.site) if isinstance(limit, GatewayLimit) else what_it_is(limit)
        for limit in seen.all_limits
    }
    return found | ({"handover": service_words(seen.service)} if seen.service.loses_time else {})


def if_lifted(name: str, floor_deg: float) -> str:
    """Return what lifting a limit means, after "if"."""
    words = LIMIT_WORDS.get(name)
    return f"the limit {name} were lifted" if words is None else words.lifted.format(floor=floor_deg)


def in_words(name: str) -> str:
    """Return a limit as a sentence names it: by its own name, unless that says nothing to whoever never used it."""
    return _IN_SENTENCES.get(name, name)


def label_of(name: str, *, assumed: bool = False) -> str:
    """Return the name of a limit in a picture of the sky; `assumed` where nobody has entered the roof line yet."""
    if assumed and name == ROOF_LINE:
        return NO_ROOF_LINE
    words = LIMIT_WORDS.get(name)
    return words.label if words is not None and words.label else name


def cause_label(cause: str) -> str:
    """Return what opened a gap, from the ``cause`` of `Causes.table`: the limits that would close it, or what it is."""
    return _NO_LIMIT.get(cause, cause)
