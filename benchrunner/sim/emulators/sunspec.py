"""SunSpec register maps: models as lists of points, encoding with scale factors, unimplemented values.

Source: SunSpec Device Information Model Specification and the published models 1, 701, 714, 802 and 803. Registers
are 16 bits, high byte and high register first.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from benchrunner.cards import sunspec_models

MARK = (0x5375, 0x6E53)  # "SunS"
BASE = 40000
END = 0xFFFF
SIZES = {
    "uint16": 1,
    "int16": 1,
    "enum16": 1,
    "sunssf": 1,
    "pad": 1,
    "uint32": 2,
    "int32": 2,
    "bitfield32": 2,
    "uint64": 4,
    "acc32": 2,
}
UNIMPLEMENTED = {
    "uint16": 0xFFFF, "int16": 0x8000, "enum16": 0xFFFF, "sunssf": 0x8000, "pad": 0x8000, "uint32": 0xFFFFFFFF,
    "int32": 0x80000000, "bitfield32": 0xFFFFFFFF, "uint64": 0xFFFFFFFFFFFFFFFF,
    "acc32": 0,
}  # fmt: skip
LIMITS = {
    "uint16": (0, 0xFFFE),
    "int16": (-0x7FFF, 0x7FFF),
    "uint32": (0, 0xFFFFFFFE),
    "int32": (-0x7FFFFFFF, 0x7FFFFFFF),
}
MOST_REGISTERS = 125  # Modbus Application Protocol V1.1b3, 6.3
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3


class RegistersRefusedError(Exception):
    """A Modbus exception response; `code` as in the Modbus Application Protocol V1.1b3, chapter 7."""

    def __init__(self, code: int, what: str) -> None:
        self.code = code
        super().__init__(f"Modbus exception {code}: {what}")


@dataclass(frozen=True)
class Point:
    """One point of a model; `size` in registers; `scale` names the point that holds its scale factor."""

    name: str
    kind: str
    size: int
    scale: str = ""


def points(text: str) -> list[Point]:
    """`"A:int16:A_SF Md:string16 ..."` as points; a string's size in registers follows its kind."""
    found = []
    for word in text.split():
        name, kind, scale = (*word.split(":"), "", "")[:3]
        size = int(kind.removeprefix("string")) if kind.startswith("string") else SIZES[kind]
        found.append(Point(name, "string" if kind.startswith("string") else kind, size, scale))
    return found


