"""How long lines, points and pumps last, and which of them fail more often than others.

A part's life is counted in ignition hours from its fitting or its latest repair. What was fitted before anybody watched comes in late
(left-truncated: parts that failed before were never seen), what has not failed yet only says that it lasted so long (right-censored).
Curves are Kaplan and Meier's with such entries (statsmodels' `SurvfuncRight`), their limits those of log(-log); regression over lives is
Cox's (`PHReg`). How often things fail is a Poisson regression of failures with ignition hours as exposure, or a negative binomial one
where they scatter more than chance; of many comparisons those are told that stand by Benjamini and Hochberg (1995).
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Final

import numpy as np
import pandas as pd

from ingest.arrays import Floats
from ingest.languages import later

# Findings that tell of a part that failed, and what failed.
FAILURES: Final = {
    "open_line": "line",
    "blocked_line": "point or its line",
    "under_delivery": "pumping elements",
    "missed_cycles": "drive of the pump",
}
# What may be compared: column, and what people call it.
DIMENSIONS: Final = {
    "point": later("kind of point"),
    "depot": later("depot"),
    "vehicle_class": later("class of vehicle"),
    "grease": later("grease"),
}
FEWEST: Final = 5  # failures, of a group and of all others, before anything is said of it
FEWEST_AT_RISK: Final = 10  # parts, where a curve begins: with fewer one failure would take it to the ground
MOST_ROWS: Final = 5_000  # of a regression: of more lives, vehicles are drawn by lot; more cells are added up
_SCATTERS: Final = 1.3  # times chance: then failures come in heaps
_EXPLAINS: Final = 0.01  # log likelihood by which heaps must be the likelier; without any their share ends at the edge of what is possible
_FALSE: Final = 0.05  # share of false ones among what is told
_Z: Final = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True, kw_only=True)
class Curve:
    """Of parts of a group that reached `from_h` ignition hours, the share that reaches each of `at_h` (n,), with 95 % limits."""

    group: str
    parts: int
    failures: int
    from_h: float
    at_h: Floats
    share: Floats
    low: Floats
    high: Floats

    def at(self, hours: Floats) -> Floats:
        """(n,) the share that reaches each of the ages (n,); NaN outside of what was seen."""
        place = np.searchsorted(self.at_h, hours, "right")
        seen = (hours >= self.from_h) & (hours <= self.at_h[-1])
        return np.where(seen, np.r_[1.0, self.share][place], np.nan)


def curve(lives: pd.DataFrame, group: str = "all") -> Curve | None:
    """The curve of lives (columns entry_h, exit_h, failed: one part a row); None where too few failed."""
    lives = lives[lives["exit_h"] > lives["entry_h"]]
    failures = int(lives["failed"].sum())
    if failures < FEWEST:
        return None
    from_h = _begins_at(lives)
    late = lives[lives["exit_h"] > from_h]
    if int(late["failed"].sum()) < FEWEST:
        return None
    from statsmodels.duration.survfunc import SurvfuncRight  # here, since it takes long to load

    told = SurvfuncRight(late["exit_h"], late["failed"], entry=np.maximum(late["entry_h"], from_h))
    at_h, share, error = (np.asarray(v, np.float64) for v in (told.surv_times, told.surv_prob, told.surv_prob_se))
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = _Z * error / (share * np.abs(np.log(share)))
        low, high = share ** np.exp(spread), share ** np.exp(-spread)
    last = float(late["exit_h"].max())
    return Curve(
        group=group, parts=len(late), failures=int(late["failed"].sum()), from_h=from_h,
        at_h=np.r_[at_h, last], share=np.r_[share, share[-1]],
        low=np.nan_to_num(np.r_[low, low[-1]], nan=0.0), high=np.nan_to_num(np.r_[high, high[-1]], nan=1.0),
    )  # fmt: skip


def _begins_at(lives: pd.DataFrame) -> float:
    """The first age at which enough parts were watched."""
    entry, exit_ = np.sort(lives["entry_h"].to_numpy(float)), np.sort(lives["exit_h"].to_numpy(float))
    ages = np.unique(entry)
    at_risk = np.searchsorted(entry, ages, "right") - np.searchsorted(exit_, ages, "right")
    enough = np.flatnonzero(at_risk >= min(FEWEST_AT_RISK, len(lives)))
    return float(ages[enough[0]]) if len(enough) else float(ages[-1])


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Failures of one group against all others of its kind: so many times as often, with 95 % limits. `where` says the group, by names
    of DIMENSIONS; `adjusted` for what else was held equal."""

    what: str
    where: tuple[tuple[str, str], ...]
    failures: int
    hours: float
    ratio: float
    low: float
    high: float
    p_value: float
    adjusted: tuple[str, ...]


