"""What lines of a vehicle ought to read beside each other: nothing in a line's own past tells a fault that was there from the start."""

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from analytics.vehicle.history import History
from ingest.arrays import Floats
from ingest.setups import Line

ODD_RATIO: Final = 2.2  # lines alike by length, bore and dose differ by less
_FEWEST_LINES: Final = 3
_MANY_LINES: Final = 8  # from so many on a vehicle's own lines tell how pressure goes with length, bore and dose
# Where they are fewer: the power of each that grease through a tube and a joint shows (power law of flow index 0.3 to 0.5, a good
# third of the pressure held by the joint), and its standard deviation. Common practice, no source.
_POWER: Final = {"length_m": (0.6, 0.25), "bore_mm": (-1.3, 0.5), "dose_cm3": (0.25, 0.15)}


def sister_ratios(lines: Sequence[Line], log_kpa: Floats) -> tuple[Floats, float]:
    """(each line's pressure against that of lines like it, as logarithms; their scatter), by a robust regression of the vehicle's
    own lines on length, bore and dose; with fewer than eight of them by what tubes have in common. Fewer than three give NaN."""
    if len(lines) < _FEWEST_LINES:
        return np.full(len(lines), np.nan), np.nan
    if len(lines) < _MANY_LINES:
        power = np.array([[np.log(getattr(line, name)) for name in _POWER] for line in lines])
        off = log_kpa - power @ [mean for mean, _ in _POWER.values()]
        off = off - np.median(off)
        # Lines that differ much from the others may be off by as much as the powers are not known.
        doubt = float(np.sqrt(((power - np.median(power, axis=0)) ** 2 @ [sd**2 for _, sd in _POWER.values()]).max()))
        return off, max(1.4826 * float(np.median(np.abs(off))), doubt, 0.15)
    # Here, since they take long to load.
    from statsmodels.robust.norms import TukeyBiweight
    from statsmodels.robust.robust_linear_model import RLM

    fit = RLM(log_kpa, alike(lines), M=TukeyBiweight()).fit()
    return np.asarray(fit.resid), float(fit.scale)


def alike(lines: Sequence[Line]) -> Floats:
    """What lines are compared by, (lines, terms): length, bore and dose, as far as they differ."""
    x = np.log([[line.length_m, line.bore_mm, line.dose_cm3] for line in lines])
    return np.column_stack([np.ones(len(x)), x[:, np.ptp(x, axis=0) > 1e-6]])


def odd_limit(scatter: float) -> float:
    """How far, as a logarithm, a line may lie off those like it."""
    return max(float(np.log(ODD_RATIO)), 4 * scatter)


def odd_lines(history: History, channels: Sequence[str]) -> Callable[[Floats], Floats]:
    """A function of (channels,) log kPa that gives for each channel with a line of its own by how much, as a logarithm, it lies off
    lines like it where that is too much, 0 where it is not, NaN where nothing tells."""
    number = Counter(line.channel for line in history.setup.lines)
    own = {line.channel: line for line in history.setup.lines if line.channel and number[line.channel] == 1}

    def odd(log_kpa: Floats) -> Floats:
        told = np.full(len(channels), np.nan)
        places = [j for j, name in enumerate(channels) if name in own and np.isfinite(log_kpa[j])]
        off, scatter = sister_ratios([own[channels[j]] for j in places], log_kpa[places])
        told[places] = np.where(np.abs(off) > odd_limit(scatter), off, 0.0)
        told[np.isin(np.arange(len(channels)), places) & np.isnan(scatter)] = np.nan
        return told

    return odd
