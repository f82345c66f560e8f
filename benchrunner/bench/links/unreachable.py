"""Why nobody was reached at a TCP address or a serial port, in words that name it and say where to look."""

import errno
import socket

from benchrunner.cards.places import place

REFUSED = (errno.ECONNREFUSED, 10061)  # the second ones are Windows'
NO_WAY = (errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EHOSTDOWN, errno.ENETDOWN, 10051, 10065)
TOO_LATE = (errno.ETIMEDOUT, 10060)
HELD = (errno.EAGAIN, errno.EBUSY)


def unreachable(address: str, error: Exception) -> tuple[str, str] | None:
    """What and mend for a connection or a port that did not come about; None where the address or the error is another.

    The libraries wrap what the system said, so its words are looked for beside its kind.
    """
    where, _ = place(address) or ("", "")
    kind, _, at = where.partition(" ")
    if kind == "line" and "://" in at:  # units behind a device server
        where, _ = place(at) or ("", "")
        kind, _, at = where.partition(" ")
    if kind == "tcp":
        host, _, port = at.rpartition(":")
        return _of_a_host(
            host, port, "--modbus" if address.lower().startswith("modbus:") else "--range", error
        )
    return _of_a_port(at, error) if kind == "line" else None


def _of_a_host(host: str, port: str, ask: str, error: Exception) -> tuple[str, str] | None:
    said, number = str(error).lower(), getattr(error, "errno", None)
    its_port = (
        f"is the instrument on, is {port} its port (its manual or its network menu says), and does no other program "
        f"hold it? `benchrunner find {ask} {host}:FIRST-LAST` asks at the ports that you name"
    )
    its_host = (
        f"is the instrument on, its network cable in, is {host} its address (its network menu says), and does no "
        "firewall stand between?"
    )
    unknown = ("name or service", "getaddrinfo", "name resolution", "no address")
    if isinstance(error, socket.gaierror | UnicodeError) or any(words in said for words in unknown):
        return f"the host name {host} is not known (port {port})", "check the name, or write its IP address"
    if number in REFUSED or "connection refused" in said or "actively refused" in said:
        return f"nothing listens at port {port} of {host} (the connection was refused)", its_port
    if number in TOO_LATE or isinstance(error, TimeoutError) or "timed out" in said:
        return f"{host} did not answer in time at port {port}", its_host
    if number in NO_WAY or any(words in said for words in ("unreachable", "no route")):
        return f"no way leads to {host} (port {port})", its_host
    return None


def _of_a_port(device: str, error: Exception) -> tuple[str, str] | None:
    said, number = str(error).lower(), getattr(error, "errno", None)
    taken = ("exclusively lock", "access is denied", "permissionerror(")  # the last two are Windows'
    if number in HELD or any(words in said for words in taken):
        return f"the serial port {device} is in use by another program", "close the other program"
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "filenotfounderror" in said:
        mend = "is its adapter plugged in, and is that its name? `benchrunner find` lists the ports that there are"
        return f"there is no serial port {device}", mend
    if number in (errno.EACCES, errno.EPERM):
        mend = f"give your user the right: add it to the group that owns the port (`ls -l {device}` names it), then log out and in"
        return f"this user may not open the serial port {device}", mend
    return None
