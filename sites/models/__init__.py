from sites import fields
from sites.access.models import Grant, Token, User
from sites.changes.models import Change, ChangeSet, Mark
from sites.outbox.models import Event

from .blocks import Block
from .catalogue import CableType, Catalogued, DeviceModel, Factor
from .customers import Contract, Coverage, Customer
from .dated import Basis, DatedFacts, Placed, Recorded, standing_once
from .network import Endpoint, EndpointFacts, Output, Switch, SwitchFacts, SwitchPort, SwitchPortFacts
from .places import Closet, Contact, Site
from .power import Amplifier, AmplifierFacts, Supply, SupplyFacts
from .secrets import Secret, SecretReveal

__all__ = [
    "Amplifier",
    "AmplifierFacts",
    "Basis",
    "Block",
    "CableType",
    "Catalogued",
    "Change",
    "ChangeSet",
    "Closet",
    "Contact",
    "Contract",
    "Coverage",
    "Customer",
    "DatedFacts",
    "DeviceModel",
    "Endpoint",
    "EndpointFacts",
    "Event",
    "Factor",
    "Grant",
    "Mark",
    "Output",
    "Placed",
    "Recorded",
    "Secret",
    "SecretReveal",
    "Site",
    "Supply",
    "SupplyFacts",
    "Switch",
    "SwitchFacts",
    "SwitchPort",
    "SwitchPortFacts",
    "Token",
    "User",
    "fields",
    "standing_once",
]
