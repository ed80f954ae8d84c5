"""The words that a new reader needs, each in one plain sentence: what the trade calls things, and what this program means by its own.

A help page and README show the same list.
"""

from typing import Final, NamedTuple


class Term(NamedTuple):
    """A word, and what it means here."""

    term: str
    meaning: str


# The trade's words first, then the program's own; each list from the general to the particular.
TRADE: Final = (
    Term("Automatic lubrication system", "A pump on the vehicle that sends grease to the lubrication points while the vehicle works."),
    Term("Lubrication point", "A place that needs grease, such as a kingpin, a hinge or a brake camshaft."),
    Term("Critical point", "A lubrication point on which steering or braking depends."),
    Term("Hand point", "A lubrication point that somebody greases with a grease gun, at an interval of hours, kilometres or days."),
    Term("Line", "The tube from the pump, or from a divider, to one lubrication point."),
    Term("Bundle", "Lines that are laid together, such as those to the front left wheel."),
    Term("Line list", "The list of a vehicle's lines, with the point, the dose and the pressure channel of each."),
    Term("Reservoir", "The container of grease at the pump."),
    Term("Full mark", "The line on the reservoir that is 100 %; grease above it comes out at the vent or passes the follower plate."),
    Term("Low mark", "The level at which the reservoir must be refilled, before the pump draws air."),
    Term("Follower plate", "A sprung plate that lies on the grease and presses it down to the pump."),
    Term("Pumping element", "The small piston in the pump that pushes grease into one line or one main line."),
    Term("Direct feed", "Each line has a pumping element of its own."),
    Term("Progressive feed", "Dividers share the grease out in turn; one blocked outlet stops the whole divider."),
    Term("Injector feed", "One main line is put under pressure and vented again; an injector at each line gives a set dose."),
    Term("Divider", "A valve block that shares the grease of one line out to several lines."),
    Term("Cycle", "One run of the pump, started by its timer or by the test button."),
    Term("Interval", "The ignition-on time from the start of one cycle to the start of the next."),
    Term("Run time", "How long the pump runs in one cycle."),
    Term("Dose", "The grease that a line gets in one complete cycle."),
    Term("Relief pressure", "The pressure at which the pump's relief valve opens; a blocked line may hold it."),
    Term("Confirmation", "A switch at the divider that shows that a cycle was complete."),
    Term("Bleed", "To run grease through pump and lines until no air is left in them."),
    Term("NLGI grade", "How stiff a grease is, from 000 (flows) to 6 (a block)."),
)  # fmt: skip
PROGRAM: Final = (
    Term("Channel", "One pressure reading; it watches one line, several lines or the main line."),
    Term("Ignition hours", "Hours with the ignition on; the pump's timer runs only then."),
    Term("Finding", "What the analysis believes is wrong, with the readings that show it."),
    Term("Alarm", "A finding, or a refill that is due, that a person must deal with."),
    Term("Act now", "Deal with it today."),
    Term("Plan", "Deal with it at the next visit."),
    Term("Note", "Deal with it when somebody is at the vehicle anyway."),
    Term("Acknowledge", "To say that somebody deals with an alarm."),
    Term("Shelve", "To hide an alarm until a time, for a reason."),
    Term("Not proven", "Nothing shows that grease arrived at the point; that is not the same as sound."),
    Term("Hours since grease", "Ignition hours since the last cycle that is proven to have brought grease to a point."),
    Term("Refill window", "From the day on which the low mark may be reached to the day by which it almost surely is."),
    Term("Digest", "One message a day that lists what stands at a depot."),
    Term("Commissioning", "The first 20 cycles, at most 7 working days, of a freshly fitted system, while its lines are proven."),
    Term("Handover", "The sheet that says what commissioning proved, to be signed and kept."),
)  # fmt: skip
GLOSSARY: Final = (*TRADE, *PROGRAM)
