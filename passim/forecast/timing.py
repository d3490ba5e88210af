"""How far a predicted rise or set may be off, by the age of the elements, and what may still be said at that age.

Elements age: a satellite follows its predicted path, but ever more early or late. Near 550 km almost the whole error is
along the track, so it is a shift in time of all that the satellite does: 7.6 km are one second. What counts is the age
at the moment forecast, not at the moment of asking: with elements of now, the fifth day ahead is five days old.

Sources. [1] Jankovic 2026, arXiv:2605.19850 (abstract, draft text and tables read): elements of a fleet at 540 to
560 km, carried forward by SGP4 and held against the next elements of the same satellite, pairs with a manoeuvre between
them left out. What it prints are *medians* of the length of the position error, about 1 km at 6 h and about 38 km at
7 d over all satellites, and for five cohorts a power law A * hours**k fitted to logarithms, which gives a geometric
mean. The error along the track is nearly all of that length. [2] Kepler's third law: 100 m of semi-major axis at 550 km
is 1.9 s a day. What neither gives is marked as assumed; fit it to your own fleet where you can.

From a median to a standard deviation. An error along the track that is normal about 0 has a median size of 0.6745
sigma, so sigma is the median times 1.4826; its geometric mean is exp(-(0.5772 + ln 2)/2) = 0.5298 sigma. That it is
normal is assumed, since [1] gives no whole distribution; two public fleets at 780 and 1414 km, 18 days on, have sigmas
by median, by geometric mean and by mean square within 8 % and 28 % of each other (73 satellites each, those that
moved left out). Cohorts so widened and mixed as in [1] have a median of 0.96 km at 6 h, which is what [1] prints,
4.0 km at 1 d and 12 km at 3 d; at 7 d the power law falls short (28 km), and the printed 38 km counts. The newer
elements are themselves off by something at their epoch: nothing is taken off for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from datetime import datetime
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from passim.arrays import Floats
from passim.constants import SECONDS_PER_DAY
from passim.elements.records import Fleet
from passim.errors import ElementsError, EmptyFleetError, InputError, WayOut
from passim.spans import aware, microseconds

_HOUR_S: Final = 3600.0


@dataclass(frozen=True, kw_only=True)
class TimingModel:
    """How the timing error of a satellite grows with the age of its elements.

    Three things move a satellite against its prediction, and each is drawn independently of the others.

    Its own error, normal with `sigma_s`, the root of the sum of three squares:
        at_epoch_s              0.08 s, what the elements are off by at their epoch (0.6 km)
        per_day_s               0.7 s/day, an error of the mean motion (37 m of semi-major axis by [2])
        per_day2_s              0.11 s/day**2, an error of the drag (12 m/day of decay: half of it times 1.9 s by [2])
    With these sigma is 0.19 s at 6 h, 0.71 s at 1 d, 2.3 s at 3 d and 7.3 s at 7 d. With the shared error the medians
    along the track are 1.0 km, 3.7 km, 12 km and 38 km, those of [1] to about a tenth. They hold over all satellites:
    cohorts of [1] range from a third of that at 7 d to twice as much.

    A manoeuvre since the epoch. With the chance `manoeuvre_share` the error is normal with the wider `tail_sigma_s`:
        manoeuvre_shares        pairs (age in hours, share), those of 550 km in [1]: element pairs with a jump of over
                                100 m between them; straight lines between them, held beyond
        manoeuvre_per_day_s     4 s/day, what a manoeuvre adds to the mean motion (210 m by [2], assumed). It came at
                                any moment since the epoch alike, so its mean square is that of the whole age / 3

    An error that all share, such as air that a storm made denser than foreseen: one draw for the fleet, normal with
    `shared_sigma_s`:
        shared_per_day2_s       0.03 s/day**2 (3 m/day of decay, assumed for quiet days; `stormy` takes 0.3)

    Raises InputError for a number that is not finite or below 0, and for shares that do not rise with age.
    """

    at_epoch_s: float = 0.08
    per_day_s: float = 0.7
    per_day2_s: float = 0.11
    manoeuvre_shares: tuple[tuple[float, float], ...] = ((6.0, 0.09), (24.0, 0.12), (72.0, 0.22), (168.0, 0.35))
    manoeuvre_per_day_s: float = 4.0
    shared_per_day2_s: float = 0.03

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name == "manoeuvre_shares":
                continue
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 <= value < math.inf:
                raise InputError(
                    f"{field.name} of the timing model", got=value, wanted="a number of seconds, 0 or more",
                    try_next=f"{field.default}",
                )  # fmt: skip
        try:
            shares = np.asarray(self.manoeuvre_shares, dtype=np.float64)
        except (TypeError, ValueError):  # text, or rows of different lengths
            shares = np.full(1, np.nan)
        good = shares.size == 0 or (
            shares.ndim == 2
            and shares.shape[1] == 2
            and np.all(np.isfinite(shares) & (shares >= 0.0))
            and np.all(shares[:, 1] <= 1.0)
            and np.all(np.diff(shares[:, 0]) > 0.0)
            and np.all(np.diff(shares[:, 1]) >= 0.0)
        )
        if not good:
            raise InputError(
                "manoeuvre_shares of the timing model",
                got=self.manoeuvre_shares,
                wanted="pairs of an age in hours and a share from 0 to 1, both rising",
                try_next="((6, 0.09), (24, 0.12))",
            )
        object.__setattr__(self, "manoeuvre_shares", tuple((float(age_h), float(part)) for age_h, part in shares))

    @classmethod
    def steady(cls, sigma_s: float, *, shared_per_day2_s: float = 0.0) -> TimingModel:
        """Return a model with one `sigma_s` at every age, no manoeuvres and, unless given, nothing shared."""
        return cls(
            at_epoch_s=sigma_s, per_day_s=0.0, per_day2_s=0.0, manoeuvre_shares=(), manoeuvre_per_day_s=0.0,
            shared_per_day2_s=shared_per_day2_s,
        )  # fmt: skip

    @classmethod
    def stormy(cls) -> TimingModel:
        """Return the model for days of a geomagnetic storm: the shared error ten times that of quiet days (assumed)."""
        return cls(shared_per_day2_s=0.3)

    def sigma_s(self, age_s: ArrayLike) -> Floats:
        """Return the standard deviation, s, of a satellite's own timing error at an age of either sign, its shape."""
        days = _days(age_s)
        return np.sqrt(self.at_epoch_s**2 + (self.per_day_s * days) ** 2 + (self.per_day2_s * days**2) ** 2)

    def tail_sigma_s(self, age_s: ArrayLike) -> Floats:
        """Return the standard deviation, s, of the timing error of a satellite that has manoeuvred since its epoch."""
        return np.sqrt(self.sigma_s(age_s) ** 2 + (self.manoeuvre_per_day_s * _days(age_s)) ** 2 / 3.0)

    def manoeuvre_share(self, age_s: ArrayLike) -> Floats:
        """Return the share, 0 to 1, of satellites that have manoeuvred since their epoch."""
        days = _days(age_s)
        if not self.manoeuvre_shares:
            return np.zeros_like(days)
        ages_h, shares = np.array(self.manoeuvre_shares, dtype=np.float64).T
        return np.asarray(np.interp(days * 24.0, ages_h, shares), dtype=np.float64)

    def shared_sigma_s(self, age_s: ArrayLike) -> Floats:
        """Return the standard deviation, s, of the timing error that the whole fleet has in common."""
        return self.shared_per_day2_s * _days(age_s) ** 2

    def total_sigma_s(self, age_s: ArrayLike) -> Floats:
        """Return the standard deviation, s, to print beside a time: own and shared error, no manoeuvre."""
        return np.hypot(self.sigma_s(age_s), self.shared_sigma_s(age_s))

    def age_s(self, total_sigma_s: float) -> float:
        """Return the age, s, to the microsecond, at which `total_sigma_s` is reached; -inf where it is from the first.

        Infinity where it never is.
        """
        own, drift, bend = self.at_epoch_s, self.per_day_s * self.per_day_s, self.per_day2_s * self.per_day2_s
        bend += self.shared_per_day2_s * self.shared_per_day2_s
        # The square of the total is a quadratic in the square of the days; this form of its root loses no digits.
        more = total_sigma_s * total_sigma_s - own * own
        if more < 0.0:
            return -math.inf
        divisor = drift + math.sqrt(drift * drift + 4.0 * bend * more)
        return round(math.sqrt(2.0 * more / divisor) * SECONDS_PER_DAY, 6) if divisor > 0.0 else math.inf


