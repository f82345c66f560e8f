"""Time stamps (RFC 3161): an authority's signed word that a signature existed at a moment. Optional; a laboratory's own server.

What is stamped is the SHA-256 of a signature's file. The token lies beside it: `signatures/0001.tst` for
`signatures/0001.jws`. Nothing is asked for over the network unless a server's address is given.
"""

import asyncio
import hashlib
import http.client
import logging
import os
import threading
import urllib.error
import urllib.request
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchrunner.errors import Problem, Refused

LARGEST = 64 << 10  # bytes of a token; with a chain of certificates a few kilobytes
WAIT = 20.0  # s for the server, in all
REQUEST, ANSWER = "application/timestamp-query", "application/timestamp-reply"


class StampError(Exception):
    """The token is malformed or does not fit; the text says which."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """A token whose signature holds over what it was checked against."""

    at: datetime
    authority: str  # subject of the certificate that signed it
    trusted: str  # name of the authority on the trust list that it leads to, or ""


def ask(url: str, content: bytes) -> bytes:
    """A token of the server at `url` over `content`, checked. Raises `Refused` in words."""
    from asn1crypto import algos, core, tsp

    def refused(
        what: str, mend: str = "check the address with who runs the server, or sign without a time stamp"
    ) -> Refused:
        return Refused(Problem(f"time-stamp server {url}", what, mend))

    if not url.lower().startswith(("http://", "https://")):
        raise refused("is no web address", "give http://... or https://...")
    imprint = tsp.MessageImprint(
        {
            "hash_algorithm": algos.DigestAlgorithm({"algorithm": "sha256"}),
            "hashed_message": hashlib.sha256(content).digest(),
        }
    )
    nonce = int.from_bytes(os.urandom(8), "big")
    wanted = tsp.TimeStampReq(
        {"version": "v1", "message_imprint": imprint, "nonce": core.Integer(nonce), "cert_req": True}
    )
    try:
        raw = _fetch(urllib.request.Request(url, wanted.dump(), {"Content-Type": REQUEST, "Accept": ANSWER}))
    except (urllib.error.URLError, http.client.HTTPException, OSError, ValueError) as error:
        raise refused(f"did not answer: {getattr(error, 'reason', None) or error}") from error
    if len(raw) > LARGEST:
        raise refused(f"answered with more than {LARGEST} bytes")
    try:
        reply = tsp.TimeStampResp.load(raw, strict=True)
        status = str(reply["status"]["status"].native)
        if status not in ("granted", "granted_with_mods"):
            why = reply["status"]["status_string"].native or ["no reason given"]
            raise refused(f"refused to stamp: {status}, {'; '.join(map(str, why))[:200]}")
        token = bytes(reply["time_stamp_token"].dump())
        if int(_info(token)["nonce"].native or 0) != nonce:
            raise refused("answered another question than was asked (nonce)")
        check(token, content, ())
    except (ValueError, TypeError, KeyError, StampError) as error:
        raise refused(f"gave an answer that is none: {str(error)[:200]}") from error
    return token


def _fetch(request: urllib.request.Request) -> bytes:
    """The answer. A time-out of `urlopen` counts each piece anew; here all of it, names looked up included, has `WAIT`."""
    got: list[bytes | Exception] = []

    def fetch() -> None:
        try:
            with urllib.request.urlopen(request, timeout=WAIT) as answer:
                got.append(answer.read(LARGEST + 1))
        except Exception as error:  # it is raised where somebody waits for it
            got.append(error)

    thread = threading.Thread(target=fetch, name="time stamp", daemon=True)
    thread.start()
    thread.join(WAIT)
    if not got:
        raise TimeoutError(f"not within {WAIT:g} s")
    if isinstance(got[0], Exception):
        raise got[0]
    return got[0]


def check(token: bytes, content: bytes, authorities: Sequence[tuple[str, str]]) -> Stamp:
    """Verify a token over `content`. `authorities`: (name, certificate in PEM) that count.

    Returns what has been verified; whether an authority counts is in `trusted`. Raises `StampError`; a certificate of
    the list that cannot be read raises `Refused`.
    """
    if len(token) > LARGEST:
        raise StampError(f"is larger than {LARGEST} bytes")
    try:
        info = _info(token)
        at = info["gen_time"].native
        signed = _signed(token)
    except Exception as error:  # as in `_validate`
        raise StampError(f"is no time-stamp token ({str(error)[:120]})") from None
    if not isinstance(at, datetime) or at.tzinfo is None:
        raise StampError("gives no time")
    status = _validate(signed, content, [])
    if not status.get("intact"):
        raise StampError("is not over this signature: its message imprint differs")
    if not status.get("valid"):
        raise StampError("is damaged: its own signature does not hold")
    certificate = status["signing_cert"]
    trusted = ""
    for name, pem in authorities:
        found = _validate(signed, content, [certificate_of(name, pem)], at)
        if (
            found.get("valid")
            and found.get("validation_path") is not None
            and found.get("trust_problem_indic") is None
        ):
            trusted = name
            break
    return Stamp(at, str(certificate.subject.human_friendly)[:200], trusted)


def _signed(token: bytes) -> Any:
    from asn1crypto import cms

    content = cms.ContentInfo.load(token, strict=True)
    if content["content_type"].native != "signed_data":
        raise StampError("it is no signed data")
    return content["content"]


def _info(token: bytes) -> Any:
    from asn1crypto import tsp

    inner = _signed(token)["encap_content_info"]
    if inner["content_type"].native != "tst_info":
        raise StampError("it holds no time")
    info = inner["content"].parsed
    if not isinstance(info, tsp.TSTInfo):
        raise StampError("it holds no time")
    return info


def _validate(
    signed: Any, content: bytes, roots: list[Any], moment: datetime | None = None
) -> dict[str, Any]:
    from pyhanko.sign.validation.generic_cms import validate_tst_signed_data
    from pyhanko_certvalidator import ValidationContext

    context = ValidationContext(
        trust_roots=roots, moment=moment, allow_fetching=False, revocation_mode="soft-fail"
    )

    def imprint(algorithm: str) -> bytes:
        return hashlib.new(algorithm, content).digest()

    logging.getLogger("pyhanko").setLevel(
        logging.CRITICAL
    )  # a certificate that leads nowhere is no news here
    logging.getLogger("pyhanko_certvalidator").setLevel(logging.CRITICAL)
    try:
        return dict(asyncio.run(validate_tst_signed_data(signed, context, imprint)))
    except (
        Exception
    ) as error:  # bytes of a stranger, deep in a library: whatever it throws, the token does not hold
        raise StampError(f"cannot be checked: {str(error)[:160]}") from None


def certificate_of(name: str, pem: str) -> Any:
    from asn1crypto import pem as armour
    from asn1crypto import x509

    try:
        _, _, raw = armour.unarmor(pem.encode("ascii"))
        return x509.Certificate.load(raw, strict=True)
    except (ValueError, UnicodeError, TypeError) as error:
        raise Refused(
            Problem(
                f"trust list: authority {name!r}",
                f"its certificate cannot be read: {str(error)[:120]}",
                "give it in PEM",
            )
        ) from None
