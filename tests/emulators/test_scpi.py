"""The command language against published values (tests/vectors/instrument-protocols; source with each)."""

import contextlib
import json
import math
import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.sim.emulators.lines import LONGEST_LINE
from benchrunner.sim.emulators.parameters import (
    ERROR_TEXTS,
    Channels,
    Choice,
    Number,
    ScpiError,
    Switch,
    block,
)
from benchrunner.sim.emulators.scpi import NOT_AVAILABLE, OVERLOAD, Command, ScpiInterpreter
from benchrunner.sim.emulators.status import ErrorQueue, Register, error_bit, status_byte

VECTORS = Path(__file__).parents[1] / "vectors" / "instrument-protocols" / "instrument-protocols.json"
IN = {entry["id"]: entry for entry in json.loads(VECTORS.read_text())}
SOURCE = Choice(words=("CHANnel",), last_number=4)
IDENTITY = "Highmoor Training Laboratory,TEST,0,1"


class Bench:
    """An instrument with one of each kind of command, real enough to see what reached it."""

    def __init__(self, depth: int = 10) -> None:
        self.power, self.on, self.channels = 0.0, False, {}
        self.scpi = ScpiInterpreter(
            IDENTITY,
            [
                Command("POWer", self.set_power, Number(low=0, high=6000, unit="W")),
                Command("POWer?", lambda: f"{self.power:.1f}"),
                Command("INPut[:STATe]", self.set_on, Switch()),
                Command("INPut[:STATe]?", lambda: str(int(self.on))),
                Command("MEASure:VOLTage:AC?", lambda: "230.1"),
                Command("MEASure:VOLTage:DC?", lambda: "52.1"),
                Command("FREQuency", lambda v: setattr(self, "power", v), Number(low=0, high=1e9, unit="HZ")),
                Command("CHANnel<n>:STATe", self.channels.__setitem__, Switch(), last_number=4),
                Command(
                    "ROUTe:CLOSe",
                    lambda chosen: self.channels.update({c: True for c in chosen}),
                    Channels(count=3),
                ),
                Command(
                    "TRIGger:SOURce",
                    lambda word: setattr(self, "source", word),
                    Choice(words=("CHANnel",), last_number=4),
                ),
            ],
            reset=lambda: self.set_power(0.0),
            queue_depth=depth,
        )

    def set_power(self, value: float) -> None:
        self.power = value

    def set_on(self, value: bool) -> None:
        self.on = value

    def __call__(self, text: str) -> str:
        reply = self.scpi.receive(text.encode() + b"\n")
        assert not reply or (reply.endswith(b"\n") and reply.count(b"\n") == 1)
        return reply.decode().rstrip("\n")

    def error(self) -> int:
        return int(self("SYST:ERR?").partition(",")[0])


def test_mandatory_common_commands() -> None:  # IN-01: IEEE 488.2-1992, clause 10
    for command in IN["IN-01"]["expected"]:
        bench = Bench()
        number = " 4" if command in ("*ESE", "*SRE") else ""
        reply = bench(command + number)
        assert bool(reply) == command.endswith("?"), command
        assert bench.error() == 0, command


def test_status_byte_bits() -> None:  # IN-02, IN-04: IEEE 488.2-1992, 11.2; SCPI-1999 vol. 1, chapter 9
    bits = IN["IN-02"]["expected"]
    nothing = {"message": False, "error": False}
    assert status_byte(0, 0, 0, message=False, error=True) == bits["error_queue_bit2"]
    assert status_byte(0, 0, 0, **nothing, questionable=True) == bits["QUES_bit3"]
    assert status_byte(0, 0, 0, message=True, error=False) == bits["MAV_bit4"]
    assert status_byte(32, 32, 0, **nothing) == bits["ESB_bit5"]
    assert status_byte(32, 32, 32, **nothing) == bits["ESB_bit5"] + bits["RQS_MSS_bit6"]
    assert status_byte(0, 0, 0, **nothing, operation=True) == bits["OPER_bit7"]
    given, wanted = IN["IN-04"]["input"], IN["IN-04"]["expected"]
    byte = status_byte(
        given["ESR"], given["ESE"], given["SRE"], message=given["output_queue"], error=given["error_queue"]
    )
    assert byte == wanted["STB"]


def test_status_byte_on_the_wire() -> None:  # IN-04 again, through the commands
    bench = Bench()
    bench("*CLS;*ESE 60;*SRE 32")
    bench("NONSENSE")
    assert bench("POW?;*STB?") == f"0.0;{IN['IN-04']['expected']['STB']}"
    assert bench("*STB?") == str(IN["IN-04"]["expected"]["STB"] - 16)  # no other answer is waiting
    assert bench("*SRE 255;*SRE?") == "191"  # bit 6 cannot be enabled: IEEE 488.2, 11.3.2


