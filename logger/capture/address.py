"""Under which address a phone in the same network reaches this computer."""

from __future__ import annotations

import contextlib
import errno
import ipaddress
import re
import socket
from dataclasses import dataclass

from logger.errors import PullcoastError

__all__ = ["AddressError", "Place", "find_place", "listen"]

#: Addresses that nobody has (RFC 5737 and RFC 3849): a datagram socket "connected" to one sends
#: nothing, but shows which of this computer's addresses it would send from.
_NOBODY = ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1"))
#: A host name as RFC 1123, section 2.1, has it.
_NAME = re.compile(
    r"(?=.{1,253}$)[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*"
)
_BACKLOG = 512


class AddressError(PullcoastError, OSError):
    """No address to listen at, or one that cannot be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the server listens and what it may be called.

    Parameters
    ----------
    host : str
        Address or name that the phone uses; IPv6 without brackets.
    listen_at : tuple of str
        Addresses to listen at.
    addresses : tuple of str
        Addresses under which it is reached, for the certificate.
    names : tuple of str
        Host names for the certificate, lower case.
    """

    host: str
    listen_at: tuple[str, ...]
    addresses: tuple[str, ...]
    names: tuple[str, ...]

    def url(self, port: int, token: str) -> str:
        """Return the address to open, with the token where no server ever sees it."""
        return f"https://{_bracketed(self.host)}:{port}/#{token}"

    def host_headers(self, port: int) -> frozenset[str]:
        """Return every `Host` header that means this server, lower case."""
        hosts = {self.host.lower(), *self.addresses, *self.names}
        headers = {f"{_bracketed(host)}:{port}" for host in hosts}
        if port == 443:
            headers |= {_bracketed(host) for host in hosts}
        return frozenset(headers)


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def find_place(host: str | None = None) -> Place:
    """Choose where to listen.

    Parameters
    ----------
    host : str, optional
        Address or name of this computer as the phone shall use it, or ``0.0.0.0`` or ``::`` for
        all of its addresses; None takes the address that leads into the network.

    Returns
    -------
    Place
        With the computer's own name among the names.

    Raises
    ------
    AddressError
        No network, or a name that leads nowhere.
    """
    own = _own_names()
    if host is None:
        found = _network_addresses()
        if not found:
            msg = (
                "this computer seems to be in no network: no address was found that a phone could "
                "reach. Connect it to the same Wi-Fi as the phone, or name the address with --host"
            )
            raise AddressError(errno.ENETUNREACH, msg)
        return Place(host=found[0], listen_at=found[:1], addresses=found[:1], names=own)
    text = host.strip().strip("[]").lower()
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return _named(text, own)
    if address.is_unspecified:
        found = _network_addresses() or ("127.0.0.1",)
        here = ("127.0.0.1", "::1") if ":" in text else ("127.0.0.1",)
        return Place(
            host=found[0],
            listen_at=(text,),
            addresses=tuple(dict.fromkeys((*found, *here))),
            names=(*own, "localhost"),
        )
    return Place(host=str(address), listen_at=(str(address),), addresses=(str(address),), names=own)


def _named(name: str, own: tuple[str, ...]) -> Place:
    if not _NAME.fullmatch(name):
        msg = f"--host: {name!r} is neither an address nor a host name; expected for example 192.168.1.20"
        raise AddressError(errno.EINVAL, msg)
    try:
        infos = socket.getaddrinfo(name, None, type=socket.SOCK_STREAM)
    except OSError as error:
        msg = f"--host: the name {name} leads to no address ({error.strerror or error}). Give an address"
        raise AddressError(errno.EADDRNOTAVAIL, msg) from error
    found = tuple(dict.fromkeys(str(info[4][0]).partition("%")[0] for info in infos))
    loopback = all(ipaddress.ip_address(item).is_loopback for item in found)
    # many systems give their own name a loopback address, where no phone gets to
    if loopback and name != "localhost":
        found = _network_addresses()[:1] or found
    return Place(
        host=name, listen_at=found, addresses=found, names=tuple(dict.fromkeys((name, *own)))
    )


def _own_names() -> tuple[str, ...]:
    name = socket.gethostname().lower().rstrip(".")
    if not _NAME.fullmatch(name) or _is_address(name) or name == "localhost":
        return ()
    return (name,) if "." in name else (name, f"{name}.local")


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _network_addresses() -> tuple[str, ...]:
    """Return this computer's addresses that others could reach, the likeliest first."""
    found = []
    for family, nobody in _NOBODY:
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((nobody, 9))
            found.append(str(probe.getsockname()[0]))
    with contextlib.suppress(OSError):
        found += [
            str(info[4][0])
            for info in socket.getaddrinfo(socket.gethostname(), None, type=socket.SOCK_STREAM)
        ]
    usable = [text for text in found if "%" not in text and _reachable(text)]
    return tuple(dict.fromkeys(usable))


def _reachable(text: str) -> bool:
    address = ipaddress.ip_address(text)
    return not (address.is_loopback or address.is_unspecified or address.is_link_local)


def listen(place: Place, port: int) -> list[socket.socket]:
    """Open the sockets to listen at.

    Parameters
    ----------
    place : Place
        Where.
    port : int
        0 takes any free port, the same at every address.

    Returns
    -------
    list of socket
        Bound; not yet accepting.

    Raises
    ------
    AddressError
        The port is taken or not allowed, or an address is not this computer's.
    """
    sockets: list[socket.socket] = []
    try:
        for address in place.listen_at:
            family = socket.AF_INET6 if ":" in address else socket.AF_INET
            both = address == "::" and socket.has_dualstack_ipv6()
            sockets.append(
                socket.create_server(
                    (address, port), family=family, backlog=_BACKLOG, dualstack_ipv6=both
                )
            )
            port = sockets[0].getsockname()[1]
    except OSError as error:
        for opened in sockets:
            opened.close()
        raise AddressError(error.errno, _why_not(error, address, port)) from error
    return sockets


def _why_not(error: OSError, address: str, port: int) -> str:
    where = f"{_bracketed(address)}:{port}"
    if error.errno == errno.EADDRINUSE:
        return (
            f"{where} is in use already, perhaps by another `pullcoast capture`. End that program, "
            "or choose another --port; but recordings that a phone has not sent yet show only under "
            "the address and port where they were made"
        )
    if error.errno == errno.EACCES:
        return f"{where}: this port may not be used by you. Choose a --port from 1024 on"
    if error.errno in (errno.EADDRNOTAVAIL, errno.EINVAL):
        return f"{address} is not an address of this computer now. Leave --host out, or correct it"
    return f"cannot listen at {where}: {error.strerror or error}"
