"""Runs benchmarks and writes what they print into FIGURES.md: `python -m tests.benchmarks [NAME...]`, all without a name.

A section that was not run stays as it was, with the day and the version that it was measured with.
"""

import argparse
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

PAGE: Final = Path(__file__).with_name("FIGURES.md")
# Name -> the module's arguments: what one machine of two processors does in some minutes.
BENCHMARKS: Final[dict[str, tuple[str, ...]]] = {
    "ingest_rate": ("--messages", "100000"),
    "sparkplug_rate": ("--messages", "50000"),
    "simulate_rate": ("--cycles", "1000000"),
    "analysis_rate": ("--vehicles", "1000"),
    "news_rate": ("--vehicles", "1000"),
    "dashboard_latency": ("--vehicles", "10000"),
    "api_latency": ("--vehicles", "10000"),
    "export_rate": ("--vehicles", "1000"),
    "in_browser": ("--vehicles", "1000"),
    "message_to_screen": ("--vehicles", "1000"),
    "fleet_score": ("--scenario", "worn", "--as-in-life"),
    "growth": (),
    "startup": (),
}


def section(name: str, command: str, printed: str, version: str) -> str:
    """One benchmark's part of the page."""
    day = f"{datetime.now(UTC):%Y-%m-%d}"
    return f"## {name}\n\n`{command}`, measured {day} at {version}:\n\n```\n{printed.rstrip()}\n```\n"


def with_section(page: str, name: str, text: str) -> str:
    """The page with a section put in the place of the one of that name, or at its end."""
    found = re.compile(rf"^## {re.escape(name)}\n.*?(?=^## |\Z)", re.M | re.S)
    if found.search(page):
        return found.sub(lambda _: text + "\n", page).rstrip() + "\n"
    return f"{page.rstrip()}\n\n{text}"


def main() -> None:
    """Run what is asked for, one after the other, and keep each as soon as it is there."""
    ask = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    ask.add_argument("names", nargs="*", choices=[*BENCHMARKS, []], metavar="NAME", help=", ".join(BENCHMARKS))
    version = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True
    ).stdout.strip()
    for name in ask.parse_args().names or BENCHMARKS:
        module = ["-m", f"tests.benchmarks.{name}", *BENCHMARKS[name]]
        print(f"{name} ...", flush=True)
        done = subprocess.run([sys.executable, *module], capture_output=True, text=True)
        if done.returncode:
            raise SystemExit(f"{name} failed:\n{done.stderr[-2000:]}")
        told = section(name, f"python {' '.join(module)}", done.stdout, version)
        PAGE.write_text(with_section(PAGE.read_text("utf-8"), name, told), "utf-8")


if __name__ == "__main__":
    main()