_PHASE = (
    "WL{n}:int16:W_SF VAL{n}:int16:VA_SF VarL{n}:int16:Var_SF PFL{n}:uint16:PF_SF AL{n}:int16:A_SF VL{n}L{m}:int16:V_SF "
    "VL{n}:int16:V_SF TotWhInjL{n}:uint64:TotWh_SF TotWhAbsL{n}:uint64:TotWh_SF TotVarhInjL{n}:uint64:TotVarh_SF "
    "TotVarhAbsL{n}:uint64:TotVarh_SF "
)
MODELS: dict[int, list[Point]] = {
    1: points("Mn:string16 Md:string16 Opt:string8 Vr:string8 SN:string16 DA:uint16 Pad:pad"),
    701: points(
        "ACType:enum16 St:enum16 InvSt:enum16 ConnSt:enum16 Alrm:bitfield32 DERMode:bitfield32 W:int16:W_SF VA:int16:VA_SF "
        "Var:int16:Var_SF PF:uint16:PF_SF A:int16:A_SF LLV:int16:V_SF LNV:int16:V_SF Hz:uint32:Hz_SF TotWhInj:uint64:TotWh_SF "
        "TotWhAbs:uint64:TotWh_SF TotVarhInj:uint64:TotVarh_SF TotVarhAbs:uint64:TotVarh_SF TmpAmb:int16:Tmp_SF "
        "TmpCab:int16:Tmp_SF TmpSnk:int16:Tmp_SF TmpTrns:int16:Tmp_SF TmpSw:int16:Tmp_SF TmpOt:int16:Tmp_SF "
        + "".join(_PHASE.format(n=n, m=n % 3 + 1) for n in (1, 2, 3))
        + "ThrotPct:uint16 ThrotSrc:bitfield32 A_SF:sunssf V_SF:sunssf Hz_SF:sunssf W_SF:sunssf PF_SF:sunssf VA_SF:sunssf "
        "Var_SF:sunssf TotWh_SF:sunssf TotVarh_SF:sunssf Tmp_SF:sunssf MnAlrmInfo:string32"
    ),
    714: points(
        "PrtAlrms:bitfield32 NPrt:uint16 DCA:int16:DCA_SF DCW:int16:DCW_SF DCWhInj:uint64:DCWH_SF DCWhAbs:uint64:DCWH_SF "
        "DCA_SF:sunssf DCV_SF:sunssf DCW_SF:sunssf DCWH_SF:sunssf Tmp_SF:sunssf "
        "Prt_Typ:enum16 Prt_ID:uint16 Prt_IDStr:string8 Prt_DCA:int16:DCA_SF Prt_DCV:uint16:DCV_SF Prt_DCW:int16:DCW_SF "
        "Prt_DCWhInj:uint64:DCWH_SF Prt_DCWhAbs:uint64:DCWH_SF Prt_Tmp:int16:Tmp_SF Prt_DCSta:enum16 Prt_DCAlrm:bitfield32"
    ),
    802: points(
        "AHRtg:uint16:AHRtg_SF WHRtg:uint16:WHRtg_SF WChaRteMax:uint16:WChaDisChaMax_SF WDisChaRteMax:uint16:WChaDisChaMax_SF "
        "DisChaRte:uint16:DisChaRte_SF SoCMax:uint16:SoC_SF SoCMin:uint16:SoC_SF SoCRsvMax:uint16:SoC_SF SoCRsvMin:uint16:SoC_SF "
        "SoC:uint16:SoC_SF DoD:uint16:DoD_SF SoH:uint16:SoH_SF NCyc:uint32 ChaSt:enum16 LocRemCtl:enum16 Hb:uint16 CtrlHb:uint16 "
        "AlmRst:uint16 Typ:enum16 State:enum16 StateVnd:enum16 WarrDt:uint32 Evt1:bitfield32 Evt2:bitfield32 EvtVnd1:bitfield32 "
        "EvtVnd2:bitfield32 V:uint16:V_SF VMax:uint16:V_SF VMin:uint16:V_SF CellVMax:uint16:CellV_SF CellVMaxStr:uint16 "
        "CellVMaxMod:uint16 CellVMin:uint16:CellV_SF CellVMinStr:uint16 CellVMinMod:uint16 CellVAvg:uint16:CellV_SF A:int16:A_SF "
        "AChaMax:uint16:AMax_SF ADisChaMax:uint16:AMax_SF W:int16:W_SF ReqInvState:enum16 ReqW:int16:W_SF SetOp:enum16 "
        "SetInvState:enum16 AHRtg_SF:sunssf WHRtg_SF:sunssf WChaDisChaMax_SF:sunssf DisChaRte_SF:sunssf SoC_SF:sunssf "
        "DoD_SF:sunssf SoH_SF:sunssf V_SF:sunssf CellV_SF:sunssf A_SF:sunssf AMax_SF:sunssf W_SF:sunssf"
    ),
    803: points(
        "NStr:uint16 NStrCon:uint16 ModTmpMax:int16:ModTmp_SF ModTmpMaxStr:uint16 ModTmpMaxMod:uint16 ModTmpMin:int16:ModTmp_SF "
        "ModTmpMinStr:uint16 ModTmpMinMod:uint16 ModTmpAvg:int16:ModTmp_SF StrVMax:uint16:V_SF StrVMaxStr:uint16 "
        "StrVMin:uint16:V_SF StrVMinStr:uint16 StrVAvg:uint16:V_SF StrAMax:int16:A_SF StrAMaxStr:uint16 StrAMin:int16:A_SF "
        "StrAMinStr:uint16 StrAAvg:int16:A_SF NCellBal:uint16 CellV_SF:sunssf ModTmp_SF:sunssf A_SF:sunssf SoH_SF:sunssf "
        "SoC_SF:sunssf V_SF:sunssf "
        "Str_NMod:uint16 Str_St:bitfield32 Str_ConFail:enum16 Str_SoC:uint16:SoC_SF Str_SoH:uint16:SoH_SF Str_A:int16:A_SF "
        "Str_CellVMax:uint16:CellV_SF Str_CellVMaxMod:uint16 Str_CellVMin:uint16:CellV_SF Str_CellVMinMod:uint16 "
        "Str_CellVAvg:uint16:CellV_SF Str_ModTmpMax:int16:ModTmp_SF Str_ModTmpMaxMod:uint16 Str_ModTmpMin:int16:ModTmp_SF "
        "Str_ModTmpMinMod:uint16 Str_ModTmpAvg:int16:ModTmp_SF Str_DisRsn:enum16 Str_ConSt:bitfield32 Str_Evt1:bitfield32 "
        "Str_Evt2:bitfield32 Str_EvtVnd1:bitfield32 Str_EvtVnd2:bitfield32 Str_SetEna:enum16 Str_SetCon:enum16 "
        "Str_Pad1:pad Str_Pad2:pad"
    ),
}


