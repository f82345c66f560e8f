"""Detached signatures over a record's canonical header: compact JWS (RFC 7515, appendix F), Ed25519 (RFC
8037, 9864).

The payload is encoded as usual (`b64` stays at its default), then taken out of the token: so any JOSE
library can put it back and verify. The public key travels in the signature (`jwk`), hence integrity can be
checked by anyone; whether the key counts is the trust list's matter. A demo key says so in what is signed.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchrunner.record import canonical, keys
from benchrunner.record.facts import utc_now
from benchrunner.record.keys import PublicKey, SigningKey

LARGEST_TOKEN = 16_384
LARGEST_HEADER = canonical.LARGEST
TYPE = "benchrunner-record+jws"
LONGEST_COMMENT = 2_000


class SignatureError(Exception):
    """The signature is malformed or does not fit; the text says which."""


@dataclass(frozen=True, slots=True)
class Signature:
    """A signature that holds over the header it was checked against."""

    part: str
    key: PublicKey
    name: str
    role: str
    at: str  # the signer's own clock: a statement, not a proof
    comment: str
    demo: bool
    covers: Mapping[str, str]  # earlier signatures by name -> SHA-256


def _registry() -> Any:
    from joserfc.jws import JWSRegistry

    class Wide(JWSRegistry):
        """The library's limits are for web tokens; ours are checked before it is called."""

        max_header_length = LARGEST_TOKEN
        max_payload_length = 2 * LARGEST_HEADER
        max_signature_length = 1024

    return Wide(algorithms=["Ed25519", "EdDSA"], strict_check_header=False)


def sign(
    header: bytes,
    key: SigningKey,
    role: str = "operator",
    comment: str = "",
    covers: Mapping[str, str] | None = None,
) -> bytes:
    """The detached token over `header` (header.json's bytes). `covers`: digests of earlier signatures."""
    from joserfc import jws
    from joserfc.jwk import OKPKey

    protected: dict[str, Any] = {
        "alg": "Ed25519",
        "typ": TYPE,
        "kid": key.public.thumbprint,
        "jwk": key.public.jwk,
        "name": key.public.name,
        "role": role[:64],
        "at": utc_now(),
    }
    if key.public.demo:
        protected["demo"] = True
    if comment:
        protected["comment"] = comment[:LONGEST_COMMENT]
    if covers:
        protected["covers"] = dict(covers)
    private = OKPKey.import_key(dict(key.private_jwk))
    token = jws.serialize_compact(protected, header, private, registry=_registry())
    return str(jws.detach_content(token)).encode()


def check(token: bytes, header: bytes, part: str = "signature") -> Signature:
    """Verify a detached token over `header`. Raises `SignatureError`; what it returns has been verified."""
    text, protected = _parts_of(token)
    try:
        key = keys.public_from_jwk(
            protected.get("jwk"), _text(protected, "name"), protected.get("demo") is True
        )
    except ValueError as error:
        raise SignatureError(f"its key {error}") from None
    if set(protected["jwk"]) != {"crv", "kty", "x"} or protected.get("kid") != key.thumbprint:
        raise SignatureError("its key does not fit the name that it gives of it (RFC 7638)")
    _verify(text, header, key)
    covers = protected.get("covers", {})
    if not isinstance(covers, dict) or not all(isinstance(v, str) for v in covers.values()):
        raise SignatureError("'covers' is no list of digests")
    return Signature(
        part,
        key,
        key.name,
        _text(protected, "role"),
        _text(protected, "at"),
        _text(protected, "comment"),
        key.demo,
        covers,
    )


def _parts_of(token: bytes) -> tuple[str, dict[str, Any]]:
    """The token's text and protected header, after all that can be said without a key."""
    if len(token) > LARGEST_TOKEN or not token.isascii():
        raise SignatureError("is no compact JWS")
    text = token.decode()
    pieces = text.split(".")
    if len(pieces) != 3:
        raise SignatureError("is no compact JWS (three pieces with dots between)")
    if pieces[1] != "":
        raise SignatureError("carries a payload of its own; a record's signature is detached")
    try:
        raw = keys.unb64(pieces[0])
        if len(keys.unb64(pieces[2])) != 64:
            raise ValueError("its value is not 64 bytes")
        protected = canonical.loads(raw)
    except ValueError as error:
        raise SignatureError(f"is damaged: {error}") from None
    if not isinstance(protected, dict) or protected.get("alg") not in ("Ed25519", "EdDSA"):
        raise SignatureError("is not made with Ed25519")
    if (
        protected.get("typ") != TYPE
    ):  # RFC 8725, 3.11: what was signed for another purpose counts for nothing here
        raise SignatureError(f"is not a record's signature: its 'typ' is not {TYPE!r}")
    if "crit" in protected or "b64" in protected:
        raise SignatureError("uses extensions (crit, b64) that a record's signature does not have")
    return text, protected


def _verify(text: str, header: bytes, key: PublicKey) -> None:
    import warnings

    from joserfc import jws
    from joserfc.errors import JoseError
    from joserfc.jwk import OKPKey

    with warnings.catch_warnings():  # "EdDSA" is deprecated by RFC 9864 and still accepted from older signers
        warnings.simplefilter("ignore")
        try:
            jws.deserialize_compact(
                text, OKPKey.import_key(dict(key.jwk)), payload=header, registry=_registry()
            )
        except (JoseError, ValueError, json.JSONDecodeError) as error:
            raise SignatureError("does not fit this record's header") from error


def _text(protected: Mapping[str, Any], name: str) -> str:
    value = protected.get(name, "")
    if not isinstance(value, str):
        raise SignatureError(f"{name!r} is no text")
    return "".join(c if c.isprintable() else " " for c in value)[:LONGEST_COMMENT]
