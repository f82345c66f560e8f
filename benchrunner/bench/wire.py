"""Hosts whose instruments are on the wire: live, or in lockstep with a served simulated bench."""

from collections.abc import Iterable, Mapping

from benchrunner.bench.control import Control
from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links.opening import link_for
from benchrunner.bench.live import LiveHost
from benchrunner.bench.virtual import VirtualHost
from benchrunner.cards.bench import Bench
from benchrunner.errors import LinkError, Problem, Refused


def connect(
    bench: Bench,
    port_base: int | None = None,
    names: Iterable[str] | None = None,
    other_serials: bool = False,
) -> dict[str, Instrument]:
    """Instruments on links of their own, not yet open: for a host, or for a watchdog that opens its own.

    `other_serials`: a named person passed instruments with other serial numbers than the card's for this run.
    """
    wanted = bench.card.instruments if names is None else names
    found = {name: Instrument(bench, name, link_for(bench, name, port_base)) for name in wanted}
    for instrument in found.values():
        instrument.other_serial_passes = other_serials
    return found


def live_host(bench: Bench, rate: float = 1.0, port_base: int | None = None) -> LiveHost:
    """A bench in real time; a simulated one may be served at another rate."""
    return LiveHost(connect(bench, port_base), rate)


def lockstep_host(
    bench: Bench, seed: int = 1, start: Mapping[str, float] | None = None, port_base: int | None = None
) -> VirtualHost:
    """A served simulated bench whose plant moves with the run; `start`: setting of the plant -> value.

    Raises `Refused` where the control port is not there.
    """
    served = bench.card.served
    if served is None:
        where = str(bench.document.path)
        raise Refused(
            Problem(where, "has no [served], so no control port is known", "add it, or give --speed 1")
        )
    base = port_base if port_base is not None else served.port_base
    try:
        control = Control("127.0.0.1", base + served.control)
        control.prepare(dict(start or {}), seed)
    except LinkError as error:
        raise Refused(error.problem) from error
    return VirtualHost(connect(bench, port_base), control)
