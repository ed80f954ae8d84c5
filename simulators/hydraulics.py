"""Grease through lines: the pressure that a pump has to give, what gets through, and what a pressure sensor sees of it.

Three ways to share the grease out. *Direct*: each line has a pumping element of its own, which gives its dose over the run.
*Progressive*: the pump's whole flow goes through one outlet of the divider after another, so that the main line sees the
outlet whose turn it is, and one that lets nothing through stops them all. *Injector*: the main line is brought to the pressure
at which the injectors fire, and then vented, so that they reload.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulators import grease
from simulators.scenario import Machine

Floats = NDArray[np.float64]

_TEMPS: Final = np.linspace(-50.0, 60.0, 111)
_BACK_KPA: Final = (700.0, 2600.0)  # what a joint holds against the grease
_DIVIDER_KPA: Final = 1800.0
_INJECTOR_KPA: Final = 15_500.0
_RELOAD_KPA: Final = 1400.0  # to which a vented main line falls
_LINE_SHARE: Final = 0.35  # of the worst line's pressure that an injector's main line sees


@dataclass(frozen=True)
class Strokes:
    """What each cycle's pump run does: `main_kpa` (n,), `line_kpa` (n, lines), `through` (n, lines) share of each dose
    that leaves the pump, `stopped` (n,) whether the divider stood."""

    main_kpa: Floats
    line_kpa: Floats
    through: Floats
    stopped: NDArray[np.bool_]


class Lines:
    """The tubes and joints of one machine."""

    def __init__(self, machine: Machine, rng: np.random.Generator) -> None:
        self.machine = machine
        self.dose_mm3 = np.array([p.dose_cm3 * 1000 for p in machine.points])
        self.length_m = np.array([p.length_m for p in machine.points])
        self.radius_mm = np.array([p.bore_mm / 2 for p in machine.points])
        self.back_kpa = rng.uniform(*_BACK_KPA, len(machine.points))
        # Within a tenth in 1,000 hours of work, whichever way: a line that changes faster is not ageing but failing.
        self.ageing_per_h = 0.02 * np.clip(rng.standard_normal(len(machine.points)), -1.4, 1.4) / 30 / 24
        flow = self.dose_mm3 if machine.feed == "direct" else np.full_like(self.dose_mm3, self.dose_mm3.sum())
        self.flow_mm3_s = flow / machine.run_s
        self.yield_pa, self.consistency = grease.properties(machine.nlgi, _TEMPS)
        shape = (len(_TEMPS), len(flow))
        self._tube_kpa = grease.pressure_kpa(
            np.broadcast_to(self.flow_mm3_s, shape), self.length_m, 2 * self.radius_mm,
            np.broadcast_to(self.yield_pa[:, None], shape), np.broadcast_to(self.consistency[:, None], shape),
        )  # fmt: skip
        warm = self.consistency[np.searchsorted(_TEMPS, 10.0)]
        self._joint_kpa = self.back_kpa * (self.consistency[:, None] / warm) ** 0.3

    def stroke(
        self, temp_c: Floats, stiffness: Floats, age_h: Floats, choke: Floats, leak: Floats, wear: Floats
    ) -> Strokes:
        """Run the pump n times: grease at `temp_c` (n,), made stiffer by `stiffness` (n,) after a stop; (n, lines) factors
        by which a line is choked (1: free), open (1: whole, towards 0: broken) and its element worn (1: new)."""
        tube, joint = self._at(self._tube_kpa, temp_c), self._at(self._joint_kpa, temp_c)
        ageing = np.exp(self.ageing_per_h * age_h[:, None])
        # A worn element pushes less, and less flow needs less pressure: by the power of the flow index.
        tube = tube * wear**grease.FLOW_INDEX
        need = (tube + joint) * stiffness[:, None] * ageing * choke * leak
        relief = self.machine.relief_kpa
        over = need > relief
        through = wear * np.ones_like(need)
        if over.any():
            # What the relief valve leaves for the tube decides how much still gets through it.
            left = np.where(over, np.maximum(relief / (stiffness[:, None] * ageing * choke) - joint, 0.0), 0.0)
            wall = left * 1000 * self.radius_mm / 1000 / (2 * self.length_m)
            stress, stiff = (np.interp(temp_c, _TEMPS, v)[:, None] for v in (self.yield_pa, self.consistency))
            flow = grease.flow_mm3_s(wall, self.radius_mm, stress, stiff, grease.FLOW_INDEX)
            through = np.where(over, np.minimum(flow / self.flow_mm3_s, wear), through)
        return self._shared_out(need, through, over)

    def _shared_out(self, need: Floats, through: Floats, over: NDArray[np.bool_]) -> Strokes:
        nobody = np.zeros(len(need), bool)
        match self.machine.feed:
            case "progressive":
                stopped = np.asarray(over.any(axis=1))
                # The outlets before the one that stands still get their first pistonful, a tenth of the dose.
                turn = np.argmax(over, axis=1)
                early = np.arange(need.shape[1]) < turn[:, None]
                through = np.where(stopped[:, None], 0.1 * early, through)
                return Strokes(need.max(axis=1) + _DIVIDER_KPA, need, through, stopped)
            case "injector":
                return Strokes(_INJECTOR_KPA + _LINE_SHARE * need.max(axis=1), need, through, nobody)
            case _:
                return Strokes(need.max(axis=1), need, through, nobody)

    def _at(self, table: Floats, temp_c: Floats) -> Floats:
        """Rows of a (temperatures, lines) table at temperatures (n,), between two rows in proportion."""
        place = np.clip((temp_c - _TEMPS[0]) / (_TEMPS[1] - _TEMPS[0]), 0, len(_TEMPS) - 1.001)
        low = place.astype(np.int64)
        part = (place - low)[:, None]
        return np.asarray(table[low] * (1 - part) + table[low + 1] * part)


def rest_kpa(peak_kpa: Floats, held: NDArray[np.bool_], rng: np.random.Generator) -> Floats:
    """(n,) main-line pressure 10 s after an injector system's run: vented to reload, or still held."""
    vented = _RELOAD_KPA * np.exp(0.1 * rng.standard_normal(len(peak_kpa)))
    return np.where(held, 0.62 * peak_kpa, vented)


