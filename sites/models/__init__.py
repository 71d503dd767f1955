from sites import fields

from .access import Calendar, Grant, PersonRemoval, Token, User
from .answers import KeptAnswer
from .blocks import Block
from .catalogue import CableType, Catalogued, DeviceModel, Factor
from .changes import Change, ChangeSet, Mark, Withdrawal
from .customers import Contract, Coverage, Customer
from .dated import Basis, DatedFacts, Named, Placed, Recorded, standing_once, value_with_basis
from .instruments import Instrument
from .network import Endpoint, EndpointFacts, Output, Switch, SwitchFacts, SwitchPort, SwitchPortFacts
from .outbox import Event, EventSubject, Feed
from .places import Closet, Contact, Site
from .power import Amplifier, AmplifierFacts, Supply, SupplyFacts
from .secrets import Secret, SecretReveal
from .subscriptions import Delivery, DeliveryAttempt, Subscription

__all__ = [
    "Amplifier",
    "AmplifierFacts",
    "Basis",
    "Block",
    "CableType",
    "Calendar",
    "Catalogued",
    "Change",
    "ChangeSet",
    "Closet",
    "Contact",
    "Contract",
    "Coverage",
    "Customer",
    "DatedFacts",
    "Delivery",
    "DeliveryAttempt",
    "DeviceModel",
    "Endpoint",
    "EndpointFacts",
    "Event",
    "EventSubject",
    "Factor",
    "Feed",
    "Grant",
    "Instrument",
    "KeptAnswer",
    "Mark",
    "Named",
    "Output",
    "PersonRemoval",
    "Placed",
    "Recorded",
    "Secret",
    "SecretReveal",
    "Site",
    "Subscription",
    "Supply",
    "SupplyFacts",
    "Switch",
    "SwitchFacts",
    "SwitchPort",
    "SwitchPortFacts",
    "Token",
    "User",
    "Withdrawal",
    "fields",
    "standing_once",
    "value_with_basis",
]
