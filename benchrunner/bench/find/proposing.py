"""Which driver card and which role suit an answer: by the cards' identification patterns and link kinds, by SunSpec
models, and by what the instrument calls itself. Where several suit, all are told and none is chosen.
"""

from dataclasses import dataclass
from functools import cache

from benchrunner import data
from benchrunner.bench.find.asking import Answer
from benchrunner.bench.identity import matches
from benchrunner.cards.driver import DriverCard, read_driver
from benchrunner.errors import Refused

ROLES: dict[str, tuple[str, ...]] = {  # class -> the roles that it can have on a pairing bench
    "ac_load": ("load",), "pv_source": ("pv_source",), "grid_switch": ("grid",), "grid_source": ("grid_source",),
    "dc_meter": ("battery",), "battery_monitor": ("battery",), "relay_board": ("relays",), "interlock": ("interlock",),
    "waveform": ("scope",), "ac_meter": ("bus", "pv", "grid"), "inverter": ("battery_inverter", "pv_inverter"),
}  # fmt: skip
WORDS: dict[str, tuple[str, ...]] = {  # what an instrument of the class may call itself
    "ac_load": ("load bank", "ac load"), "pv_source": ("pv source", "array simulator", "pv simulator"),
    "grid_switch": ("grid switch",), "grid_source": ("grid source", "ac source"), "dc_meter": ("dc meter", "dc power meter"),
    "relay_board": ("relay",), "interlock": ("interlock",), "waveform": ("recorder", "oscilloscope"),
    "ac_meter": ("ac meter", "power meter", "power analyser", "power analyzer"),
}  # fmt: skip
BATTERY_MODELS, INVERTER_MODELS = {802, 803}, {101, 102, 103, 111, 112, 113, 701}


@dataclass(frozen=True)
class Proposal:
    """One instrument that was found. More than one driver or role: a person has to choose."""

    answer: Answer
    drivers: tuple[str, ...]
    roles: tuple[str, ...]

    @property
    def driver(self) -> str:
        """The driver card, where only one suits."""
        return self.drivers[0] if len(self.drivers) == 1 else ""

    @property
    def role(self) -> str:
        """The role, where only one suits."""
        return self.roles[0] if len(self.roles) == 1 else ""


@cache
def drivers() -> dict[str, DriverCard]:
    """All driver cards, the lab's own before the shipped ones; one that cannot be read is left out here."""
    found: dict[str, DriverCard] = {}
    for place in (*data.lab_folders("drivers"), data.folder("drivers")):
        for path in sorted(place.glob("*.toml")):
            if path.stem not in found:
                try:
                    found[path.stem] = read_driver(path)
                except Refused:
                    continue
    return found


def propose(answer: Answer) -> Proposal:
    """Driver cards and roles that suit."""
    suiting = [name for name, card in drivers().items() if _suits(card, answer)]
    classes = {name: drivers()[name].klass for name in suiting}
    if answer.query == "SunSpec":
        models = set(answer.models)
        wanted = (
            "battery_monitor" if models & BATTERY_MODELS else "inverter" if models & INVERTER_MODELS else ""
        )
        suiting = [name for name in suiting if classes[name] == wanted and _models(drivers()[name]) <= models]
    else:
        said = answer.identity.casefold()
        named = [name for name in suiting if any(word in said for word in WORDS.get(classes[name], ()))]
        suiting = named or suiting
        # among cards of one class, the one that is named as the instrument calls itself ("ac-meter-scpi": AC meter)
        nearer = [name for name in suiting if name.rpartition("-")[0].replace("-", " ") in said]
        suiting = nearer or suiting
    roles = dict.fromkeys(role for name in suiting for role in ROLES.get(classes[name], ()))
    return Proposal(answer, tuple(suiting), tuple(roles))


def _models(card: DriverCard) -> set[int]:
    """The SunSpec models that a driver card reads."""
    return {read.model for read in card.reads if getattr(read, "model", None)}  # type: ignore[misc]


def _suits(card: DriverCard, answer: Answer) -> bool:
    kind = "modbus" if answer.query == "SunSpec" else "serial" if answer.query == "N?" else "visa"
    if answer.address.startswith("serial:"):
        kind = "serial"
    if card.link.kind != kind or not matches(answer.identity, card.identify.pattern):
        return False
    return kind == "modbus" or card.identify.query == answer.query
