"""How old what a refill round rests on is, in words."""

from dashboard import formatting
from dashboard.queries.fleet import heard_long_ago
from dashboard.queries.rounds import Round
from ingest.languages import tr


def levels(told: Round, now_us: int) -> list[str]:
    """When the levels were worked out, and who to fill was not heard since long: nothing where nobody is to be filled."""
    if told.analysed_us is None:
        return []
    ago = formatting.ago(told.analysed_us, now_us)
    units = {(s.need.fleet, s.need.vehicle): s.need.unit for visit in told.visits for s in visit.stops}
    old = [
        f"{units.get(who, who[1])} ({formatting.ago(heard_us, now_us)})"
        for who, heard_us in told.heard_us.items()
        if heard_long_ago(heard_us, now_us)
    ]
    said = [tr("Levels were worked out {ago}, from what was heard by then.", ago=ago)]
    if old:
        said.append(tr("Heard last so long ago that levels may be other than expected: {names}.", names=", ".join(old)))
    return said
