"""Finding instruments: on a served bench, at hostile listeners, on a pseudo-terminal; and the draft of a bench card."""

import contextlib
import os
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from free_ports import free_base

from benchrunner import data
from benchrunner.bench.find import asking, looking, proposing, writing
from benchrunner.bench.find.asking import Answer
from benchrunner.bench.find.looking import Where, conflicts, look
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.engine.files import check_any
from benchrunner.engine.prepare import prepare
from benchrunner.engine.request import RunRequest
from benchrunner.errors import Refused
from benchrunner.sim.served import Server

LOOPBACK = data.find("loopback", "resources", "benches")
ROLES = {  # serial number -> class and the roles proposed, as the loopback card has them
    "HTL-LB-01": ("ac-load-scpi", ("load",)), "HTL-AM-01": ("ac-meter-scpi", ("bus", "pv", "grid")),
    "HTL-AM-02": ("ac-meter-scpi", ("bus", "pv", "grid")), "HTL-AM-03": ("ac-meter-scpi", ("bus", "pv", "grid")),
    "HTL-DM-01": ("dc-meter-scpi", ("battery",)), "HTL-PS-01": ("pv-source-scpi", ("pv_source",)),
    "HTL-GS-01": ("grid-switch-scpi", ("grid",)), "HTL-GR-01": ("grid-source-scpi", ("grid_source",)),
    "HTL-WR-01": ("waveform-scpi", ("scope",)), "HTL-RB-01": ("relay-board-ascii", ("relays",)),
    "HTL-IL-01": ("interlock-ascii", ("interlock",)), "HTL-BM-01": ("battery-monitor-sunspec", ("battery",)),
}  # fmt: skip


@pytest.fixture(scope="module")
def found() -> Iterator[list[Answer]]:
    """What is found on the served bench."""
    base = free_base()
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    with Server(read_bench(LOOPBACK), pairing, port_base=base, speed=1.0):
        where = Where(
            (f"127.0.0.1:{base}-{base + 20}",),
            (f"127.0.0.1:{base + 12}-{base + 14}",),
            visa=False,
            patience=4.0,
        )
        yield look(where)


def test_every_instrument_of_a_served_bench_is_found_with_driver_and_role(found: list[Answer]) -> None:
    assert all(answer.found and answer.problem is None for answer in found)
    assert len(found) == len(read_bench(LOOPBACK).card.instruments)
    by_serial = {answer.identity.split(",")[2]: proposing.propose(answer) for answer in found}
    for serial, (driver, roles) in ROLES.items():
        assert (by_serial[serial].driver, by_serial[serial].roles) == (driver, roles)
    inverter = by_serial["pv_inverter"]
    assert inverter.driver == "inverter-sunspec" and inverter.role == ""
    assert inverter.roles == ("battery_inverter", "pv_inverter")


def test_the_draft_is_accepted_by_check_and_refused_by_run(found: list[Answer], tmp_path: Path) -> None:
    path = tmp_path / "found.toml"
    writing.write_card(path, writing.card_text([proposing.propose(answer) for answer in found]))
    problems, kind, says = check_any(path)
    assert (problems, kind) == ([], "bench card, a draft")
    assert any("safe order does not name it" in line for line in says)
    bench = read_bench(path)
    assert bench.simulated and len(bench.card.instruments) == len(found)
    assert all(not part.accuracy and part.due is None for part in bench.card.instruments.values())
    with pytest.raises(Refused, match="not finished"):
        prepare(RunRequest("load-rejection", bench=str(path)))
    with pytest.raises(Refused, match="no card is overwritten"):
        writing.write_card(path, "")


def test_a_draft_that_is_finished_by_its_own_comments_is_in_order(
    found: list[Answer], tmp_path: Path
) -> None:
    """Roles chosen, the lines for the bus meter taken, then the shipped card's wiring, guards and safe order below."""
    answers = sorted(found, key=lambda answer: answer.address)
    text = writing.card_text([proposing.propose(answer) for answer in answers])
    whole = LOOPBACK.read_text(encoding="utf-8")
    for number, role in enumerate(("bus", "pv", "grid"), 1):
        text = text.replace(f'role = "ac_meter_{number}"', f'role = "{role}"')
    for number, role in enumerate(("battery_inverter", "pv_inverter"), 1):
        text = text.replace(f'role = "inverter_{number}"', f'role = "{role}"')
    assert text.count("# where its role is bus: ") == 3  # at each AC meter; the lines at the first are taken
    before, after = text.split("# where its role is bus: what it sees of the battery inverter, under ", 1)
    lines, others = after.split("\n\n", 1)
    text = before + lines.replace("\n#   ", "\n") + "\n\n" + others
    text = text.replace(
        "draft = true\n", 'interlock = "interlock.closed"\nwiring = { live = ["mains", "bus"] }\n'
    )
    text = text.replace(
        'class = "grid_switch"\n',
        'class = "grid_switch"\nbetween = { closed = ["mains", "grid terminals"] }\n',
    )
    text = text.replace(
        'class = "relay_board"\n',
        'class = "relay_board"\nbetween = { pv_contactor = ["PV inverter", "bus"], battery_contactor = ["battery", "DC terminals"] }\n',
    )
    path = tmp_path / "bench.toml"
    path.write_text(
        text
        + whole[
            whole.index(
                "# ---------------------------------------------------------------- limits of wiring"
            ) :
        ],
        encoding="utf-8",
    )
    assert check_any(path) == ([], "bench card", [])
    bench = read_bench(path)
    assert {"battery_inverter.power", "battery_inverter.current", "bus.voltage"} <= set(bench.channel_units)
    assert (
        text.count("# TODO accuracy") == len(found)
        and "#   [instruments.load.accuracy], a line each for: " in text
    )