def _from_published(model: int) -> list[Point]:
    """A model as published, without groups that repeat."""
    found = []
    for item in sunspec_models.published()[model]:
        if isinstance(item, sunspec_models.Point):
            found.append(Point(item.name, item.kind, item.size, item.scale))
        elif item.count == "1":
            inner = [one for one in item.items if isinstance(one, sunspec_models.Point)]
            found += [Point(f"{item.name}.{one.name}", one.kind, one.size, one.scale) for one in inner]
    return found


for _number in (103, 123, 703, 704):
    MODELS[_number] = _from_published(_number)


def length(model: int) -> int:
    """Registers after the model's ID and length."""
    return sum(point.size for point in MODELS[model])


class RegisterMap:
    """The registers of one device, all points unimplemented until set. `scales`: scale factors by model and point."""

    def __init__(self, models: Iterable[int], scales: dict[tuple[int, str], int], base: int = BASE) -> None:
        self.base = base
        self.registers: list[int] = list(MARK)
        self.places: dict[tuple[int, str], tuple[int, Point]] = {}  # index into `registers`
        self._scales = scales
        self._slots: dict[tuple[int, str], tuple[int, int, float, int, int, int]] = {}
        for model in models:
            self.registers += [model, length(model)]
            for point in MODELS[model]:
                self.places[model, point.name] = (len(self.registers), point)
                if point.kind == "string":
                    self.registers += [0] * point.size
                else:
                    self.registers += _split(UNIMPLEMENTED[point.kind], point.size)
        self.registers += [END, 0]
        for (model, name), factor in scales.items():
            self.put(model, name, factor)

    def put(self, model: int, name: str, raw: int | str) -> None:
        """Set a point to what its registers hold."""
        place, point = self.places[model, name]
        if isinstance(raw, str):
            data = raw.encode("ascii", "replace")[: 2 * point.size].ljust(2 * point.size, b"\0")
            found = [int.from_bytes(data[k : k + 2], "big") for k in range(0, len(data), 2)]
        else:
            found = _split(raw, point.size)
        self.registers[place : place + point.size] = found

    def show(self, model: int, name: str, value: float) -> None:
        """Set a point to a value in its unit, scaled; NaN, infinite or too large becomes unimplemented."""
        slot = self._slots.get((model, name)) or self._slot(model, name)
        place, size, factor, low, high, raw = slot
        scaled = value * factor
        if low <= scaled <= high:  # not so for NaN
            raw = round(scaled)
        if size == 1:
            self.registers[place] = raw & 0xFFFF
        else:
            self.registers[place : place + size] = _split(raw, size)

    def _slot(self, model: int, name: str) -> tuple[int, int, float, int, int, int]:
        place, point = self.places[model, name]
        factor = 10.0 ** -self._scales.get((model, point.scale), 0)
        slot = (place, point.size, factor, *LIMITS[point.kind], UNIMPLEMENTED[point.kind])
        self._slots[model, name] = slot
        return slot

    def read(self, address: int, count: int) -> list[int]:
        """Registers from `address` on. Raises `RegistersRefusedError` for what is not there."""
        if not 1 <= count <= MOST_REGISTERS:
            raise RegistersRefusedError(ILLEGAL_VALUE, f"{count} registers asked for at once")
        first = address - self.base
        if first < 0 or first + count > len(self.registers):
            raise RegistersRefusedError(ILLEGAL_ADDRESS, f"no register {address} to {address + count - 1}")
        return self.registers[first : first + count]


def _split(raw: int, size: int) -> list[int]:
    raw &= (1 << 16 * size) - 1
    return [(raw >> 16 * (size - 1 - k)) & 0xFFFF for k in range(size)]
