"""The invented words of a fleet, each a list that numbers choose from."""

from __future__ import annotations

from typing import Final

CUSTOMERS: Final = (
    "Skarn Ferry Lines", "Elmouth Cold Stores", "Varrick City Pools", "Tarnby Ferries", "Oskel Frozen Foods",
    "Brandal Baths", "Hollin Harbour Lines", "Northreach Cold Chain", "Marrowdale Pools", "Lowisle Ferries",
    "Grimsand Refrigerated Stores", "Pellwater Leisure Baths",
)  # fmt: skip
TRADES: Final = ("Terminal", "Cold store", "Pool")
PLACES: Final = (
    "Askerby", "Brenholt", "Corrasand", "Dunmere", "Eskwater", "Fallowness", "Grensund", "Harrowick",
    "Inchmoor", "Jarlby", "Kelsand", "Lorrimouth", "Morvale", "Nessholm", "Orrick", "Pellham", "Quennor",
    "Rossby", "Selmer", "Thornwick", "Ulverby", "Vaskholm", "Wendmere", "Yarrowick",
)  # fmt: skip
# by trade, then what a zone is called
ZONES: Final = (
    ("Ticket hall", "Marshalling lanes", "Gangway", "Waiting room", "Baggage hall", "Car deck ramp",
     "Crew gate", "Freight yard", "Quay", "Departure lounge", "Customs shed", "Bridge house", "Footbridge",
     "Parking deck", "Control room", "Workshop"),
    ("Blast freezer", "Chamber", "Dock", "Plant room", "Packing hall", "Battery bay", "Gatehouse", "Office",
     "Racking aisle", "Thawing room", "Loading bay", "Staff room", "Yard", "Ice store", "Order picking",
     "Weighbridge"),
    ("Pool hall", "Changing rooms", "Chlorine store", "Kiosk", "Foyer", "Diving tower", "Sauna", "Plant room",
     "Slide tower", "Lawn", "Children's pool", "Showers", "First-aid room", "Boiler room", "Terrace",
     "Store"),
)  # fmt: skip
CREWS: Final = tuple(
    f"{given} {family}"
    for given in ("A.", "E.", "I.", "M.", "O.", "R.", "S.", "T.")
    for family in ("Arden", "Brock", "Lund", "Tarn", "Wray")
)
PEOPLE: Final = tuple(
    f"{given} {family}"
    for given in ("Ada", "Bram", "Cora", "Dirk", "Edda", "Finn", "Greta", "Hugo", "Ilse", "Jory")
    for family in ("Aske", "Bell", "Crane", "Dahl", "Esk", "Falk", "Gorse", "Holt", "Iver", "Kemp")
)
REASONS: Final = (
    "Installed as drawn",
    "Record taken over at the survey",
    "More speakers hung at the end of the run",
    "A speaker cut into the run",
    "A speaker taken down",
    "Speakers replaced by a later make",
    "A speaker found above the ceiling that was never recorded",
    "Supply replaced by a larger one",
    "Gateway patched to another port",
    "Horns added at the end of the run",
    "Speakers added for the new partition",
    "Taps raised: too quiet",
)
"""By ``wording`` of a change set."""