@dataclass(frozen=True)
class Band:
    """What elements are good for whose timing error is up to some size.

    name        normal, odds beside times, odds only, statistics only, or refuse
    up_to_s     the greatest age in it, seconds: minus infinity where a timing model never lets it hold
    small       True where a timing model gives less than half of the errors that usually go with it, so that what keeps
                it where it is are satellites that may have manoeuvred
    """

    name: str
    up_to_s: float
    small: bool = False

    @property
    def shows_times(self) -> bool:
        """True where single predicted times may be shown."""
        return self.name in (_NORMAL.name, _BESIDE.name)

    @property
    def shows_odds(self) -> bool:
        """True where odds of single moments and events say more than the average does."""
        return self.name in (_NORMAL.name, _BESIDE.name, _ODDS.name)

    @property
    def lists_times(self) -> bool:
        """True where lists and pictures may hold single predicted times, with what they are worth said beside them."""
        return self.shows_odds

    @property
    def needs_odds(self) -> bool:
        """True where no time may stand without its odds."""
        return self.name in (_BESIDE.name, _ODDS.name)


# The limits are this project's own, from the growth in [1]: gaps last from a few to some dozens of seconds, so at 1 d
# their times stand, at 3 d they blur, and at 7 d the odds of a moment hardly differ from the average. These are ages by
# the usual model; by one with larger errors a band ends at the age at which that has the same error (`bands_of`). By a
# better one it ends no later: whoever manoeuvres is in no model's sigma. How long service is out in all does not hang
# on the errors, so its band ends after two weeks by any model.
_NORMAL: Final = Band("normal", 24 * _HOUR_S)
_BESIDE: Final = Band("odds beside times", 72 * _HOUR_S)
_ODDS: Final = Band("odds only", 168 * _HOUR_S)
_STATISTICS: Final = Band("statistics only", 336 * _HOUR_S)
_REFUSE: Final = Band("refuse", math.inf)
BANDS: Final = (_NORMAL, _BESIDE, _ODDS, _STATISTICS, _REFUSE)
# Past this age nothing is forecast unless told.
OLDEST_S: Final = _STATISTICS.up_to_s


