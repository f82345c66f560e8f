"""Signs a report's PDF with the laboratory's certificate (PAdES, ETSI EN 319 142-1), and makes a certificate to try with.

The signature says that the PDF came from who holds the certificate's key. It is apart from the record's own signatures,
which hold without any PDF. A self-made certificate is trusted only where somebody has put it among the trusted ones.
"""

import os
import secrets
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

from benchrunner.errors import Problem, Refused

LARGEST = 1_000_000  # bytes of a PKCS#12 file
FIELD = "Laboratory"
LEAST_RSA = 2048  # bits


@dataclass(frozen=True)
class Signer:
    """A key with its certificate, opened. `name` is what the certificate says of its holder."""

    name: str
    inner: Any

    def sign(self, pdf: bytes, reason: str) -> bytes:
        """The same PDF with an invisible signature over all of it, added as an incremental update."""
        from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
        from pyhanko.sign import fields, signers

        facts = signers.PdfSignatureMetadata(
            field_name=FIELD,
            md_algorithm="sha256",
            subfilter=fields.SigSeedSubFilter.PADES,
            name=self.name,
            reason=f"Report of {reason}",
        )
        out = signers.PdfSigner(facts, signer=self.inner).sign_pdf(IncrementalPdfFileWriter(BytesIO(pdf)))
        return bytes(out.getvalue())


def read_signer(path: Path | str, passphrase: str) -> Signer:
    """Open a PKCS#12 file. Raises `Refused`: unreadable, wrong passphrase, out of date, a key that readers do not know."""
    from cryptography.hazmat.primitives.asymmetric import ec, rsa
    from cryptography.hazmat.primitives.serialization import pkcs12
    from cryptography.x509.oid import NameOID

    where = str(path)
    try:
        with Path(path).open("rb") as stream:
            raw = stream.read(LARGEST + 1)
    except OSError as error:
        raise Refused(
            Problem(where, f"cannot be read: {error.strerror}", "give a PKCS#12 file (.p12)")
        ) from error
    if len(raw) > LARGEST:
        raise Refused(
            Problem(where, "is too large for a key and its certificates", "give a PKCS#12 file (.p12)")
        )
    try:
        key, certificate, _ = pkcs12.load_key_and_certificates(raw, passphrase.encode("utf-8"))
    except (ValueError, TypeError) as error:
        what = "cannot be opened: the passphrase is wrong, or it is no PKCS#12 file"
        raise Refused(Problem(where, what, "check --passphrase-file")) from error
    if key is None or certificate is None:
        raise Refused(
            Problem(where, "holds no key with its certificate", "export both into one PKCS#12 file")
        )
    curves = isinstance(key, ec.EllipticCurvePrivateKey) and key.curve.name in ("secp256r1", "secp384r1")
    if not curves and not (isinstance(key, rsa.RSAPrivateKey) and key.key_size >= LEAST_RSA):
        what = "is a key that few PDF readers can check"
        raise Refused(Problem(where, what, f"take ECDSA P-256 or P-384, or RSA of {LEAST_RSA} bits or more"))
    now = datetime.now(UTC)
    if not certificate.not_valid_before_utc <= now <= certificate.not_valid_after_utc:
        what = f"the certificate holds from {certificate.not_valid_before_utc:%Y-%m-%d} to {certificate.not_valid_after_utc:%Y-%m-%d} only"
        raise Refused(Problem(where, what, "take a certificate that holds today"))
    named = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return Signer(str(named[0].value) if named else "", _opened(raw, passphrase))


def _opened(raw: bytes, passphrase: str) -> Any:
    from pyhanko.sign import signers

    return signers.SimpleSigner.load_pkcs12_data(raw, other_certs=[], passphrase=passphrase.encode("utf-8"))


def make_certificate(name: str, passphrase: str, out: Path | str, days: int = 730) -> tuple[Path, Path]:
    """A self-made certificate with a P-256 key, for trying and for a laboratory without one of its own.

    Signed by a root made with it, whose key is thrown away at once, so that nothing else can ever come from that root.
    Writes `out` (PKCS#12, encrypted, readable by its owner alone) and beside it the root as `.pem`, to hand out.
    Raises `Refused`; an existing file is never written over.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import pkcs12
    from cryptography.x509.oid import NameOID

    out = Path(out)
    if not passphrase or not 0 < len(name) <= 64:
        raise Refused(
            Problem(
                f"certificate {name[:64]!r}",
                "needs a passphrase and a name of 1 to 64 characters",
                "give both",
            )
        )
    root_key, key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    above = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"{name[:58]}, root")])
    holder = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)

    def certified(subject: Any, public: Any, root: bool) -> Any:
        usage = dict.fromkeys(
            ("digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement",
             "key_cert_sign", "crl_sign", "encipher_only", "decipher_only"), False)  # fmt: skip
        usage |= {"key_cert_sign": True} if root else {"digital_signature": True, "content_commitment": True}
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(above)
            .public_key(public)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(minutes=5))
            .not_valid_after(now + timedelta(days=days))
            .add_extension(x509.BasicConstraints(ca=root, path_length=0 if root else None), critical=True)
            .add_extension(x509.KeyUsage(**usage), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(root_key.public_key()), critical=False
            )
            .sign(root_key, hashes.SHA256())
        )

    root = certified(above, root_key.public_key(), True)
    certificate = certified(holder, key.public_key(), False)
    locked = serialization.BestAvailableEncryption(passphrase.encode("utf-8"))
    packed = pkcs12.serialize_key_and_certificates(name.encode("utf-8"), key, certificate, [root], locked)
    shown = out.with_suffix(".pem")
    for path, content, mode in (
        (out, packed, 0o600),
        (shown, root.public_bytes(serialization.Encoding.PEM), 0o644),
    ):
        _new_file(path, content, mode)
    return out, shown


def _new_file(path: Path, content: bytes, mode: int) -> None:
    draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        if path.exists():
            raise Refused(
                Problem(str(path), "exists already", "choose another name; keys are never written over")
            )
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        os.replace(draft, path)
    except OSError as error:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
        raise Refused(
            Problem(str(path), f"cannot be written: {error.strerror}", "choose another --out")
        ) from error
