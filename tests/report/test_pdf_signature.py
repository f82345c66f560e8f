"""The PDF's signature: made and then validated by pyHanko and by poppler's pdfsig, both against the laboratory's root."""

import re
import shutil
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import pytest

from benchrunner.errors import Refused
from benchrunner.report.pdf import write_pdf
from benchrunner.report.pdf_signature import make_certificate, read_signer

PASS = "peat and heather"


@pytest.fixture(scope="module")
def laboratory(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return make_certificate("Highmoor Training Laboratory", PASS, tmp_path_factory.mktemp("keys") / "lab.p12")


@pytest.fixture(scope="module")
def signed(record: Path, laboratory: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_pdf(
        record, tmp_path_factory.mktemp("pdf") / "s.pdf", signer=read_signer(laboratory[0], PASS)
    )


def status(raw: bytes, root: Path) -> object:
    from pyhanko.keys import load_cert_from_pemder
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko_certvalidator import ValidationContext

    (signature,) = PdfFileReader(BytesIO(raw)).embedded_signatures
    trusted = ValidationContext(trust_roots=[load_cert_from_pemder(str(root))], allow_fetching=False)
    return validate_pdf_signature(signature, trusted)


def test_pyhanko_validates_it(signed: Path, laboratory: tuple[Path, Path]) -> None:
    found = status(signed.read_bytes(), laboratory[1])
    assert found.bottom_line  # type: ignore[attr-defined]
    assert found.summary() == "INTACT:TRUSTED,UNTOUCHED"  # type: ignore[attr-defined]
    assert found.coverage.name == "ENTIRE_FILE"  # type: ignore[attr-defined]


@pytest.mark.filterwarnings("ignore")
def test_another_root_does_not_count(signed: Path, tmp_path: Path) -> None:
    _, other = make_certificate("Another Laboratory", PASS, tmp_path / "other.p12")
    found = status(signed.read_bytes(), other)
    assert found.intact  # type: ignore[attr-defined]
    assert not found.trusted  # type: ignore[attr-defined]


def test_a_changed_byte_is_found(signed: Path, laboratory: tuple[Path, Path]) -> None:
    raw = bytearray(signed.read_bytes())
    raw[raw.index(b"stream") + 40] ^= 1
    found = status(bytes(raw), laboratory[1])
    assert not found.bottom_line  # type: ignore[attr-defined]


def pdfsig(path: Path, database: Path) -> str:
    done = subprocess.run(
        ["pdfsig", "-nssdir", str(database), str(path)], capture_output=True, text=True, timeout=60
    )
    return done.stdout


@pytest.mark.skipif(shutil.which("pdfsig") is None, reason="poppler-utils is not installed")
def test_pdfsig_validates_it_with_the_laboratorys_root(
    signed: Path, laboratory: tuple[Path, Path], tmp_path: Path
) -> None:
    """poppler 22.12; the root goes into an NSS database, which is where pdfsig looks for trust."""
    (tmp_path / "trusting").mkdir()
    tool = Path(__file__).with_name("nss_database.py")
    subprocess.run(
        [sys.executable, str(tool), str(tmp_path / "trusting"), str(laboratory[1])], check=True, timeout=60
    )
    says = pdfsig(signed, tmp_path / "trusting")
    assert "Signature is Valid." in says
    assert "Certificate is Trusted." in says
    assert "Total document signed" in says
    assert "ETSI.CAdES.detached" in says
    assert "CN=Highmoor Training Laboratory" in says
    raw = bytearray(signed.read_bytes())
    raw[raw.index(b"stream") + 40] ^= 1
    (tmp_path / "changed.pdf").write_bytes(raw)
    assert "Signature is Valid." not in pdfsig(tmp_path / "changed.pdf", tmp_path / "trusting")


def test_what_cannot_sign_is_refused(laboratory: tuple[Path, Path], tmp_path: Path) -> None:
    with pytest.raises(Refused, match="passphrase is wrong"):
        read_signer(laboratory[0], "another")
    with pytest.raises(Refused, match="cannot be read"):
        read_signer(tmp_path / "none.p12", PASS)
    (tmp_path / "text.p12").write_bytes(b"no keys here")
    with pytest.raises(Refused, match=re.escape("no PKCS#12 file")):
        read_signer(tmp_path / "text.p12", PASS)
    make_certificate("Old", PASS, tmp_path / "old.p12", days=0)
    with pytest.raises(Refused, match=r"holds from .* only"):
        read_signer(tmp_path / "old.p12", PASS)


def test_a_key_is_never_written_over_and_readable_by_its_owner_alone(laboratory: tuple[Path, Path]) -> None:
    with pytest.raises(Refused, match="exists already"):
        make_certificate("Highmoor Training Laboratory", PASS, laboratory[0])
    if sys.platform != "win32":
        assert laboratory[0].stat().st_mode & 0o777 == 0o600
    assert PASS.encode() not in laboratory[0].read_bytes()
    assert b"PRIVATE" not in laboratory[1].read_bytes()