@dataclass(frozen=True)
class Freshness:
    """How old the elements of a fleet are at a moment, and the band that puts them in.

    The band is that of the median age: odds weigh every satellite by its own age, so one stale set does not spoil
    the rest, and is told of by ``oldest_s``. ``sigma_s`` is the timing error at the median age, own and shared.
    """

    band: Band
    median_s: float
    oldest_s: float
    sigma_s: float


@lru_cache(maxsize=64)
def bands_of(model: TimingModel) -> tuple[Band, ...]:
    """Return the bands, the best first, with the ages at which they end by a timing model."""
    usual = TimingModel()
    found = []
    for band in BANDS[:3]:
        error_s = float(usual.total_sigma_s(band.up_to_s))
        small = band.needs_odds and float(model.total_sigma_s(band.up_to_s)) < 0.5 * error_s
        found.append(replace(band, up_to_s=min(model.age_s(error_s), band.up_to_s), small=small))
    return (*found, *BANDS[3:])


def band_of(age_s: float, model: TimingModel | None = None) -> Band:
    """Return the band of elements that are `age_s` seconds away from their epoch, either way, by a timing model.

    Raises InputError.
    """
    if not math.isfinite(age_s):
        raise InputError("age of elements", got=age_s, wanted="a number of seconds")
    return next(band for band in bands_of(model or TimingModel()) if abs(age_s) <= band.up_to_s)