def rate_model(failures: Floats, hours: Floats, design: Floats) -> tuple[Floats, Floats]:
    """(coefficients, their covariance) of log rates over rows (n,) of a design (n, terms) with an intercept: Poisson, or negative
    binomial where failures scatter by more than chance."""
    # Here, since they take long to load; each by its own name, since the library as a whole takes three times as long.
    from statsmodels.discrete.discrete_model import NegativeBinomial
    from statsmodels.genmod.families import Poisson
    from statsmodels.genmod.generalized_linear_model import GLM

    with warnings.catch_warnings():
        warnings.simplefilter(
            "ignore"
        )  # as many terms as rows leave no scatter to be judged; whether it converged is asked below
        poisson = GLM(failures, design, family=Poisson(), exposure=hours).fit()
        scatter = float(poisson.pearson_chi2) / max(poisson.df_resid, 1)
        if scatter <= _SCATTERS or poisson.df_resid <= design.shape[1]:
            return np.asarray(poisson.params), np.asarray(poisson.cov_params()) * max(1.0, scatter)
        start = np.r_[poisson.params, 0.1]
        told = NegativeBinomial(failures, design, exposure=hours).fit(start_params=start, disp=0, maxiter=200)
    explains = told.mle_retvals["converged"] and float(told.llf - poisson.llf) > _EXPLAINS
    if explains and np.isfinite(told.bse).all():
        return np.asarray(told.params, np.float64)[:-1], np.asarray(told.cov_params(), np.float64)[:-1, :-1]
    return np.asarray(poisson.params), np.asarray(poisson.cov_params()) * max(1.0, scatter)


def compare(cells: pd.DataFrame, what: str) -> list[Comparison]:
    """What fails more or less often beyond chance, the surest first: of kinds, depots, classes and greases, each with the others held
    equal, and of each kind of point by depot. `cells` has columns of DIMENSIONS, failures and hours: one row a vehicle and kind of point,
    so that vehicles of which everything fails are seen as what they are."""
    if len(cells) > MOST_ROWS:
        cells = cells.groupby(list(DIMENSIONS))[["failures", "hours"]].sum().reset_index()
    told = _compared(cells, tuple(DIMENSIONS), what, ())
    if cells["point"].nunique() > 1:
        for kind, mine in cells.groupby("point"):
            told += _compared(mine, ("depot", "vehicle_class"), what, (("point", str(kind)),))
    return _proven(told)


def _proven(told: Sequence[Comparison]) -> list[Comparison]:
    if not told:
        return []
    from statsmodels.stats.multitest import multipletests  # here, since it takes long to load

    stands = multipletests([one.p_value for one in told], _FALSE, "fdr_bh")[0]
    return sorted((one for one, so in zip(told, stands, strict=True) if so), key=lambda one: one.p_value)


def _compared(
    cells: pd.DataFrame, dimensions: Sequence[str], what: str, within: tuple[tuple[str, str], ...]
) -> list[Comparison]:
    """Each level of a dimension against the others; below a kind of point, depots only are told."""
    cells = cells[cells["hours"] > 0]
    terms = design_of(cells, dimensions, "failures", "hours")
    if terms is None:
        return []
    beta, cov = rate_model(cells["failures"].to_numpy(float), cells["hours"].to_numpy(float), terms.matrix)
    wanted = [one for one in terms.levels if not within or one[0] == "depot"]
    out = []
    for dimension, level in wanted:
        mine = cells[cells[dimension] == level]
        ratio, low, high, p = _contrast(terms, dimension, level, beta, cov)
        out.append(
            Comparison(
                what=what, where=(*within, (dimension, level)), failures=int(mine["failures"].sum()), hours=float(mine["hours"].sum()),
                ratio=ratio, low=low, high=high, p_value=p, adjusted=tuple(d for d in terms.dimensions if d != dimension),
            )
        )  # fmt: skip
    return out


def same_age(lives: pd.DataFrame, dimension: str, what: str) -> list[Comparison]:
    """The same over lives: each level of a dimension against the others, at the same age; by Cox's regression with entries."""
    lives = _drawn(lives[lives["exit_h"] > lives["entry_h"]])
    lives = lives.assign(hours=lives["exit_h"] - lives["entry_h"], failures=lives["failed"])
    terms = design_of(lives, (dimension, *(d for d in DIMENSIONS if d != dimension)), "failures", "hours")
    if terms is None or terms.dimensions[0] != dimension:
        return []
    found, spread = hazard_model(lives, terms.matrix[:, 1:], lives["vehicle_id"].to_numpy(int))
    beta, cov = np.r_[0.0, found], np.zeros((len(found) + 1,) * 2)
    cov[1:, 1:] = spread
    out = []
    for name, level in terms.levels:
        if name == dimension:
            mine = lives[lives[dimension] == level]
            ratio, low, high, p = _contrast(terms, name, level, beta, cov)
            out.append(
                Comparison(
                    what=what, where=((name, level),), failures=int(mine["failed"].sum()), hours=float(mine["hours"].sum()), ratio=ratio,
                    low=low, high=high, p_value=p, adjusted=terms.dimensions[1:],
                )
            )  # fmt: skip
    return sorted(out, key=lambda one: -one.ratio)


