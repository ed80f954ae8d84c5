"""Rate of the simulation on one processor: `python -m tests.benchmarks.simulate_rate --cycles 1000000`.

Vehicles with 24 lines and a channel for each, one after another, until so many cycles are worked out as arrays; writing the
messages of some of them as log lines is measured apart.
"""

import argparse
import resource
import time
from dataclasses import replace

from simulators import sensors
from simulators.controller import messages
from simulators.fleet import log_line
from simulators.machine import Simulation
from simulators.scenario import load

END_H = 490_000.0


def main() -> None:
    """Simulate and print the rates."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--cycles", type=int, default=100_000)
    ask.add_argument("--days", type=int, default=365)
    asked = ask.parse_args()
    story = load("demo")
    machine = next(m for m in story.machines if len(m.points) == 18 and m.channel_by == "line")
    points = tuple(replace(p, line=n) for n, p in enumerate((machine.points * 2)[:24], start=1))
    machine = replace(machine, points=points, vehicle_class="shift truck", interval_min=20.0)
    done = n = lines = 0
    working_s = writing_s = 0.0
    while done < asked.cycles:
        began = time.perf_counter()
        run = Simulation(machine, story.depots["north"], END_H - 24 * asked.days, asked.days, END_H, [1, n])
        channels = sensors.of_cycles(run).channels
        working_s += time.perf_counter() - began
        done, n = done + len(run.cycle_clock), n + 1
        if n == 1:
            began = time.perf_counter()
            for sent in messages(run):
                log_line("f", "v", sent)
                lines += 1
            writing_s = time.perf_counter() - began
    print(f"{done} cycles of {len(channels)} channels in {working_s:.1f} s: {done / working_s:.0f} cycles/s")
    print(f"{lines} messages written as log lines in {writing_s:.1f} s: {lines / writing_s:.0f} messages/s")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