def test_a_draft_of_real_instruments_says_real(found: list[Answer]) -> None:
    one = Answer("TCPIP0::10.0.0.9::5025::SOCKET", 'Fell "Works",AC meter,7,1', "*IDN?")
    text = writing.card_text([proposing.propose(one)])
    assert 'title = "Bench found on this machine"   # TODO the name of this bench' in text
    assert "simulated = false" in text and "TODO role: one of bus, pv, grid" in text


def test_what_suits_no_card_or_several_stands_as_a_comment() -> None:
    odd = proposing.propose(Answer("TCPIP0::h::1::SOCKET", "A,B,C,D", "*IDN?"))
    assert len(odd.drivers) > 3 and odd.driver == ""
    text = writing.card_text([odd])
    assert "TODO which driver card?" in text and "[instruments" not in text


def test_one_serial_number_at_two_addresses_is_a_conflict() -> None:
    answers = [Answer(f"TCPIP0::h::{port}::SOCKET", "A,AC meter,7,1", "*IDN?") for port in (1, 2)]
    (problem,) = conflicts(answers)
    assert "same serial number" in problem.what and "TCPIP0::h::1" in problem.what
    assert (
        conflicts([Answer("a", "A,B,0,1"), Answer("b", "A,B,0,1")]) == []
    )  # 0: not available (IEEE 488.2, 10.14)


@contextlib.contextmanager
def listener(reply: bytes, delay: float = 0.0) -> Iterator[tuple[int, list[bytes]]]:
    """Somebody at a port who says `reply` to whatever is asked; what was asked is kept."""
    server = socket.create_server(("127.0.0.1", 0))
    asked: list[bytes] = []

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                link, _ = server.accept()
                with link, contextlib.suppress(OSError):
                    while got := link.recv(4096):
                        asked.append(got)
                        time.sleep(delay)
                        link.sendall(reply)

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield server.getsockname()[1], asked
    finally:
        server.close()


@pytest.mark.parametrize(
    "reply", [b"", b"\xff\xfe\x00\n", b"no\n", b"x" * 100_000, b"," * 300 + b"\n", b"a,b,c,\x1b[2J\n"]
)
def test_a_listener_that_is_no_instrument_is_told_in_bounded_time(reply: bytes) -> None:
    with listener(reply) as (port, asked):
        begin = time.monotonic()
        answer = asking.ask_socket("127.0.0.1", port, 0.3)
        assert time.monotonic() - begin < 3.0
    assert answer is not None and not answer.found and answer.problem is not None
    assert "neither *IDN? nor N?" in answer.problem.what
    assert set(b"".join(asked).split()) <= {b"*IDN?", b"N?"}  # nothing else is ever sent


def test_two_answers_at_one_place_are_told() -> None:
    with listener(b"A,AC meter,7,1\nB,DC meter,8,1\n") as (port, _):
        answer = asking.ask_socket("127.0.0.1", port, 0.5)
    assert answer is not None and answer.problem is not None
    assert "more than one answer" in answer.problem.what


def test_nobody_there_is_no_answer() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    assert asking.ask_socket("127.0.0.1", port, 0.3) is None
    assert asking.ask_modbus("127.0.0.1", port, 1, 0.3) is None


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_serial_line_is_asked_and_says_who_it_is() -> None:
    ours, theirs = os.openpty()
    stop = threading.Event()

    def board() -> None:
        with contextlib.suppress(OSError):
            while not stop.is_set():
                for line in os.read(ours, 256).split(b"\n"):
                    if line.strip() == b"N?":
                        os.write(ours, b"Highmoor,Relay board,HTL-RB-09,1.0\r\n")
                    elif line.strip():
                        os.write(ours, b"? unknown\r\n")

    threading.Thread(target=board, daemon=True).start()
    try:
        answer = asking.ask_serial(os.ttyname(theirs), (115200,), 0.6)
    finally:
        stop.set()
        os.close(theirs)
        os.close(ours)
    assert answer.identity == "Highmoor,Relay board,HTL-RB-09,1.0", answer
    assert proposing.propose(answer).driver == "relay-board-ascii"


@pytest.mark.parametrize(
    ("error", "what", "mend"),
    [
        (PermissionError(13, "Permission denied"), "group dialout", "usermod -aG dialout"),
        (OSError(16, "Device or resource busy"), "in use by another program", "close"),
        (OSError("Could not exclusively lock port"), "in use by another program", "close"),
        (FileNotFoundError(2, "No such file or directory"), "not there any more", "plug"),
        (OSError(5, "Input/output error"), "cannot be opened", "cable"),
    ],
)
@pytest.mark.skipif(sys.platform == "win32", reason="rights of serial ports are told otherwise there")
def test_what_stands_in_the_way_of_a_serial_port_is_explained(error: Exception, what: str, mend: str) -> None:
    problem = asking.serial_problem("/dev/ttyUSB0", error)
    assert what in problem.what and mend in problem.mend


def test_missing_rights_at_usb_are_explained() -> None:
    problem = asking.visa_problem(
        "USB0::1::2::3::INSTR", "USBError: [Errno 13] Access denied (insufficient permissions)"
    )
    assert "may not use this USB device" in problem.what and "udev" in problem.mend


def test_listing_asks_nothing_and_ends() -> None:
    begin = time.monotonic()
    looking.serial_ports()
    looking.visa_resources(5.0)
    assert time.monotonic() - begin < 8.0
    assert look(Where(visa=False)) == []


@pytest.mark.parametrize(
    "text", ["", "host", "host:0", "host:9-8", "host:1-70000", "host:1-999", "a b:1", "host:1/5", "x:1-2-3"]
)
def test_what_names_no_ports_is_refused(text: str) -> None:
    with pytest.raises(Refused):
        look(Where((text,), visa=False))