def freshness_of(median_s: float, oldest_s: float, model: TimingModel | None = None) -> Freshness:
    """Return how fresh elements of these ages are, s, by a timing model. Raises InputError."""
    model = model or TimingModel()
    return Freshness(band_of(median_s, model), median_s, oldest_s, float(model.total_sigma_s(median_s)))


def freshness_of_each(median_s: Floats, oldest_s: Floats, model: TimingModel | None = None) -> list[Freshness]:
    """Return the same for many pairs of ages, s, at once. Raises InputError."""
    model = model or TimingModel()
    sigma_s = model.total_sigma_s(median_s)
    ages = zip(*(np.asarray(each, dtype=np.float64).tolist() for each in (median_s, oldest_s, sigma_s)), strict=True)
    return [Freshness(band_of(median, model), median, oldest, sigma) for median, oldest, sigma in ages]


def band_for(
    fleet: Fleet, moment: datetime, model: TimingModel | None = None, *, allow_stale: bool = False
) -> Freshness:
    """Return how fresh the element sets of `fleet` are at `moment` (aware).

    Of each object the set nearest `moment` counts, as in a search there. Raises ElementsError as `refuse_stale` does,
    unless `allow_stale`; EmptyFleetError when there are no sets.
    """
    model = model or TimingModel()
    moment = aware(moment, "moment of the forecast")
    if not len(fleet):
        raise EmptyFleetError("age of elements", got="a fleet without element sets", wanted="at least one satellite")
    nearest, _ = fleet.nearest(moment)
    ages_s = np.abs(nearest.epochs.astype("datetime64[us]").astype(np.int64) - microseconds(moment)) / 1e6
    median_s, oldest_s = float(np.median(ages_s)), float(ages_s.max())
    if not allow_stale:
        refuse_stale(fleet, moment, median_s)
    return freshness_of(median_s, oldest_s, model)


def refuse_stale(fleet: Fleet, when: datetime, median_s: float, *, at: str = "", instead: str = "another time") -> None:
    """Raise ElementsError where elements of a median age at `when` (aware) are too old for any forecast.

    `at` names that moment in the words of the question, and `instead` what to try beside newer elements, if any.
    """
    if median_s <= OLDEST_S:
        return
    moment = f"{when:%Y-%m-%d %H:%M} UTC"
    side = "old at" if max(record.epoch for record in fleet.records) <= when else "away from"
    raise ElementsError(
        f"elements are {age_words(median_s)} {side} {f'{at} ({moment})' if at else moment}",
        wanted=f"at most {age_words(OLDEST_S)}",
        try_next=", ".join(filter(None, ("newer elements", instead))),
        way_out=WayOut.ALLOW_STALE,
    )


def age_words(age_s: float) -> str:
    """Return an age as people say it, to a tenth at most: ``40 min``, ``6.5 h``, ``2.3 days``, ``2,520 days``."""
    age_s = abs(age_s)
    if age_s < 2 * _HOUR_S:
        return f"{age_s / 60.0:.0f} min"
    number, unit = (age_s / _HOUR_S, "h") if age_s < 48 * _HOUR_S else (age_s / SECONDS_PER_DAY, "days")
    return f"{number:,.0f} {unit}" if number >= 100.0 else f"{number:.1f}".removesuffix(".0") + f" {unit}"


def _days(age_s: ArrayLike) -> Floats:
    """Return ages in seconds, of either sign, as days."""
    return np.abs(np.asarray(age_s, dtype=np.float64)) / SECONDS_PER_DAY
