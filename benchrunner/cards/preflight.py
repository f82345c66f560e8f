"""What speaks against a pairing by its nameplates alone, before anything is switched on."""

from collections.abc import Iterator

from benchrunner.cards.pairing import PairingCard
from benchrunner.cards.pairing_parts import PvInverterPart


def preflight(card: PairingCard) -> list[str]:
    """What speaks against this pairing before anything is switched on, in words; empty: nothing found.

    Rules of the trade (common practice): PV power must reach zero below the PV inverter's trip and inside the
    battery inverter's shift range; the trip must lie above that range; PV rating up to the battery inverter's; the
    battery must bear the whole PV power for the moment of a load rejection.
    """
    return list(_findings(card))


def _findings(card: PairingCard) -> Iterator[str]:
    for inverter, _ in card.pv_inverters:
        yield from _findings_of(card, inverter)
    yield from _findings_of_sizes(card)


def _findings_of(card: PairingCard, pv: PvInverterPart) -> Iterator[str]:
    b = card.battery_inverter
    hz = "{:.2f} Hz".format
    if not pv.responds:
        yield (
            f"{pv.name} has no frequency-power response: {b.name} cannot curtail it softly; on a full battery its"
            " surplus stays until something trips"
        )
    else:
        if pv.zero > b.shift_maximum:
            yield (
                f"{pv.name} reaches zero power at {hz(pv.zero)}, above the highest bus frequency of {b.name}"
                f" ({hz(b.shift_maximum)}): a full battery cannot be held"
            )
        elif pv.zero > b.shift_stop:
            yield (
                f"{pv.name} reaches zero power at {hz(pv.zero)}, above the end of the shift range of {b.name}"
                f" ({hz(b.shift_stop)}): only its reserve up to {hz(b.shift_maximum)} holds a full battery"
            )
        if pv.zero >= pv.trip:
            yield (
                f"{pv.name} trips at {hz(pv.trip)} before its power is down to zero at {hz(pv.zero)}: it will trip,"
                " wait and return instead of backing off"
            )
        if pv.start < b.rated_frequency + 0.1:
            yield f"{pv.name} begins to back off at {hz(pv.start)}, within 0.1 Hz of nominal: it will lose energy all day"
    if pv.trip <= b.shift_maximum:
        yield (
            f"the over-frequency trip of {pv.name} ({hz(pv.trip)}) lies inside the shift range of {b.name} (up to"
            f" {hz(b.shift_maximum)}): trip, wait and return, again and again (saw-tooth)"
        )
    elif not pv.responds:
        yield (
            f"the over-frequency trip of {pv.name} ({hz(pv.trip)}) lies outside the shift range of {b.name} (up to"
            f" {hz(b.shift_maximum)}): nothing stops an overcharge but the battery's own protection"
        )
    if b.throw_off is not None and b.throw_off <= pv.trip:
        yield (
            f"{b.name} throws PV off at {hz(b.throw_off)}, but {pv.name} trips only above {hz(pv.trip)}: at grid"
            " return a full battery may be charged on"
        )


def _findings_of_sizes(card: PairingCard) -> Iterator[str]:
    b, c = card.battery_inverter, card.battery
    names = " and ".join(inverter.name for inverter, _ in card.pv_inverters)
    power = sum(inverter.rated_power for inverter, _ in card.pv_inverters)
    if power > b.rated_power:
        yield (
            f"{names} ({power / 1e3:.1f} kW) {'are' if card.further_pv else 'is'} rated above {b.name}"
            f" ({b.rated_power / 1e3:.1f} kW): a load rejection can overload the battery inverter (1:1 rule)"
        )
    bears = b.rated_power / card.phases
    for phase, most in _phase_ratings(card).items():
        if card.phases > 1 and power <= b.rated_power < most * card.phases:
            yield (
                f"{names} put {most / 1e3:.1f} kW on {phase}, above the {bears / 1e3:.1f} kW that {b.name} bears in one"
                " phase: it must curtail them all for that phase"
            )
    current = power / c.nominal_voltage
    if current > c.charge_current_limit:
        yield (
            f"full PV power means {current:.0f} A into {c.name}, above its charge limit of"
            f" {c.charge_current_limit:.0f} A, at the moment of a load rejection"
        )
    peak = sum(array.peak_power for _, array in card.pv_inverters) + (
        card.dc_pv.array.peak_power if card.dc_pv else 0
    )
    per_kilowatt = c.capacity / 3600.0 * c.nominal_voltage / 48.0 / (peak / 1e3)
    if c.chemistry == "lead-acid" and per_kilowatt < 100.0:  # order of magnitude, common practice
        yield (
            f"{c.name} has {per_kilowatt:.0f} Ah at 48 V for each kilowatt of array, less than 100: near full charge it cannot"
            " take a load rejection"
        )
    if b.low_battery_voltage and (b.restart_voltage or 9e9) < 1.03 * b.low_battery_voltage:
        yield (
            f"{b.name} restarts at {b.restart_voltage:.1f} V, hardly above its low-battery cut-off at"
            f" {b.low_battery_voltage:.1f} V: a battery at rest comes back to that by itself, so it cycles"
        )
    if b.absorption_voltage > c.charge_voltage_limit:
        yield (
            f"{b.name} charges to {b.absorption_voltage:.1f} V, above the charge voltage limit of {c.name}"
            f" ({c.charge_voltage_limit:.1f} V)"
        )
    if c.protection_voltage >= b.dc_trip_high:
        yield (
            f"{b.name} trips on its DC side at {b.dc_trip_high:.1f} V, not above the protection of {c.name}"
            f" ({c.protection_voltage:.1f} V)"
        )
    if c.protection_voltage_low < b.dc_trip_low:
        yield (
            f"{c.name} lets the voltage fall to {c.protection_voltage_low:.1f} V, below the DC trip of {b.name}"
            f" ({b.dc_trip_low:.1f} V)"
        )


def _phase_ratings(card: PairingCard) -> dict[str, float]:
    """W of PV inverters on each phase, by their ratings."""
    names = [f"L{k + 1}" for k in range(card.phases)]
    found = dict.fromkeys(names, 0.0)
    for inverter, _ in card.pv_inverters:
        place = card.connection(inverter)
        on = {"three-phase": names, "L1-L2": names[:2]}.get(place, [place])
        for name in on:
            found[name] += inverter.rated_power / len(on)
    return found
