"""Numbers of lines as people read them."""

from collections.abc import Iterable

from ingest.languages import tr


def line_numbers(numbers: Iterable[int]) -> str:
    """1 to 12, 14, 15: numbers of lines, with three and more in a row told by the first and the last."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(
        tr("{first} to {last}", first=run[0], last=run[-1]) if len(run) > 2 else ", ".join(map(str, run))
        for run in runs
    )