def hazard_model(lives: pd.DataFrame, design: Floats, vehicles: Any = None) -> tuple[Floats, Floats]:
    """(coefficients, their covariance) of Cox's regression of lives on a design (n, terms) without an intercept, ties by Efron; what is
    alike on a vehicle, (n,) by number, widens the covariance."""
    from statsmodels.duration.hazard_regression import PHReg  # here, since it takes long to load

    # Whoever comes in at the very time of a failure was not at risk of it; the library counts it so only where it comes in later.
    entry = np.nextafter(lives["entry_h"].to_numpy(float), np.inf)
    model = PHReg(
        lives["exit_h"].to_numpy(float), design, status=lives["failed"].to_numpy(int), entry=entry, ties="efron"
    )
    told = model.fit() if vehicles is None else model.fit(groups=vehicles)
    return np.asarray(told.params, np.float64), np.asarray(told.cov_params(), np.float64)


def _drawn(lives: pd.DataFrame) -> pd.DataFrame:
    """Lives of whole vehicles, by lot, as many as a regression takes; always the same ones."""
    if len(lives) <= MOST_ROWS:
        return lives
    vehicles = lives["vehicle_id"].unique()
    chosen = np.random.default_rng(0).permutation(vehicles)[: int(len(vehicles) * MOST_ROWS / len(lives))]
    return lives[lives["vehicle_id"].isin(chosen)]


@dataclass(frozen=True)
class Terms:
    """A design (n, terms): an intercept, and a column for each level of each dimension but its first. `levels` may be told of; `place`
    is their column (None: the first), `weight` their exposure."""

    matrix: Floats
    dimensions: tuple[str, ...]
    levels: tuple[tuple[str, str], ...]
    place: dict[tuple[str, str], int | None]
    weight: dict[tuple[str, str], float]


_REST: Final = "\0rest"  # levels of too few failures, together


def design_of(rows: pd.DataFrame, dimensions: Sequence[str], failures: str, hours: str) -> Terms | None:
    """Levels of FEWEST failures and more, against FEWEST elsewhere; a dimension that says what others say already is left out. None
    where nothing can be compared."""
    total, columns = int(rows[failures].sum()), [np.ones(len(rows))]
    used, levels = [], []
    place, weight = dict[tuple[str, str], int | None](), dict[tuple[str, str], float]()
    for dimension in dimensions:
        by = rows.groupby(dimension)[[failures, hours]].sum()
        known = [str(x) for x in by.index[(by[failures] >= FEWEST) & (total - by[failures] >= FEWEST)]]
        value = rows[dimension].where(rows[dimension].isin(known), _REST)
        rest = float(rows[hours][value == _REST].sum())
        named = [*known, *([_REST] if rest and int(rows[failures][value == _REST].sum()) else [])]
        if len(named) < 2:
            continue
        # Levels in which nothing failed join the first: a rate of none has no logarithm.
        more = [np.asarray(value == name, float) for name in named[1:]]
        if np.linalg.matrix_rank(np.column_stack([*columns, *more])) < len(columns) + len(more):
            continue
        for k, name in enumerate(named):
            place[dimension, name] = None if k == 0 else len(columns) + k - 1
            weight[dimension, name] = float(rows[hours][value == name].sum())
        columns += more
        used.append(dimension)
        levels += [(dimension, name) for name in known]
    if not used:
        return None
    return Terms(np.column_stack(columns), tuple(used), tuple(levels), place, weight)


def _contrast(terms: Terms, dimension: str, level: str, beta: Floats, cov: Floats) -> tuple[float, float, float, float]:
    """(ratio, its 95 % limits, p-value) of a level against the others of its dimension, by their exposure."""
    others = [key for key in terms.place if key[0] == dimension and key[1] != level]
    total = sum(terms.weight[key] for key in others)
    row = np.zeros(len(beta))
    for key, share in (((dimension, level), 1.0), *((key, -terms.weight[key] / total) for key in others)):
        place = terms.place[key]
        if place is not None:
            row[place] += share
    log_ratio, error = float(row @ beta), float(np.sqrt(row @ cov @ row))
    p = 2 * NormalDist().cdf(-abs(log_ratio) / error)
    low, high = (float(np.exp(log_ratio + sign * _Z * error)) for sign in (-1, 1))
    return float(np.exp(log_ratio)), low, high, p


def as_rows(told: Sequence[Comparison]) -> list[dict[str, Any]]:
    """For other programs."""
    return [
        {"what": one.what, **{f"in_{name}": level for name, level in one.where}, "failures": one.failures,
         "ignition_hours": round(one.hours, 1), "times_as_often": round(one.ratio, 3), "low": round(one.low, 3), "high": round(one.high, 3)}
        for one in told
    ]  # fmt: skip
