"""Arming a waveform recorder and fetching what it caught, as its driver card says."""

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchrunner.cards.driver import CapturePart
from benchrunner.core.messages import ArmOrder
from benchrunner.errors import LinkError

if TYPE_CHECKING:
    from benchrunner.bench.instrument import Instrument

DATA_TYPES = {
    "int16 big-endian": ">i2",
    "int16 little-endian": "<i2",
    "int8": "i1",
    "float32 big-endian": ">f4",
    "float32 little-endian": "<f4",
}


@dataclass(frozen=True)
class Wave:
    """What was caught: `samples[k]` of `channels[k]` in SI; `start` and `trigger` count as the card's `times` says."""

    channels: tuple[str, ...]
    start: float
    rate: float
    trigger: float
    samples: npt.NDArray[np.float64]
    not_carried: tuple[str, ...]
    prescribed: tuple[str, ...] = ()  # for each channel, what of it a simulation did not compute


def arm(instrument: "Instrument", order: ArmOrder) -> None:
    """Send the set-up in the order of `CapturePart`, then start; the recorder must say that it waits."""
    card = _card(instrument)
    plugs = inputs(instrument)
    missing = [c for c in (*order.channels, order.trigger_channel) if c not in plugs]
    if missing:
        raise _error(
            instrument, f"{', '.join(missing)}: on no input", "wire it, and name the input on the bench card"
        )
    if order.rate > card.highest_rate or order.span + order.before > card.longest:
        what = f"{order.rate:g} samples/s for {order.span + order.before:g} s is more than it can"
        raise _error(instrument, what, f"it does {card.highest_rate:g} samples/s for {card.longest:g} s")
    number, ratio = plugs[order.trigger_channel]
    used = sorted({plugs[channel][0] for channel in order.channels} | {number})
    texts = [card.stop] if card.stop else []
    texts += [
        template.replace("{value}", f"{value:.9g}")
        for template, value in ((card.rate, order.rate), (card.before, order.before), (card.span, order.span))
    ]
    for plug, _ in sorted(plugs.values()):
        if plug in used:
            texts.append(card.input_on.replace("{input}", str(plug)))
        elif card.input_off:
            texts.append(card.input_off.replace("{input}", str(plug)))
    texts.append(card.source.replace("{input}", str(number)))
    texts.append(card.change.replace("{value}", f"{order.trigger_change / abs(ratio):.9g}"))
    texts.append(card.start)
    for text in texts:
        instrument.started = time.monotonic()
        instrument.link.write(instrument.message(text))
    errors = instrument.errors()
    if errors:
        raise _error(instrument, f"arming was refused: {'; '.join(errors)}", "see the instrument's manual")
    state = _ask(instrument, card.state)
    if state not in (card.waiting, card.done):
        raise _error(
            instrument, f"is {state[:40]!r} instead of waiting for its trigger", "see the instrument's manual"
        )


def triggered(instrument: "Instrument") -> bool:
    """Whether the capture is complete. Raises `LinkError` where the recorder has given it up."""
    card = _card(instrument)
    state = _ask(instrument, card.state)
    if card.given_up is not None and state == card.given_up:
        errors = "; ".join(instrument.errors()) or "its error queue is empty"
        what = f"gave the capture up before it was complete: its state is {state}; {errors}"
        raise _error(instrument, what, "see the instrument's manual")
    return state == card.done


def fetch(instrument: "Instrument", channels: Sequence[str]) -> Wave:
    """Preamble and data of each channel. Raises `LinkError` where they do not fit each other."""
    card = _card(instrument)
    plugs = inputs(instrument)
    rows: list[npt.NDArray[np.float64]] = []
    timing: tuple[float, float, float] | None = None
    for channel in channels:
        number, ratio = plugs[channel]
        query = card.preamble.replace("{input}", str(number))
        parts = _ask(instrument, query).split(",")
        try:
            numbers = {name: float(text) for name, text in zip(card.preamble_fields, parts, strict=True)}
        except ValueError as error:
            raise _error(
                instrument, f"{query}: no preamble: {','.join(parts)[:80]!r}", "check the driver card"
            ) from error
        if not all(math.isfinite(value) for value in numbers.values()):
            raise _error(instrument, f"{query}: a number in the preamble is none", "the recorder is at fault")
        query = card.data.replace("{input}", str(number))
        block = instrument.link.query_block(instrument.message(query))
        kind = np.dtype(DATA_TYPES[card.data_format])
        if len(block) % kind.itemsize or len(block) // kind.itemsize != int(numbers["points"]):
            what = f"{query}: {len(block)} bytes are not {int(numbers['points'])} samples"
            raise _error(instrument, what, "check data_format on the driver card")
        raw = np.frombuffer(block, dtype=kind).astype(np.float64)
        rows.append((raw * numbers["scale"] + numbers["offset"]) * ratio)
        here = (numbers["start"], numbers["rate"], numbers["trigger"])
        if timing is not None and (here != timing or len(raw) != len(rows[0])):
            raise _error(
                instrument, f"{channel}: differs in time from the other channels", "the recorder is at fault"
            )
        if here[1] <= 0:
            raise _error(
                instrument, f"{channel}: a rate of {here[1]:g} samples/s", "the recorder is at fault"
            )
        timing = here
    if timing is None:
        raise _error(instrument, "no channel was asked for", "name the channels of the capture")
    lacks = _listed(_ask(instrument, card.lacks)) if card.lacks is not None else ()
    prescribed: tuple[str, ...] = ()
    if card.prescribed is not None:
        queries = [card.prescribed.replace("{input}", str(plugs[channel][0])) for channel in channels]
        prescribed = tuple(", ".join(_listed(_ask(instrument, query))) for query in queries)
    return Wave(tuple(channels), timing[0], timing[1], timing[2], np.vstack(rows), lacks, prescribed)


def _listed(text: str) -> tuple[str, ...]:
    """The parts of a quoted comma list."""
    return tuple(part for part in (part.strip().strip('"') for part in text.strip('"').split(",")) if part)


def inputs(instrument: "Instrument") -> dict[str, tuple[int, float]]:
    """Channel -> (input number, probe ratio)."""
    return {plug.channel: (int(number), plug.ratio) for number, plug in instrument.part.inputs.items()}


def _ask(instrument: "Instrument", query: str) -> str:
    return instrument.link.query(instrument.message(query)).decode("ascii", "replace").strip()


def _card(instrument: "Instrument") -> CapturePart:
    card = instrument.driver.capture
    if card is None:
        raise _error(instrument, "is no waveform recorder", "capture with an instrument of class waveform")
    return card


def _error(instrument: "Instrument", what: str, mend: str) -> LinkError:
    return LinkError(instrument.where, what, mend)
