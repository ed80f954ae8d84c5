"""Parts to have at a depot in the days to come: what is expected to fail there, and so much that it is enough nine times in ten.

A model, not a promise. What fails now needs its part for sure. What gets worse slowly is expected to fail by its trend. Everything else
fails as often as its kind did so far, at the vehicle's own pace, more or less often by its age where enough failed to tell. Counts
scatter as a negative binomial of that mean, whose variance holds chance and that the rate itself is known from a few failures only;
lengths of tube and litres of grease as a gamma.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Final, cast

import numpy as np
import pandas as pd

from analytics.account.lives import FAILURES, FEWEST, Curve, curve
from ingest.arrays import Floats
from ingest.times import DAY_US

DAYS: Final = 90
ENOUGH: Final = 0.9
_FEWEST_FOR_AGE: Final = 20  # failures, before age counts
_OF_AGE: Final = 3.0  # times more or less often, at most, by age
_FEWEST_MONTHS: Final = 3
_A_DAY_OF_MONTH: Final = 30.4
_EARLY: Final = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True, kw_only=True)
class Need:
    """Of a part at a depot: how many are expected to be needed (None: nobody knows; at least so many where there is no `enough`), and how
    many are enough nine times in ten (None: of some of its failures too few were seen to say). `now` are for what has failed already,
    `wearing` of them for what gets worse."""

    depot: str
    part: str
    unit: str
    expected: float | None
    enough: float | None
    now: float
    wearing: float


def uses(what: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of failures of a kind, one for each part that mending takes as a rule (common practice, no source), with part, unit and
    amount; none where nobody can say."""
    injectors = rows[rows["feed"] == "injector"]
    by_kind: dict[str, list[tuple[pd.DataFrame, Any, str, Any]]] = {
        "open_line": [
            (rows, [f"tube, {bore:g} mm bore" for bore in rows["bore_mm"]], "m", rows["length_m"]), (rows, "fitting", "", 2.0),
        ],
        "blocked_line": [(rows, "fitting", "", 1.0), (injectors, "injector", "", 1.0)],
        "under_delivery": [(rows, "pumping element", "", 1.0)],
    }  # fmt: skip
    told = by_kind.get(what, [])
    columns = [mine.assign(part=part, unit=unit, amount=amount) for mine, part, unit, amount in told if len(mine)]
    return pd.concat(columns, ignore_index=True) if columns else pd.DataFrame()


@dataclass(frozen=True, kw_only=True)
class Rate:
    """Failures over line ignition hours of a kind of point, of those kinds of which few failed together, or of all: `of` says which.
    Where none was seen in so long that some should have been, half a failure is (Jeffreys)."""

    of: str
    failures: float
    hours: float
    course: Curve | None = None  # over age, where enough failed

    @property
    def per_h(self) -> float:
        """Failures in an hour."""
        return self.failures / self.hours


_ALL: Final = ""
_OTHERS: Final = "others"
Rates = Mapping[tuple[str, str], Rate]  # (kind of finding, kind of point; empty: of all) -> rate


def rates_of(cells: pd.DataFrame, lives: pd.DataFrame) -> Rates:
    """The rates of kinds of finding of which FEWEST failed. `cells` has columns what, point, failures, hours; `lives` as `lives.curve`
    wants it, with what and point."""
    found: dict[tuple[str, str], Rate] = {}
    for what in FAILURES:
        mine = cells[(cells["what"] == what) & (cells["hours"] > 0)].groupby("point")[["failures", "hours"]].sum()
        failures, hours = float(mine["failures"].sum()), float(mine["hours"].sum())
        if failures < FEWEST:
            continue
        every = Rate(of=_ALL, failures=failures, hours=hours)
        few = mine[mine["failures"] < FEWEST]
        few_failures, few_hours = float(few["failures"].sum()), float(few["hours"].sum())
        # That hardly any failed means something where by the others FEWEST should have.
        tells = few_hours * every.per_h >= FEWEST
        others = Rate(of=_OTHERS, failures=max(few_failures, 0.5), hours=few_hours) if tells else every
        found[what, _ALL] = every
        for point, own in mine.iterrows():
            number, own_lives = float(own["failures"]), lives[(lives["what"] == what) & (lives["point"] == point)]
            course = curve(own_lives) if number >= _FEWEST_FOR_AGE else None
            alone = Rate(of=str(point), failures=number, hours=float(own["hours"]), course=course)
            found[what, str(point)] = others if number < FEWEST else alone
    return found


