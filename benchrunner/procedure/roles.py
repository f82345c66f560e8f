"""What the roles of a procedure offer: which channels exist, in what unit, and what can be set.

Also finds the order that could join two live buses without a synchronism check.
"""

from collections.abc import Iterable, Mapping

from benchrunner.cards.classes import CLASSES, Quantity, Setting
from benchrunner.cards.reading import KeyPath
from benchrunner.procedure.amounts import Findings
from benchrunner.procedure.model import Procedure, Step
from benchrunner.procedure.names import did_you_mean

# Roles whose name says that another live source or bus lies behind them.
_LIVE = ("grid", "mains", "generator", "genset", "tie", "coupler", "bypass", "parallel")


class Roles:
    """The roles of one procedure with their classes; answers for channels and settings, noting what is unknown."""

    def __init__(self, procedure: Procedure, findings: Findings) -> None:
        self.findings = findings
        self.classes: dict[str, tuple[str, ...]] = {}
        for role, given in procedure.roles.items():
            listed = [given] if isinstance(given, str) else given
            for name in listed:
                if name not in CLASSES:
                    findings.add(
                        ("roles", role),
                        f"names the unknown class {name!r}",
                        did_you_mean(name, CLASSES, "known classes"),
                    )
            if len(set(listed)) < len(listed):
                findings.add(("roles", role), "names a class twice", "name each class once")
            self.classes[role] = tuple(listed)

    def quiet(self) -> "Roles":
        """The same roles with findings of their own, for a second look at what was reported already."""
        other = object.__new__(Roles)
        other.classes, other.findings = self.classes, Findings(None)
        return other

    def _role(self, path: KeyPath, name: str, kind: str) -> tuple[str, tuple[str, ...]] | None:
        role = name.partition(".")[0]
        classes = self.classes.get(role)
        if classes is None:
            self.findings.add(
                path,
                f"{kind} {name!r} names the unknown role {role!r}",
                did_you_mean(role, self.classes, "roles here"),
            )
            return None
        if not all(one in CLASSES for one in classes):
            return None  # reported at the role
        return role, classes

    def unit(self, path: KeyPath, channel: str, anywhere: bool = False) -> str | None:
        """The unit of a channel, or None where it is unknown (which is then noted).

        `anywhere`: another class may deliver it (a start condition names what the bench must show, and a role may
        be shared by instruments that the procedure does not use otherwise).
        """
        known = self._role(path, channel, "channel")
        if known is None:
            return None
        role, classes = known
        quantity = channel.partition(".")[2]
        offered: dict[str, Quantity] = {}
        for one in CLASSES if anywhere else classes:
            offered |= CLASSES[one].reads
        if quantity in offered:
            return offered[quantity].unit
        elsewhere = [one for one in CLASSES if quantity in CLASSES[one].reads]
        mend = (
            did_you_mean(quantity, offered, "it reads") if offered else "this class reads nothing by itself"
        )
        if elsewhere and not mend.startswith("did"):
            mend = f"{' or '.join(elsewhere)} reads it: give the role that class too, as a list"
        self.findings.add(
            path, f"channel {channel!r} does not exist: role {role!r} is {_words(classes)}", mend
        )
        return None

    def setting(self, path: KeyPath, name: str) -> Setting | None:
        """What can be set under that name, or None where it is unknown (which is then noted)."""
        known = self._role(path, name, "setting")
        if known is None:
            return None
        role, classes = known
        setting = name.partition(".")[2]
        offered: dict[str, Setting] = {}
        for one in classes:
            offered |= CLASSES[one].settings
        if setting in offered:
            return offered[setting]
        mend = (
            did_you_mean(setting, offered, "it can be told")
            if offered
            else "this class cannot be told anything"
        )
        self.findings.add(path, f"setting {name!r} does not exist: role {role!r} is {_words(classes)}", mend)
        return None

    def waveform(self, path: KeyPath, role: str) -> None:
        """Note where `role` is not one that captures."""
        known = self._role(path, role, "capture")
        if known is not None and "waveform" not in known[1]:
            capturing = [name for name, classes in self.classes.items() if "waveform" in classes]
            self.findings.add(
                path, f"role {role!r} is {_words(known[1])}, which cannot capture",
                f"use {capturing[0]!r}" if capturing else "add a role of the class waveform",
            )  # fmt: skip

    def meets(self, bench: Mapping[str, Iterable[str]]) -> None:
        """Note every role that the bench does not fill."""
        for role, classes in self.classes.items():
            if role not in bench:
                self.findings.add(
                    ("roles", role),
                    "is a role that this bench does not have",
                    did_you_mean(role, bench, "roles of the bench"),
                )
                continue
            lacking = [one for one in classes if one not in set(bench[role])]
            if lacking:
                self.findings.add(
                    ("roles", role), f"must be {_words(classes)}; on this bench it is {_words(tuple(bench[role]))}",
                    f"add a {' and a '.join(lacking)} with this role to the bench card",
                )  # fmt: skip


def joins_live_buses(procedure: Procedure, findings: Findings) -> None:
    """Note each order that could join two live buses without a synchronism check.

    The battery inverter's own transfer relay is the only synchronised one. A grid switch lies upstream of it and may
    close at any time; a second one, or a plain contactor towards another live bus, may not.
    """
    closing = list(_closings(procedure.steps, ("steps",)))
    switches: list[str] = []
    for path, name in closing:
        role, _, setting = name.partition(".")
        given = procedure.roles.get(role, [])
        classes = [given] if isinstance(given, str) else given
        if "grid_switch" in classes and setting == "closed":
            if role not in switches:
                switches.append(role)
            if switches[0] != role:
                findings.add(
                    path, f"closes {name!r} besides {switches[0] + '.closed'!r}: two such switches can join two live buses without a synchronism check",
                    "use one grid switch, upstream of the battery inverter's transfer relay, and let that relay synchronise",
                )  # fmt: skip
        elif setting == "closed" or (
            setting.endswith("contactor") and any(word in role.split("_") for word in _LIVE)
        ):
            findings.add(
                path, f"closes {name!r}, which can join two live buses without a synchronism check",
                "only a role of the class grid_switch, upstream of the battery inverter's synchronising relay, may connect the grid",
            )  # fmt: skip


def _closings(steps: list[Step], path: KeyPath) -> Iterable[tuple[KeyPath, str]]:
    for index, step in enumerate(steps):
        here = (*path, index)
        for number, order in enumerate(step.do):
            if order.to is True:
                yield (*here, "do", number), order.set
        if step.steps is not None:
            yield from _closings(step.steps, (*here, "steps"))


def _words(classes: tuple[str, ...]) -> str:
    return " and ".join(f"a {one}" for one in classes)
