"""Checksums of serial lines: against published values, and over a real line."""

import pytest
from conftest import instrument_text
from hypothesis import given
from hypothesis import strategies as st
from servers import LineServer

from benchrunner.bench.links import base
from benchrunner.bench.links.serial import SerialLink
from benchrunner.cards.checksum import KINDS, crc16, digits, opened, sealed
from benchrunner.cards.driver import LinkPart
from benchrunner.errors import LinkError

assert instrument_text  # the folder's conftest is on the path


def test_published_values() -> None:
    # CRC catalogue, check value of CRC-16/MODBUS; Modbus over Serial Line V1.02, 6.2.2 (frame 01 03 00 00 00 0A C5 CD)
    assert crc16(b"123456789") == 0x4B37
    assert crc16(bytes.fromhex("01030000000A")).to_bytes(2, "little").hex() == "c5cd"
    # NMEA 0183's own worked sentence: exclusive or of the characters between $ and *
    assert digits("xor", b"GPGLL,5300.97914,N,00259.98174,E,125926,A") == b"28"
    assert digits("sum", b"\xff\x02A") == b"42"


@given(st.sampled_from(KINDS), st.sampled_from([b"", b"*"]), st.binary(max_size=40), st.data())
def test_what_is_sealed_opens_and_one_changed_byte_does_not(
    kind: str, mark: bytes, body: bytes, data: st.DataObject
) -> None:
    line = sealed(kind, mark, body)
    assert opened(kind, mark, line) == body
    if kind == "none" or not body:
        return
    at = data.draw(st.integers(0, len(body) - 1))
    other = data.draw(st.integers(0, 255).filter(lambda byte: byte != body[at]))
    changed = body[:at] + bytes([other]) + line[at + 1 :]
    with pytest.raises(ValueError, match="checksum"):
        opened(kind, mark, changed)


@pytest.mark.parametrize("kind", ["sum", "xor", "crc-16"])
def test_over_a_line(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)
    spoil = {"reply": b"1.5"}

    def answer(line: bytes, _: int) -> bytes:
        assert opened(kind, b"*", line) == b"T?"
        reply = sealed(kind, b"*", b"1.5")
        return reply.replace(b"1.5", spoil["reply"]) + b"\r\n"

    part = LinkPart(
        kind="serial", write_ends="\r\n", read_ends="\r\n", checksum=kind, checksum_mark="*", timeout="300 ms"
    )
    with LineServer(answer) as server:
        link = SerialLink("logger", f"socket://127.0.0.1:{server.port}", part, 0.3)
        assert link.query(b"T?\r\n") == b"1.5"
        spoil["reply"] = b"2.5"
        with pytest.raises(LinkError, match="checksum is wrong"):
            link.query(b"T?\r\n")
        spoil["reply"] = b"1.5"
        assert link.query(b"T?\r\n") == b"1.5"
        link.close()