def chances(parts: pd.DataFrame, rates: Rates, days: float = DAYS) -> pd.DataFrame:
    """Parts with `chance`, that each fails within so many days (NaN where too few of its kind failed to say); `wearing`, that it does by
    its trend; `of`, whose rate it rests on, and `rests_on`, how many failures that is (NaN: none). Columns of `parts`: what, point,
    lines, pace_h (ignition hours a day), age_h (NaN: not known), fails_now, worn_days and worn_early_days (until its trend passes its
    limit; NaN: it does not)."""
    from scipy.special import ndtr  # here, since it takes long to load

    told = [rates.get((what, point)) or rates.get((what, _ALL))
            for what, point in zip(parts["what"], parts["point"], strict=True)]  # fmt: skip
    ahead_h = parts["pace_h"].to_numpy(float) * days
    rate = np.array([np.nan if one is None else one.per_h for one in told], float)
    for key, rows in parts.groupby(["what", "point"]).indices.items():
        own = rates.get(cast("tuple[str, str]", key))
        if own is not None and own.course is not None:
            rate[rows] *= _by_age(own.course, own.per_h, parts["age_h"].to_numpy(float)[rows], ahead_h[rows])
    chance = -np.expm1(-rate * parts["lines"].to_numpy(float) * ahead_h)
    passes, early = (parts[name].to_numpy(float) for name in ("worn_days", "worn_early_days"))
    worn = np.nan_to_num(ndtr((days - passes) / np.maximum((passes - early) / _EARLY, 1.0)), nan=0.0)
    now = parts["fails_now"].to_numpy(bool)
    chance = np.where(now, 1.0, np.where(worn > 0, np.fmax(chance, worn), chance))
    return parts.assign(
        chance=chance, wearing=np.where(now, 0.0, worn), of=["" if one is None else one.of for one in told],
        rests_on=np.array([np.nan if one is None else one.failures for one in told], float),
    )  # fmt: skip


def _by_age(course: Curve, per_h: float, age_h: Floats, ahead_h: Floats) -> Floats:
    """How much more often parts of these ages fail in the hours to come than their kind does, by its course; 1 where that is not known."""
    until_h = np.minimum(age_h + ahead_h, course.at_h[-1])
    now, then, seen_h = course.at(age_h), course.at(until_h), until_h - age_h
    with np.errstate(divide="ignore", invalid="ignore"):
        told = np.log(now / then) / seen_h / per_h
    known = np.isfinite(told) & (seen_h > ahead_h / 2)
    return np.asarray(np.where(known, np.clip(told, 1 / _OF_AGE, _OF_AGE), 1.0), np.float64)


def needs(parts: pd.DataFrame) -> list[Need]:
    """What each depot needs of each part, by what `chances` gave; `parts` has columns depot, feed, length_m and bore_mm besides."""
    rows = pd.concat(
        [uses(str(what), mine) for what, mine in parts.groupby("what")] or [pd.DataFrame()], ignore_index=True
    )
    if rows.empty:
        return []
    amount, chance, now = rows["amount"], rows["chance"], rows["fails_now"].astype(bool)
    rows = rows.assign(
        now=amount.where(now, 0.0), worn=amount * rows["wearing"], mean=(amount * chance).where(~now, 0.0),
        chance_variance=(amount**2 * chance * (1 - chance)).where(~now, 0.0), unknown=~now & (chance.isna() | rows["rests_on"].isna()),
    )  # fmt: skip
    out = []
    for key, mine in rows.groupby(["depot", "part", "unit"]):
        depot, part, unit = map(str, cast("tuple[Any, ...]", key))
        # What rests on one rate is wrong together: a rate of so many failures is known to 1 / sqrt of them.
        rests = (
            mine[~mine["unknown"] & (mine["mean"] > 0)].groupby(["what", "of", "rests_on"])["mean"].sum().reset_index()
        )
        variance = float(mine["chance_variance"].sum() + (rests["mean"] ** 2 / rests["rests_on"]).sum())
        mean, sure, known = float(mine["mean"].sum()), float(mine["now"].sum()), not mine["unknown"].any()
        out.append(
            Need(
                depot=depot, part=part, unit=unit, expected=sure + mean if known or sure + mean > 0 else None,
                enough=sure + upper(mean, variance, whole=not unit) if known else None, now=sure, wearing=float(mine["worn"].sum()),
            )
        )  # fmt: skip
    return out


def upper(mean: float, variance: float, *, whole: bool, share: float = ENOUGH) -> float:
    """The point that a count (`whole`) or an amount of such a mean and variance does not pass in `share` of cases."""
    if mean <= 0:
        return 0.0
    from scipy import stats  # here, since it takes long to load

    if not whole:
        return float(stats.gamma.ppf(share, mean**2 / variance, scale=variance / mean)) if variance > 0 else mean
    if variance <= mean:
        return float(stats.poisson.ppf(share, mean))
    return float(stats.nbinom.ppf(share, mean**2 / (variance - mean), mean / variance))


@dataclass(frozen=True, kw_only=True)
class Course:
    """Grease of a grade at a depot: litres a day at the present pace, and litres used in whole months, oldest first."""

    depot: str
    grease: str
    litres_a_day: float
    months_l: tuple[float, ...]


def grease_needs(courses: Sequence[Course], days: float = DAYS) -> list[Need]:
    """Litres of each grease that each depot needs; how months differed says how much is enough."""
    out = []
    for one in courses:
        mean, enough = one.litres_a_day * days, None
        if len(one.months_l) >= _FEWEST_MONTHS and np.mean(one.months_l) > 0:
            variation = float(np.std(one.months_l, ddof=1) / np.mean(one.months_l))
            enough = upper(mean, (variation * mean) ** 2 * _A_DAY_OF_MONTH / days, whole=False)
        out.append(Need(depot=one.depot, part=one.grease, unit="l", expected=mean, enough=enough, now=0.0, wearing=0.0))
    return out


def days_until(at_us: int | None, now_us: int) -> float:
    """Days from now on; NaN where that is never."""
    return np.nan if at_us is None else max(0.0, (at_us - now_us) / DAY_US)
