"""The commands about what findings were worth, and about what gets worse slowly: no table of a whole fleet is made for them."""

from typing import Annotated

import typer

from analytics.kinds import FINDING_KINDS
from dashboard.cli.options import DEFAULT_DATABASE, Database, Json, print_json
from dashboard.queries import scope
from ingest.database import open_existing, reachable
from ingest.times import now_us

app = typer.Typer()


@app.command("found", epilog="Example: tallow found --json")
def found(as_json: Json = False, database: Database = DEFAULT_DATABASE) -> None:
    """Say how often findings were true, by what people recorded who went there, and who was sent in vain."""
    from analytics.account.found import causes, in_vain, sentence, tallies
    from dashboard.queries.found import verdicts

    engine = open_existing(database)
    with reachable(engine):
        said = verdicts(engine)
    told, vain, other = tallies(said), in_vain(said, now_us()), causes(said)
    if as_json:
        print_json(
            {
                "kinds": [
                    {"kind": one.kind, "looked_at": one.true.of, "as_told": one.true.hits, "other_cause": one.other_cause,
                     "nothing": one.nothing, "as_told_low": round(one.true.ci_low, 4), "as_told_high": round(one.true.ci_high, 4)}
                    for one in told
                ],
                "in_vain": [
                    {"fleet": one.vehicle and one.vehicle.fleet, "vehicle": one.vehicle and one.vehicle.vehicle, "kind": one.kind,
                     "times": one.times, "set_right": one.set_right}
                    for one in vain
                ],
                "causes": [{"kind": kind, "cause": cause, "times": number} for kind, cause, number in other],
            }
        )  # fmt: skip
        return
    for one in told:
        print(f"{FINDING_KINDS[one.kind].title}: {sentence(one)}")
    for kind, cause, number in other:
        print(f"{FINDING_KINDS[kind].title}, found instead: {cause} ({number})")
    for case in vain:
        where = f"{case.vehicle.fleet}/{case.vehicle.vehicle}" if case.vehicle else "several vehicles"
        print(f"In vain {case.times} times, {where}, {FINDING_KINDS[case.kind].title}: {case.set_right}.")
    if not told:
        print(
            "Nobody has said yet what was found; record it with: tallow work VEHICLE KIND --about FINDING --found RESULT"
        )


@app.command("wear", epilog="Example: tallow wear --json")
def wear(
    depot: Annotated[str, typer.Option(help="one depot; all by default")] = "",
    as_json: Json = False,
    database: Database = DEFAULT_DATABASE,
) -> None:
    """List what gets worse slowly, with the month in which it is expected to pass its limit; by the newest analysis."""
    from dashboard.exports import wear as trend
    from dashboard.queries.wear import wearing

    engine = open_existing(database)
    with reachable(engine):
        if depot:
            scope.check_depot(engine, depot)
        told = wearing(engine, scope.Scope(depot=depot))
    if as_json:
        print_json([trend.as_object(one) for one in told])
        return
    for one in told:
        print(
            f"{one.fleet}/{one.vehicle}, {trend.where(one)}, {trend.WHAT[one.trend.what]}: {trend.change(one)}; {trend.passes(one)}"
        )
    print(trend.MEANING if told else "Nothing gets worse slowly, as far as is known.")
