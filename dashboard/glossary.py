"""The words that a new reader needs, each in one plain sentence: what the trade calls things, and what this program means by its own.

A help page and README show the same list.
"""

from typing import Final, NamedTuple

from ingest.languages import later


class Term(NamedTuple):
    """A word, and what it means here."""

    term: str
    meaning: str


# The trade's words first, then the program's own; each list from the general to the particular.
TRADE: Final = (
    Term(later("Automatic lubrication system"),
        later("A pump on the vehicle that sends grease to the lubrication points while the vehicle works.")),
    Term(later("Lubrication point"), later("A place that needs grease, such as a kingpin, a hinge or a brake camshaft.")),
    Term(later("Critical point"), later("A lubrication point on which steering or braking depends.")),
    Term(later("Hand point"),
        later("A lubrication point that somebody greases with a grease gun, at an interval of hours, kilometres or days.")),
    Term(later("Line"), later("The tube from the pump, or from a divider, to one lubrication point.")),
    Term(later("Bundle"), later("Lines that are laid together, such as those to the front left wheel.")),
    Term(later("Line list"), later("The list of a vehicle's lines, with the point, the dose and the pressure channel of each.")),
    Term(later("Reservoir"), later("The container of grease at the pump.")),
    Term(later("Full mark"),
        later("The line on the reservoir that is 100 %; grease above it comes out at the vent or passes the follower plate.")),
    Term(later("Low mark"), later("The level at which the reservoir must be refilled, before the pump draws air.")),
    Term(later("Follower plate"), later("A sprung plate that lies on the grease and presses it down to the pump.")),
    Term(later("Pumping element"), later("The small piston in the pump that pushes grease into one line or one main line.")),
    Term(later("Direct feed"), later("Each line has a pumping element of its own.")),
    Term(later("Progressive feed"), later("Dividers share the grease out in turn; one blocked outlet stops the whole divider.")),
    Term(later("Injector feed"), later("One main line is put under pressure and vented again; an injector at each line gives a set dose.")),
    Term(later("Divider"), later("A valve block that shares the grease of one line out to several lines.")),
    Term(later("Cycle"), later("One run of the pump, started by its timer or by the test button.")),
    Term(later("Interval"), later("The ignition-on time from the start of one cycle to the start of the next.")),
    Term(later("Run time"), later("How long the pump runs in one cycle.")),
    Term(later("Dose"), later("The grease that a line gets in one complete cycle.")),
    Term(later("Relief pressure"), later("The pressure at which the pump's relief valve opens; a blocked line may hold it.")),
    Term(later("Confirmation"), later("A switch at the divider that shows that a cycle was complete.")),
    Term(later("Bleed"), later("To run grease through pump and lines until no air is left in them.")),
    Term(later("NLGI grade"), later("How stiff a grease is, from 000 (flows) to 6 (a block).")),
)  # fmt: skip
PROGRAM: Final = (
    Term(later("Channel"), later("One pressure reading; it watches one line, several lines or the main line.")),
    Term(later("Ignition hours"), later("Hours with the ignition on; the pump's timer runs only then.")),
    Term(later("Finding"), later("What the analysis believes is wrong, with the readings that show it.")),
    Term(later("Alarm"), later("A finding, or a refill that is due, that a person must deal with.")),
    Term(later("Act now"), later("Deal with it today.")),
    Term(later("Plan"), later("Deal with it at the next visit.")),
    Term(later("Note"), later("Deal with it when somebody is at the vehicle anyway.")),
    Term(later("Acknowledge"), later("To say that somebody deals with an alarm.")),
    Term(later("Shelve"), later("To hide an alarm until a time, for a reason.")),
    Term(later("Not proven"), later("Nothing shows that grease arrived at the point; that is not the same as sound.")),
    Term(later("Hours since grease"), later("Ignition hours since the last cycle that is proven to have brought grease to a point.")),
    Term(later("Refill window"), later("From the day on which the low mark may be reached to the day by which it almost surely is.")),
    Term(later("Digest"), later("One message a day that lists what stands at a depot.")),
    Term(later("Commissioning"),
        later("The first 20 cycles, at most 7 working days, of a freshly fitted system, while its lines are proven.")),
    Term(later("Handover"), later("The sheet that says what commissioning proved, to be signed and kept.")),
)  # fmt: skip
GLOSSARY: Final = (*TRADE, *PROGRAM)