def test_event_register_bits() -> None:  # IN-03, IN-06: IEEE 488.2-1992, 11.5.1; SCPI-1999, 21.8
    bits = IN["IN-03"]["expected"]
    assert [error_bit(code) for code in IN["IN-06"]["input"]["codes"]] == IN["IN-06"]["expected"]
    bench = Bench()
    assert bench("*ESR?") == str(bits["PON"])
    assert bench("*ESR?") == "0"  # reading clears
    bench("*OPC")
    bench("POW 1e9")
    bench("WHAT")
    assert bench("*ESR?") == str(bits["OPC"] | bits["EXE"] | bits["CME"])


def test_error_texts() -> None:  # IN-05: SCPI-1999 vol. 2, 21.8
    for code, text in IN["IN-05"]["expected"].items():
        assert ERROR_TEXTS[int(code)] == text


def test_queue_overflow() -> None:  # IN-07: SCPI-1999, 21.8.1
    queue = ErrorQueue(IN["IN-07"]["input"]["depth"])
    for code in (-113, -222, -109, -224):
        queue.push(code)
    assert [queue.pop() for _ in range(4)] == IN["IN-07"]["expected"]


def test_special_numbers() -> None:  # IN-08: SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5
    assert IN["IN-08"]["expected"][NOT_AVAILABLE] == "NaN"
    assert IN["IN-08"]["expected"][OVERLOAD] == "+inf"


def test_block_header() -> None:  # IN-09, IN-10: IEEE 488.2-1992, 8.7.9
    for size, header in zip(IN["IN-09"]["input"]["n"], IN["IN-09"]["expected"], strict=True):
        assert block(bytes(size)) == header.encode() + bytes(size)
    wanted = bytes.fromhex(IN["IN-10"]["input"]["hex"])
    assert wanted.startswith(block(struct.pack(">2f", *IN["IN-10"]["expected"])))


def test_long_and_short_forms() -> None:  # IN-11: SCPI-1999 vol. 1, 6.2.1
    for header, accepted in zip(IN["IN-11"]["input"]["tries"], IN["IN-11"]["expected"], strict=True):
        bench = Bench()
        assert (bench(header) == "230.1") is accepted
        assert bench.error() == (0 if accepted else -113)


def test_chains_keep_the_path() -> None:  # SCPI-1999 vol. 1, 6.2.4
    bench = Bench()
    assert bench("MEAS:VOLT:AC?;DC?") == "230.1;52.1"
    assert bench("MEAS:VOLT:AC?;*OPC?;DC?") == "230.1;1;52.1"  # a common command leaves the path alone
    assert bench("MEAS:VOLT:AC?;:POW?") == "230.1;0.0"
    assert bench("MEAS:VOLT:AC?;POW?") == "230.1"
    assert bench.error() == -113


def test_identity_is_the_last_query_of_a_message() -> None:  # IEEE 488.2, 10.14.3; SCPI-1999, -440
    bench = Bench()
    assert bench("POW?;*IDN?") == f"0.0;{IDENTITY}"
    assert bench("*IDN?;POW?") == IDENTITY
    assert bench.error() == -440
    assert bench("*ESR?") == str(128 + 4)


@pytest.mark.parametrize(
    ("text", "watts"),
    [("2400", 2400), ("2.4KW", 2400), ("2.4 kw", 2400), ("2.4E3 W", 2400), (".5", 0.5), ("1e3", 1000),
     ("250 MW", 0.25), ("#HFF", 255), ("#B101", 5), ("#Q17", 15), ("MAX", 6000), ("MINIMUM", 0)],
)  # fmt: skip
def test_numbers(text: str, watts: float) -> None:  # IEEE 488.2, 7.7.2 to 7.7.4: M is milli
    bench = Bench()
    bench(f"POW {text}")
    assert bench.error() == 0
    assert bench.power == pytest.approx(watts, rel=1e-12)


def test_mega_for_hertz() -> None:  # IEEE 488.2, 7.7.3.4
    bench = Bench()
    bench("FREQ 2 MHZ")
    assert bench.power == 2e6


@pytest.mark.parametrize(
    ("text", "code"),
    [("POW", -109), ("POW 1,2", -108), ("POW 1 V", -131), ("POW -1", -222), ("POW 6001", -222),
     ("POW 'x'", -104), ("POW five", -104), ("POW 1..2", -121), ("POW 1e40000", -123), ("*ESE 1 V", -138),
     ("POW " + "1" * 300, -124), ("INP maybe", -224), ("INP", -109), ("POW2 5", -113), ("POW? 5", -108),
     ("CHAN5:STAT ON", -114), ("CHAN0:STAT ON", -114), ("ROUT:CLOS (@4)", -222), ("ROUT:CLOS (@x)", -171),
     ("ROUT:CLOS 1", -104), ("TRIG:SOUR CHAN9", -224), ("ABCDEFGHIJKLM?", -112), ("FETC??", -102),
     ("::POW?", -102), ("PO\x07W", -101), ("POW NAN", -222), ("POW INF", -222)],
)  # fmt: skip
def test_what_is_refused_and_how(text: str, code: int) -> None:  # SCPI-1999 vol. 2, 21.8.9 and 21.8.10
    bench = Bench()
    assert bench(text) == ""
    assert bench.error() == code
    assert bench.error() == 0
    assert bench.power == 0
    assert not bench.on


