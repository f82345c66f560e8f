"""Every shipped procedure on a bench whose instruments are on TCP, serial, Modbus TCP and Modbus RTU at once.

As a program it prints the table: `python tests/long/test_wire_long.py [PROCEDURE...]`.
"""

import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "engine"))

from wire_bench import HEAD, PROCEDURES, assert_alike, compare


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_the_wire_gives_what_memory_gives(
    procedure: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    compared = compare(procedure, tmp_path)
    with capsys.disabled():
        print("\n" + compared.row())
    assert compared.wire.ended["exit"] == 0
    assert_alike(compared)


def main() -> None:
    """See the top of the file."""
    print(HEAD)
    for procedure in sys.argv[1:] or PROCEDURES:
        with tempfile.TemporaryDirectory() as folder:
            compared = compare(procedure, Path(folder))
            try:
                assert_alike(compared)
                print(compared.row(), flush=True)
            except AssertionError as error:
                print(compared.row(), "NOT ALIKE:", str(error).splitlines()[0], flush=True)


if __name__ == "__main__":
    main()
