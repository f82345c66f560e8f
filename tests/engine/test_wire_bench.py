"""A bench on TCP, serial and Modbus at once gives the run that memory gives. The long set runs every procedure."""

from pathlib import Path

from wire_bench import assert_alike, compare


def test_a_run_over_every_kind_of_link_at_once_is_the_run_in_memory(tmp_path: Path) -> None:
    compared = compare("load-rejection", tmp_path)
    assert compared.wire.ended["exit"] == 0
    assert_alike(compared)
