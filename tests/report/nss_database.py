"""Makes an NSS certificate database with one trusted certificate in it, by libnss3 itself (which pdfsig uses).

Run as a program of its own (NSS keeps state for its whole process): `python nss_database.py FOLDER CERTIFICATE.pem`.
"""

import ctypes
import ssl
import sys
from pathlib import Path


class Trust(ctypes.Structure):
    """CERTCertTrust of cert.h: flags for TLS, e-mail and object signing."""

    _fields_ = [("tls", ctypes.c_uint), ("email", ctypes.c_uint), ("objects", ctypes.c_uint)]


def main(folder: str, certificate: str) -> None:
    """Exit code 1 with a word on what NSS would not do."""
    nss, smime = ctypes.CDLL("libnss3.so"), ctypes.CDLL("libsmime3.so")
    nss.PK11_GetInternalKeySlot.restype = nss.CERT_GetDefaultCertDB.restype = ctypes.c_void_p
    smime.CERT_DecodeCertFromPackage.restype = ctypes.c_void_p
    der = ssl.PEM_cert_to_DER_cert(Path(certificate).read_text("ascii"))

    def must(outcome: int, what: str) -> None:
        if outcome != 0:
            raise SystemExit(f"NSS: {what} failed")

    must(nss.NSS_InitReadWrite(b"sql:" + folder.encode()), "opening the database")
    slot = ctypes.c_void_p(nss.PK11_GetInternalKeySlot())
    must(nss.PK11_InitPin(slot, None, b""), "setting no password")
    held = ctypes.c_void_p(smime.CERT_DecodeCertFromPackage(der, len(der)))
    must(nss.PK11_ImportCert(slot, held, ctypes.c_ulong(0), b"laboratory", 0), "importing the certificate")
    trust = Trust()
    must(
        nss.CERT_DecodeTrustString(
            ctypes.byref(trust), sys.argv[3].encode() if len(sys.argv) > 3 else b"CT,C,C"
        ),
        "the trust",
    )
    must(
        nss.CERT_ChangeCertTrust(ctypes.c_void_p(nss.CERT_GetDefaultCertDB()), held, ctypes.byref(trust)),
        "trusting it",
    )
    nss.CERT_DestroyCertificate(held)
    nss.PK11_FreeSlot(slot)
    must(nss.NSS_Shutdown(), "closing the database")


if __name__ == "__main__":
    main(*sys.argv[1:3])
