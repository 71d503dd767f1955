"""Where a push may go: the URL of a subscription, and the network addresses that its host has.

The subscriber chooses the URL, and our network may reach more than they may. So the URL is checked when it
is given, and each address of its host when we connect (`api.events.outbound`). What the operator lists in
ZONEBOOK_PUSH_NETWORKS is always allowed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Final
from urllib.parse import urlsplit

from django.conf import settings

from sites.wording import listed

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

LONGEST_URL: Final = 1_000
_LONGEST_HOST: Final = 253
_LABEL: Final = re.compile(r"[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9])?")
# What programs of C read as a number: 2130706433, 0x7f000001, 0177. Whether a host is one depends on its end
_NUMBER: Final = re.compile(r"\d+|0x[0-9a-f]*")
_PLAIN: Final = re.compile(r"[!-~]+")

DENIED: Final[dict[Network, str]] = {
    ip_network(network): what
    for network, what in {
        # IANA IPv4 Special-Purpose Address Registry, multicast (RFC 5771) and class E (RFC 1112)
        "0.0.0.0/8": "this network, unspecified",
        "10.0.0.0/8": "private",
        "100.64.0.0/10": "shared by a provider's customers (CGNAT)",
        "127.0.0.0/8": "loopback",
        "169.254.0.0/16": "link-local, metadata of cloud machines",
        "172.16.0.0/12": "private",
        "192.0.0.0/24": "protocol assignments",
        "192.0.2.0/24": "documentation",
        "192.31.196.0/24": "AS112",
        "192.52.193.0/24": "multicast tunnels (AMT)",
        "192.88.99.0/24": "6to4 relays",
        "192.168.0.0/16": "private",
        "192.175.48.0/24": "AS112",
        "198.18.0.0/15": "benchmarks",
        "198.51.100.0/24": "documentation",
        "203.0.113.0/24": "documentation",
        "224.0.0.0/4": "multicast",
        "240.0.0.0/4": "reserved, broadcast",
        # IANA IPv6 Special-Purpose Address Registry. Global unicast is 2000::/3 (RFC 4291): what lies outside
        # of it comes first, by its names and then all together
        "::/128": "unspecified",
        "::1/128": "loopback",
        "::/96": "IPv4-compatible",
        "::ffff:0:0/96": "IPv4-mapped",
        "::ffff:0:0:0/96": "IPv4-translated",
        "64:ff9b::/96": "NAT64",
        "64:ff9b:1::/48": "NAT64 of a local network",
        "100::/64": "discarded",
        "100:0:0:1::/64": "dummy",
        "5f00::/16": "segment routing",
        "fc00::/7": "private (unique local)",
        "fe80::/10": "link-local",
        "fec0::/10": "site-local",
        "ff00::/8": "multicast",
        "::/3": "not global unicast",
        "4000::/2": "not global unicast",
        "8000::/1": "not global unicast",
        "2001::/23": "protocol assignments, Teredo, ORCHID",
        "2001:db8::/32": "documentation",
        "2002::/16": "6to4",
        "2620:4f:8000::/48": "AS112",
        "3fff::/20": "documentation",
    }.items()
}
"""What no push goes to, with what it is. The first one that holds an address names it."""


class UrlRefusedError(ValueError):
    """No push goes to this URL; the message says what would be right."""


class AddressRefusedError(Exception):
    """The host has an address that no push goes to."""


@dataclass(frozen=True)
class Rules:
    """What the operator allows."""

    http: bool
    ports: frozenset[int]
    networks: tuple[Network, ...]


@dataclass(frozen=True)
class Target:
    """A URL that was checked. host: as a name is asked for, without brackets. path: with its query."""

    scheme: str
    host: str
    port: int
    path: str


def rules() -> Rules:
    return Rules(
        http=settings.PUSH_HTTP,
        ports=frozenset(settings.PUSH_PORTS),
        networks=tuple(settings.PUSH_NETWORKS),
    )


def target_of(url: str, allowed: Rules) -> Target:
    """The parts of a URL that a push may go to, as far as the URL alone tells."""
    if len(url) > LONGEST_URL or not _PLAIN.fullmatch(url) or "\\" in url:
        raise UrlRefusedError(
            f"Expected a URL of at most {LONGEST_URL} plain characters, without spaces and backslashes; "
            "other letters encoded (a host as xn--…, a path with %)."
        )
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise UrlRefusedError("Expected a URL such as https://example.com/hooks/zonebook.") from error
    schemes = ("https", "http") if allowed.http else ("https",)
    if parts.scheme not in schemes or not parts.hostname:
        raise UrlRefusedError(
            f"Expected a URL that begins with {' or '.join(f'{one}://' for one in schemes)} and a host, such "
            "as https://example.com/hooks/zonebook."
        )
    if "@" in parts.netloc:
        raise UrlRefusedError(
            "A URL with a user or password is not taken. The signature shows who sends; leave it out."
        )
    if "#" in url:
        raise UrlRefusedError("The part from # on is never sent. Leave it out.")
    if port is None:
        port = {"https": 443, "http": 80}[parts.scheme]
    if port not in allowed.ports:
        ports = listed([str(one) for one in sorted(allowed.ports)])
        raise UrlRefusedError(f"Port {port} is not open for pushes. Open: {ports}.")
    _check_host(parts.hostname, bracketed="[" in parts.netloc, allowed=allowed)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(scheme=parts.scheme, host=parts.hostname, port=port, path=path)


def check_addresses(found: list[Address], allowed: Rules) -> None:
    """Refuse a host if one of its addresses is denied: another answer would choose among them otherwise."""
    if not found:
        raise AddressRefusedError("no address")
    for address in found:
        what = denial(address, allowed)
        if what is not None:
            raise AddressRefusedError(f"{address}: {what}")


def denial(address: Address, allowed: Rules) -> str | None:
    """What an address is that no push goes to; None: a push may go there."""
    if isinstance(address, IPv6Address) and address.scope_id is not None:
        return "of one link"
    if any(address in network for network in allowed.networks):
        return None
    return next((what for network, what in DENIED.items() if address in network), None)


def _check_host(host: str, *, bracketed: bool, allowed: Rules) -> None:
    labels = host.removesuffix(".").split(".")
    if bracketed or _NUMBER.fullmatch(labels[-1]):
        try:
            address = ip_address(host)
        except ValueError as error:
            raise UrlRefusedError(
                f"{host}: write a network address as four decimal numbers, or as IPv6 in brackets; or give "
                "the name of the host."
            ) from error
        if denial(address, allowed) is not None:
            raise UrlRefusedError(
                f"No push goes to {host}: it is not a public address. The operator of Zonebook can allow "
                "its network (ZONEBOOK_PUSH_NETWORKS)."
            )
        return
    if len(host) > _LONGEST_HOST or not all(_LABEL.fullmatch(label) for label in labels):
        raise UrlRefusedError(f"{host}: expected the name of a host, such as example.com.")
