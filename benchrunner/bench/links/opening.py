"""Chooses the link for an address. The heavy libraries load here, when first needed."""

from benchrunner.bench.links.base import Link
from benchrunner.cards.bench import Bench
from benchrunner.errors import Problem, Refused


def link_for(bench: Bench, name: str, port_base: int | None = None) -> Link:
    """The link to one instrument on the wire, not yet open. Raises `Refused` for an instrument in memory."""
    part, driver = bench.card.instruments[name], bench.drivers[name]
    base = port_base if port_base is not None else (bench.card.served.port_base if bench.card.served else 0)
    address = part.at(base)
    timeout = part.timeout or driver.link.timeout
    library = bench.card.visa_library
    if address == "memory":
        where = bench.document.where(("instruments", name, "address"))
        raise Refused(Problem(where, "is in memory", "it has no link of its own; use the host in memory"))
    if address.startswith(("modbus://", "rtu:")):
        from benchrunner.bench.links.modbus import modbus_link

        return modbus_link(name, address, driver.link, timeout)
    if address.startswith(("serial:", "socket://")):
        from benchrunner.bench.links.serial import SerialLink

        return SerialLink(name, address, driver.link, timeout)
    from benchrunner.bench.links.tcp import SocketLink, is_plain_socket

    if library == "@py" and is_plain_socket(address):
        return SocketLink(name, address, driver.link.read_ends.encode(), timeout)
    from benchrunner.bench.links.visa import VisaLink

    return VisaLink(name, address, driver.link, timeout, library)