def test_command_error_ends_the_message_but_execution_error_does_not() -> None:
    bench = Bench()
    assert bench("POW 9999;INP ON") == ""
    assert bench.on
    assert bench("NONSENSE;INP OFF") == ""
    assert bench.on


def test_switches_and_channels() -> None:
    bench = Bench()
    for text, on in (("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False), ("2", True)):
        bench(f"INP:STAT {text}")
        assert bench.on is on
    bench("CHAN3:STAT ON;:CHAN:STAT OFF")
    bench("ROUT:CLOS (@2:3)")
    assert bench.channels == {3: True, 1: False, 2: True}
    bench("TRIG:SOUR CHANNEL2")
    assert bench.scpi.errors.pop() == '0,"No error"'


def test_error_queue_commands() -> None:
    bench = Bench(depth=3)
    for text in ("A", "POW", "INP x", "B"):
        bench(text)
    assert bench("SYST:ERR:COUN?") == "3"
    assert (
        bench("SYSTEM:ERROR:ALL?") == '-113,"Undefined header",-109,"Missing parameter",-350,"Queue overflow"'
    )
    bench("A")
    bench("*CLS")
    assert bench("SYST:ERR:NEXT?") == '0,"No error"'


def test_registers() -> None:  # SCPI-1999 vol. 2, chapter 20
    register = Register()
    register.set_condition(5)
    register.set_condition(1)
    assert register.read_event() == 5
    assert register.read_event() == 0
    bench = Bench()
    bench("STAT:QUES:ENAB 2;:STAT:OPER:ENAB 65535")
    assert bench("STAT:QUES:ENAB?;:STAT:OPER:ENAB?") == "2;32767"
    bench.scpi.status.questionable.set_condition(2)
    assert bench("*STB?") == "8"
    assert bench("STAT:QUES?;QUES:COND?") == "2;2"
    assert bench("*STB?") == "0"


def test_reset_reaches_the_instrument() -> None:
    bench = Bench()
    bench("POW 100")
    bench("*RST")
    assert bench.power == 0


def test_pieces_and_terminators() -> None:
    bench = Bench()
    assert bench.scpi.receive(b"PO") == b""
    assert bench.scpi.receive(b"W?\r") == b""
    assert bench.scpi.receive(b"\n*OP") == b"0.0\n"
    assert bench.scpi.receive(b"C?\nPOW?\n") == b"1\n0.0\n"
    assert bench.scpi.receive(b"\n\r\n ; ;\n") == b""
    assert bench.error() == 0


def test_megabytes_without_a_line_feed() -> None:
    bench = Bench()
    for _ in range(64):
        assert bench.scpi.receive(b"x" * 65536) == b""
    assert len(bench.scpi._reader._buffer) <= LONGEST_LINE
    assert bench("") == ""  # the end of the overlong line
    assert bench("SYST:ERR?") == '-363,"Input buffer overrun"'
    assert bench("POW?") == "0.0"


def test_reply_too_large_counts_as_deadlock() -> None:  # IEEE 488.2, 6.3.1.7
    bench = Bench()
    bench.scpi.add(Command("BIG?", lambda: b"x" * 3_000_000))
    assert bench("BIG?;BIG?") == ""
    assert bench.error() == -430


BITS = [b"POW?\n", b"*IDN?;", b"POW 1e", b"INP ON;", b"(@1", b'"', b"\n"]


def test_a_query_that_worked_may_fail_the_next_time() -> None:
    bench = Bench()
    answers = iter(["1", ScpiError(-230), "2", None])

    def answer(channel: int) -> str | None:
        found = next(answers)
        if isinstance(found, ScpiError):
            raise found
        return found

    bench.scpi.add(Command("DATA<n>?", answer, last_number=3))
    assert [bench("DATA2?") for _ in range(4)] == ["1", "", "2", ""]
    assert bench.error() == -230


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.binary(max_size=60),
            st.sampled_from([b"POW?\n", b"*IDN?;", b"POW 1e", b"INP ON;", b"(@1", b'"', b"\n"]),
        )
    )
)
def test_hostile_bytes_never_raise_and_never_wedge(pieces: list[bytes]) -> None:
    bench = Bench()
    for piece in pieces:
        bench.scpi.receive(piece)
    bench.scpi.receive(b"\n*CLS\n")
    assert bench("POW 7;POW?") == "7.0"
    assert 0 <= bench.power <= 6000


@given(st.floats(0, 6000, allow_nan=False))
def test_any_number_in_range_arrives(watts: float) -> None:
    bench = Bench()
    bench(f"POW {watts!r}")
    assert math.isclose(bench.power, watts, rel_tol=1e-15)


@given(st.text(max_size=40))
def test_parameters_raise_only_their_own_error(text: str) -> None:
    for parameter in (
        Number(unit="W"),
        Switch(),
        Choice(words=("CHANnel",), last_number=4),
        Channels(count=3),
    ):
        with contextlib.suppress(ScpiError):
            parameter.parse(text)