def trace_kpa(
    machine: Machine, run_s: float, peak_kpa: float, outlets_kpa: Floats, rest: float, free: float,
    rng: np.random.Generator,
) -> tuple[float, list[float]]:  # fmt: skip
    """(seconds between samples, samples in kPa) of one channel over one cycle and the half minute after it.

    Direct: the tube fills and swells, then grease moves at a steady pressure, then it decays to what the yield stress
    holds. Progressive: one hump for each outlet in its turn, over and over. Injector: a ramp, held, and vented. `free` is how
    freely grease gets out: below 1 through a choked line, so that pressure stays; above 1 through a leak, so that it rises
    slowly.
    """
    dt_s = max(1.0, round((run_s + 30) / 120, 1))
    t = np.arange(0, run_s + 30, dt_s)
    running = t < run_s
    match machine.feed:
        case "progressive":
            round_s = run_s / 3  # the divider goes round three times in a run
            turn = ((t % round_s) / round_s * len(outlets_kpa)).astype(int) % len(outlets_kpa)
            level = outlets_kpa[turn] / outlets_kpa.max() * peak_kpa
            level = level * (1 - np.exp(-t / 6))
        case "injector":
            level = peak_kpa * np.minimum(1.0, t / (0.45 * run_s))
        case _:
            level = peak_kpa * (1 - np.exp(-t / (0.12 * run_s * max(free, 0.5) ** 0.7)))
    held = rest if np.isfinite(rest) else (0.3 + 0.5 * max(0.0, 1 - free)) * peak_kpa
    fall_s = 3.0 if machine.feed == "injector" else 12.0 / np.clip(free, 0.1, 1.0)
    after = held + (level[running][-1] - held) * np.exp(-(t - run_s) / fall_s)
    seen = np.where(running, level, after) * (1 + 0.01 * rng.standard_normal(len(t)))
    return dt_s, [float(v) for v in np.round(seen, -1)]
