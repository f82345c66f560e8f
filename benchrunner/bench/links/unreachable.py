"""Why nobody was reached at a TCP address, in words that name host and port and say where to look."""

from benchrunner.cards.places import place


def unreachable(address: str, error: Exception) -> tuple[str, str] | None:
    """What and mend for a connection that did not come about; None for an address that names no TCP port.

    The libraries wrap what the system said, so its words are looked for beside its kind.
    """
    where, _ = place(address) or ("", "")
    if not where.startswith("tcp "):
        return None
    host, _, port = where.removeprefix("tcp ").rpartition(":")
    said = str(error).lower()
    ask = "--modbus" if address.lower().startswith("modbus:") else "--range"
    its_port = (
        f"is the instrument on, is {port} its port (its manual or its network menu says), and does no other program "
        f"hold it? `benchrunner find {ask} {host}:FIRST-LAST` asks at the ports that you name"
    )
    its_host = (
        f"is the instrument on, its network cable in, is {host} its address (its network menu says), and does no "
        "firewall stand between?"
    )
    if (
        isinstance(error, ConnectionRefusedError)
        or "connection refused" in said
        or "actively refused" in said
    ):
        return f"nothing listens at port {port} of {host} (the connection was refused)", its_port
    if isinstance(error, TimeoutError) or "timed out" in said:
        return f"{host} did not answer in time at port {port}", its_host
    if any(words in said for words in ("name or service", "getaddrinfo", "name resolution", "no address")):
        return f"the host name {host} is not known (port {port})", "check the name, or write its IP address"
    if any(words in said for words in ("unreachable", "no route")):
        return f"no way leads to {host} (port {port})", its_host
    if "no connection came about" in said:  # the Modbus library does not say why
        return f"no connection to port {port} of {host} came about", its_port
    return None
