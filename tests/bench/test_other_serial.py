"""An exchanged instrument: its serial number is passed by a named person, its kind never, and no further one."""

import pytest
from conftest import bench_of, instrument_text
from servers import LineServer

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.prechecks import MAY_PASS, SERIAL
from benchrunner.bench.report import identity_row
from benchrunner.bench.wire import connect
from benchrunner.errors import LinkError

DATED = 'calibrated = 2026-01-01\ndue = 2027-01-01\nserial = "8"\n'


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)


class Told:
    """What a meter says of itself, which may change."""

    def __init__(self, serial: str, model: str = "Meter") -> None:
        self.serial, self.model = serial, model

    def __call__(self, line: bytes, _: int) -> bytes:
        if line == b"*IDN?":
            return f"Highmoor Training Laboratory,{self.model},{self.serial},1.0\n".encode()
        return {b"SYSTem:ERRor?": b'0,"No error"\n', b"FETCh?": b"230,1,230,230,0,1,50\n"}.get(line, b"")


def meter(port: int, passes: bool, more: str = DATED) -> Instrument:
    text = instrument_text(
        "meter", "bus", "ac_meter", "ac-meter-scpi", f"TCPIP0::127.0.0.1::{port}::SOCKET", more
    )
    text += instrument_text(
        "other", "grid", "ac_meter", "ac-meter-scpi", "TCPIP0::127.0.0.1::1::SOCKET", 'serial = "9"'
    )
    return connect(bench_of(text), other_serials=passes)["meter"]


def test_it_is_a_gate_that_may_be_passed() -> None:
    assert SERIAL == "serial-number" and SERIAL in MAY_PASS


def test_another_serial_number_is_refused_and_the_mend_names_the_gate() -> None:
    with LineServer(Told("7")) as server, pytest.raises(LinkError) as caught:
        meter(server.port, False).open()
    assert "--override serial-number" in caught.value.problem.mend


def test_passed_by_name_it_is_told_as_it_is_without_the_dates_of_the_other_one() -> None:
    with LineServer(Told("7")) as server:
        instrument = meter(server.port, True)
        instrument.open()
        row = identity_row(instrument)
        assert (instrument.passed_serial, row["serial"], row["calibrated"], row["due"]) == ("7", "7", "", "")
        instrument.close()


def test_where_it_fits_nothing_is_passed() -> None:
    with LineServer(Told("8")) as server:
        instrument = meter(server.port, True)
        instrument.open()
        row = identity_row(instrument)
        assert (instrument.passed_serial, row["serial"], row["due"]) == ("", "8", "2027-01-01")
        instrument.close()


def test_a_second_exchange_in_the_middle_of_a_run_is_not_passed() -> None:
    told = Told("7")
    with LineServer(told) as server:
        instrument = meter(server.port, True)
        instrument.open()
        told.serial = "6"
        server.drop()
        for _ in range(3):
            with pytest.raises(LinkError):
                instrument.poll()
        with pytest.raises(LinkError, match="'7' was passed by name for this run"):
            instrument.open()
        told.serial = "7"
        assert instrument.poll()[0] == 230.0
        instrument.close()


@pytest.mark.parametrize(
    ("serial", "model", "more", "said"),
    [
        ("9", "Meter", DATED, "that is other"),
        ("0", "Meter", DATED, "tells no serial number"),
        ("", "Meter", DATED, "tells no serial number"),
        ("7", "Load", DATED + 'identity = "*,Meter,*,*"', "is expected"),
        ("7", "Meter", DATED + 'identity = "*,*,8,*"', "is expected"),
    ],
)
def test_what_nobody_passes(serial: str, model: str, more: str, said: str) -> None:
    """Exchanged cables, no serial number at all, another model, an identity pattern that names the serial number."""
    with LineServer(Told(serial, model)) as server:
        instrument = meter(server.port, True, more)
        with pytest.raises(LinkError) as caught:
            instrument.open()
        assert said in str(caught.value.problem)
        assert "--override" not in caught.value.problem.mend and not instrument.link.is_open
